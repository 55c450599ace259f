"""A rate that was found from the beats of one board is not used for another board."""

from pathlib import Path

import pytest
from hand_board import RIG_TEXT, HandBoard, hand_run

from chrono.session.live_run import LiveRun
from chrono.session.recording_loader import read_recording
from chrono.session.replay_run import ReplayRun

RIG = RIG_TEXT + "[clock]\nfrom_host = true\n"
FAST = 5e-3


def hear(run: LiveRun, board: HandBoard, seconds: float, *speeds_mps: float) -> None:
    """Let the board shoot and then beat for some seconds, and process each second."""
    for speed in speeds_mps:
        board.shoot(speed)
    for _ in range(round(seconds)):
        board.wait(1.0)
        while run.step():
            pass


def another_board(board: HandBoard, rate_error: float) -> None:
    """Exchange the board; the counter of the new board has 31 bits."""
    board.start_anew()
    board.rate_error = rate_error
    board.line("H 1 16000000 31 other 1.0")


def speeds(run: LiveRun | ReplayRun) -> list[float]:
    return run.session.measured().speed_mps.tolist()


@pytest.mark.parametrize("seconds", [70.0, 150.0])
def test_a_new_board_is_not_measured_with_the_rate_of_the_board_before(
    seconds: float,
) -> None:
    board, run = hand_run(rig_text=RIG)
    board.rate_error = FAST
    hear(run, board, seconds)
    assert run.session.host_rate is not None
    another_board(board, 0.0)
    hear(run, board, 6.0, 30.0)
    assert speeds(run) == pytest.approx([30.0], rel=1e-4)
    assert run.session.host_rate is None
    hear(run, board, 90.0)
    assert run.session.host_rate is not None
    assert run.session.host_rate.rate_error == pytest.approx(0.0, abs=1e-6)


def test_a_replay_uses_the_rate_of_the_last_board_only_for_its_own_shots(
    tmp_path: Path,
) -> None:
    path = tmp_path / "a.tsv"
    board, run = hand_run(path, rig_text=RIG)
    hear(run, board, 6.0, 30.0)
    another_board(board, FAST)
    hear(run, board, 100.0, 30.0)
    run.close()
    whole = read_recording(path).session
    replay = ReplayRun(path, whole, 1.0)
    replay.start()
    replay.source.release_until(run.session.last_us // 2)
    while replay.source.is_due:
        replay.step()
    assert len(replay.session.log) == 2
    assert speeds(replay) == whole.measured().speed_mps.tolist()
    assert speeds(replay) == pytest.approx([30.0, 30.0], rel=1e-4)
    early = ReplayRun(path, whole, 1.0).at_shot(1)
    (first,) = early.session.open_rows()
    assert first.speed_mps == pytest.approx(30.0, rel=1e-4)
