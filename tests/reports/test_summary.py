"""What a summary says of setups: a mean and its scatter, one shot, none, the mouth's speed."""

import json
from pathlib import Path

import numpy as np
import pytest

from chrono.reader.rows import json_row
from chrono.reports.summary import summary_data, summary_text
from chrono.session.marks import Setup, setup_record
from chrono.session.recorded import read_recording
from chrono.session.summary import summary_of
from chrono.units import format_speed

BANDS = Path(__file__).parents[2] / "recordings" / "two-and-three-bands.tsv"


@pytest.fixture(name="with_setups")
def _with_setups(tmp_path):
    """Make a recording of one block of the demo session, under other setups."""

    def make(*changes: tuple[int, Setup]) -> Path:
        rows = BANDS.read_bytes().splitlines(keepends=True)
        board = [row for row in rows[3:] if b"\tboard\t" in row]
        shots_at = [i for i, row in enumerate(board) if b" A 1 " in row]
        for shot, setup in sorted(changes, key=lambda change: -change[0]):
            place = shots_at[shot]
            host_us = int(board[place].partition(b"\t")[0])
            board.insert(place, json_row(host_us, "setup", setup_record(setup)))
        path = tmp_path / "x.tsv"
        path.write_bytes(b"".join(rows[:3] + board))
        return path

    return make


def test_a_setup_of_one_shot_tells_that_shot_s_speed_and_uncertainty(with_setups) -> None:
    recorded = read_recording(with_setups((0, Setup("many")), (39, Setup("one"))))
    measured, series = recorded.session.measured(), recorded.session.series("one")

    assert series is not None
    assert series.n == 1
    assert series.mean_mps == measured.speed_mps[-1]
    assert series.U95_mean_mps == measured.U95_mps[-1]
    own = format_speed(measured.speed_mps[-1], measured.U95_mps[-1], "m/s")
    assert (
        f"  one: 1 counted, speed {own} (95 %)"
        in summary_text(summary_of(recorded)).splitlines()
    )
    data = summary_data(summary_of(recorded))
    json.dumps(data, allow_nan=False)
    assert data["setups"][1]["range_mps"] is None, "one shot has no range"


def test_json_has_both_parts_of_the_mean_s_uncertainty_and_what_k_comes_from(
    with_setups,
) -> None:
    recorded = read_recording(with_setups((0, Setup("three", {})), (37, Setup("other"))))
    series = recorded.session.series("other")

    found = summary_data(summary_of(recorded))["setups"][1]

    assert series is not None
    assert found["counted"] == 3
    assert found["random_dof"] == 2
    assert found["k"] == pytest.approx(found["U95_mean_mps"] / found["u_mean_mps"])
    assert found["u_mean_mps"] == pytest.approx(
        np.hypot(found["u_random_mean_mps"], found["u_shared_mean_mps"])
    )
    # t of two degrees of freedom (JCGM 100, table G.2: 4.30)
    assert found["U95_random_mean_mps"] == pytest.approx(
        4.303 * found["u_random_mean_mps"], 1e-3
    )
    assert found["U95_shared_mean_mps"] < 1.96 * found["u_shared_mean_mps"]
    assert found["dof"] >= 2


def test_the_values_of_a_setup_are_those_that_numpy_finds(with_setups) -> None:
    recorded = read_recording(with_setups((0, Setup("many")), (39, Setup("one"))))
    speeds = recorded.session.measured().speed_mps[:39]

    line = summary_text(summary_of(recorded)).splitlines()[3]

    words = line.split()
    values = dict(zip(words[0:-1:2], map(float, words[1::2]), strict=True))
    expected = {
        "s": np.std(speeds, ddof=1),
        "median": np.median(speeds),
        "min": np.min(speeds),
        "max": np.max(speeds),
        "range": np.ptp(speeds),
    }
    assert values == pytest.approx(expected, abs=0.0051)
    assert words[-1] == "[m/s]"


def test_a_setup_s_own_body_gives_the_speed_at_the_mouth(with_setups) -> None:
    light = Setup("light", {"mass_kg": 0.006})
    recorded = read_recording(with_setups((0, Setup("as the rig")), (20, light)))

    as_the_rig, lighter = summary_data(summary_of(recorded))["setups"]

    loss, more = (
        setup["muzzle_mps"] / setup["mean_mps"] - 1 for setup in (as_the_rig, lighter)
    )
    assert more == pytest.approx(4 * loss, rel=0.05)


@pytest.mark.parametrize("mass_kg", [1e-6, 4.2e-7])
def test_a_body_too_light_to_fly_has_no_speed_at_the_mouth(with_setups, mass_kg) -> None:
    recorded = read_recording(with_setups((0, Setup("foam", {"mass_kg": mass_kg}))))

    data = summary_data(summary_of(recorded))

    assert data["setups"][0]["muzzle_mps"] is None
    assert "not known: so light a body" in summary_text(summary_of(recorded))
    json.dumps(data, allow_nan=False)


def test_start_and_launch_conditions_are_told(with_setups) -> None:
    conditions = {"bands": "3", "pull": "40 cm"}
    recorded = read_recording(with_setups((0, Setup("three", conditions=conditions))))

    lines = summary_text(summary_of(recorded)).splitlines()

    assert lines[1] == "  started 2025-05-16T14:00:00.000+02:00"
    assert "    conditions: bands 3, pull 40 cm" in lines
    assert summary_data(summary_of(recorded))["started"] == "2025-05-16T14:00:00.000+02:00"
