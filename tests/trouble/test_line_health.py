"""The verdict on a firing line whose trouble is known."""

from pathlib import Path

import pytest

from chrono.reports.readiness_text import HealthText, health_words
from chrono.session.readiness_check import check_recording

from .generator import firing_line


def _health(
    folder: Path, kind: str, noise_per_min: float = 0.0, size: float = 0.2
) -> HealthText:
    line = firing_line(3, size=size, kinds=(kind,), noise_per_min=noise_per_min)
    path = folder / "line.tsv"
    path.write_bytes(b"host_us\torigin\tline\n" + line.rows)
    return health_words(check_recording(path, None).health)


def test_a_line_without_trouble_is_ready(tmp_path: Path) -> None:
    assert _health(tmp_path, "clean").verdict == "ready"


def test_a_lamp_is_named_with_its_gates_and_frequency(tmp_path: Path) -> None:
    (launch,) = firing_line(3, size=0.04, kinds=("flicker",), noise_per_min=0.0).launches
    health = _health(tmp_path, "flicker", size=0.04)
    assert launch.lamps
    assert [item.trouble for item in health.troubles] == [
        f"a lamp makes gate {'AB'[gate]} flicker at {hz:.0f} Hz" for gate, hz, _ in launch.lamps
    ]


@pytest.mark.parametrize(
    ("kind", "reason"),
    [
        ("chatter_on_all", "chatters at its threshold"),
        ("board_lost", "the board dropped"),
        ("wire_gap_of_two", "of the lines are damaged or lost"),
        ("restart_between", "the board restarted"),
    ],
)
def test_each_trouble_is_a_reason(tmp_path: Path, kind: str, reason: str) -> None:
    assert reason in _health(tmp_path, kind).verdict


def test_spikes_are_noise_and_bodies_are_not(tmp_path: Path) -> None:
    health = _health(tmp_path, "clean", noise_per_min=300.0)
    assert [item.name for item in health.troubles] == ["noise A", "noise B"]
    assert not [
        i for i in _health(tmp_path, "lone").items if i.name[:5] == "noise" and i.trouble
    ]
