"""When a half-finished shot closes: by the board's beats, or after the longest stall."""

from pathlib import Path

import pytest
from hand_board import HandBoard, hand_run

from chrono.session.live_run import LiveRun
from chrono.session.recording_loader import read_recording

A, B = "A", "B"
HALVES: dict[str, tuple[tuple[str, int], ...]] = {
    "one passage": ((A, 1), (A, 0)),
    "one edge": ((A, 1),),
    "a clear is missing": ((A, 1), (A, 0), (B, 1)),
    "nothing is missing": ((A, 1), (A, 0), (B, 1), (B, 0)),
}
STEP_US = 50_000
LONGEST_STALL_S = 30.0


def closed_after(board: HandBoard, run: LiveRun, half: str, beats: bool) -> float:
    """Return how long after its first edge a shot closed [s]."""
    begin_us = board.us
    for gate, level in HALVES[half]:
        board.edge(gate, level)
        board.us += 2_000
    blocked = dict(HALVES[half])
    levels = f"{blocked.get(A, 0)}{blocked.get(B, 0)}"
    while not len(run.session.log):
        second = board.us // 1_000_000
        board.us += STEP_US
        if beats and board.us // 1_000_000 > second:
            board.line(f"T {board.number()} {board.us * 16 & 0xFFFFFFFF:08X} {levels} 0000")
        run.step()
        assert board.us < begin_us + 60_000_000
    return (board.us - begin_us) * 1e-6


@pytest.mark.parametrize("half", HALVES)
@pytest.mark.parametrize("beats", [True, False])
def test_a_shot_closes_by_what_the_board_tells_or_after_the_longest_stall(
    tmp_path: Path, half: str, beats: bool
) -> None:
    path = tmp_path / "half.tsv"
    board, run = hand_run(path)
    board.wait(2.3)
    took_s = closed_after(board, run, half, beats)
    if beats:  # the next but one beat is 1.7 s after it
        assert took_s < 1.75
    else:
        assert LONGEST_STALL_S + 1 < took_s < LONGEST_STALL_S + 2.5
    shots = run.session.log.shots.tobytes()
    run.close()
    assert read_recording(path).session.log.shots.tobytes() == shots
