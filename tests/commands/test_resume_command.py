"""`clock --resume`: only what is new is printed, and what does not fit is refused."""

import os
import shutil
import threading
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path

import pytest
from hand_board import CLOCK_HZ, RIG_TEXT, HandBoard, hand_run
from pty_board import PtyBoard

pytestmark = pytest.mark.skipif(os.name != "posix", reason="needs pseudo-terminals")

DEMO = Path(__file__).parents[2] / "recordings" / "two-and-three-bands.tsv"


@pytest.fixture
def morning(tmp_path: Path) -> Path:
    path = tmp_path / "day.tsv"
    board, run = hand_run(path)
    board.shoot_and_wait(30.0, 31.0)
    run.close()
    return path


@contextmanager
def speaking(name: Path, *speeds_mps: float) -> Iterator[Path]:
    """Let a board shoot as soon as it is asked who it is."""
    board, lines = HandBoard(), []
    board.raw = lines.append
    board.line(f"H 1 {CLOCK_HZ} 32 hand 1.0")
    board.shoot_and_wait(*speeds_mps)
    with PtyBoard(name) as port:

        def speak() -> None:
            port.heard()
            port.send("".join(f"{line}\n" for line in lines).encode())

        speaker = threading.Thread(target=speak)
        speaker.start()
        yield name
        speaker.join()


def test_only_new_shots_are_printed_and_counted_for_the_limit(
    chrono, morning: Path, tmp_path: Path
) -> None:
    before = morning.read_bytes()
    with speaking(tmp_path / "board", 33.0, 34.0, 35.0) as port:
        outcome = chrono("clock", port, "--resume", morning, "--no-dashboard", "--shots", 2)
    assert outcome.code == 0, outcome.err
    assert [line.split()[0] for line in outcome.out.splitlines()] == ["3", "4"]
    assert "eye protection" in outcome.err.lower()
    assert morning.read_bytes().startswith(before)


def test_what_does_not_fit_is_one_line_and_exit_2(chrono, morning: Path, tmp_path) -> None:
    before = morning.read_bytes()
    rig = tmp_path / "rig.toml"
    rig.write_text(RIG_TEXT.replace("300 mm", "310 mm"))
    outcome = chrono("clock", "/no/port", "--resume", morning, "--rig", rig)
    assert outcome.code == 2
    assert "the given rig differs from the rig in" in outcome.err
    assert outcome.err.count("\n") == 2
    outcome = chrono("clock", "/no/port", "--resume", morning, "--recording", "b.tsv")
    assert outcome.code == 2
    assert "not both" in outcome.err
    demo = tmp_path / "demo.tsv"
    shutil.copy(DEMO, demo)
    outcome = chrono("clock", "/no/port", "--resume", demo)
    assert outcome.code == 2
    assert "is a demonstration" in outcome.err
    assert demo.read_bytes() == DEMO.read_bytes()
    assert morning.read_bytes() == before
