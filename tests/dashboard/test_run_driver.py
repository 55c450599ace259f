"""What a run brings and what of it is news, without a screen."""

import subprocess
import sys

import pytest
from hand_board import RIG_TEXT, hand_run

from chrono.dashboard.run_driver import MORE_EDGES_S, SHOWN_SHOTS, Change, RunDriver
from chrono.errors import PortError
from chrono.session.recording_loader import read_recording
from chrono.session.replay_run import replay_run


class Clock:
    """Seconds that the test lets pass."""

    now_s = 100.0

    def __call__(self) -> float:
        return self.now_s


@pytest.fixture(name="clock")
def _clock() -> Clock:
    return Clock()


def test_it_knows_no_screen() -> None:
    program = "import sys, chrono.dashboard.run_driver; print(*sys.modules)"
    done = subprocess.run([sys.executable, "-c", program], capture_output=True, check=True)
    loaded = done.stdout.decode().split()
    assert "chrono.dashboard.run_driver" in loaded
    assert not {"textual", "rich"} & set(loaded)


def test_nothing_came_is_no_change() -> None:
    _, run = hand_run(hello=False)
    driver = RunDriver(run)
    while driver.step().any:
        pass
    assert driver.step() == Change()


def test_a_shot_is_news_with_its_last_edge_and_once() -> None:
    board, run = hand_run()
    driver = RunDriver(run)
    driver.step()
    board.wait(2.0)
    assert not driver.step().whole_shot
    board.shoot(30.0)
    assert driver.step() == Change(any=True, whole_shot=True, part_of_shot=True)
    board.wait(4.0)  # it is open no longer, and the same
    change = driver.step()
    assert change.any
    assert not change.whole_shot
    assert not driver.look().latest.open


def test_a_shot_of_one_pair_of_edges_is_part_of_one() -> None:
    board, run = hand_run()
    driver = RunDriver(run)
    board.wait(2.0)
    driver.step()
    begin_us = board.us
    for us, gate, level in ((0, "A", 1), (1_333, "A", 0), (10_000, "B", 1)):
        board.us = begin_us + us
        board.edge(gate, level)
    assert driver.step() == Change(any=True, part_of_shot=True)
    board.us = begin_us + 11_333
    board.edge("B", 0)
    assert driver.step() == Change(any=True, whole_shot=True)


def test_part_of_a_shot_among_the_first_rows_is_news() -> None:
    board, run = hand_run()
    driver = RunDriver(run)
    begin_us = board.us
    for us, gate, level in ((0, "A", 1), (1_333, "A", 0), (10_000, "B", 1)):
        board.us = begin_us + us
        board.edge(gate, level)
    changes = list(iter(driver.step, Change()))
    assert any(change.part_of_shot for change in changes)


def test_shots_that_were_there_are_no_news(tmp_path) -> None:
    board, run = hand_run(tmp_path / "a.tsv")
    board.shoot_and_wait(30.0, 31.0)
    RunDriver(run).step()
    assert len(run.session.log) == 2

    driver = RunDriver(run)
    board.wait(1.0)
    assert not driver.step().whole_shot
    board.shoot_and_wait(32.0)
    assert driver.step().whole_shot
    run.close()

    whole = read_recording(tmp_path / "a.tsv").session
    replay = replay_run(tmp_path / "a.tsv", whole, 1.0)
    replay.start()
    replay.source.pause()
    driver = RunDriver(replay)
    replay.step_to_next_shot()
    assert driver.looks is driver.looks, "what is computed is kept"
    assert driver.looks.session is replay.session
    driver.show_instead(replay.at_shot(3))
    assert driver.run.shots_shown == 3
    assert not driver.step().whole_shot
    assert driver.looks.session is driver.run.session


def test_the_screen_is_due_once_no_more_edges_are_to_come(clock) -> None:
    board, run = hand_run()
    driver = RunDriver(run, clock)
    assert driver.stale
    driver.look()
    assert not driver.stale
    board.shoot(30.0)
    driver.step()
    assert driver.stale
    assert not driver.settled
    clock.now_s += 1.1 * MORE_EDGES_S
    assert driver.settled
    assert driver.look().shots == 1
    assert not driver.stale


def test_a_look_holds_the_last_shots_and_is_kept() -> None:
    board, run = hand_run()
    driver = RunDriver(run)
    for _ in range(SHOWN_SHOTS + 5):
        board.shoot()
        board.wait(1.0)
    board.wait(4.0)
    driver.step()
    view = driver.look()
    assert view.shots == SHOWN_SHOTS + 5
    assert [view.rows[0].number, view.rows[-1].number] == [6, SHOWN_SHOTS + 5]
    assert driver.view is view


def test_each_model_is_prepared_once() -> None:
    board, run = hand_run(hello=False)
    driver = RunDriver(run)
    assert not driver.prepares
    assert driver.notice_new_model()
    assert driver.prepares
    assert not driver.notice_new_model()
    board.line("H 1 8000000 32 hand 1.0")  # another counter than the rig's
    driver.step()
    assert driver.notice_new_model()
    assert not driver.notice_new_model()


def test_shots_measured_with_another_rate_are_told_once() -> None:
    text = RIG_TEXT + '[clock]\nfrom_host = true\nrate_tolerance = "5000 ppm"\n'
    board, run = hand_run(rig_text=text)
    board.rate_error = -4000e-6
    driver = RunDriver(run)
    board.shoot_and_wait(30.0)
    told = []
    for _ in range(75):
        board.wait(1.0)
        told.append(driver.step().remeasured)
    assert sum(told) == 1
    assert run.remeasured_us is not None


def test_what_ends_the_run_is_passed_on(monkeypatch) -> None:
    _, run = hand_run()

    def broken() -> bool:
        raise PortError("is gone")

    monkeypatch.setattr(run, "step", broken)
    with pytest.raises(PortError):
        RunDriver(run).step()
