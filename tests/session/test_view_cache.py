"""Looking again gives what a first look gives, whatever happened in between."""

from collections.abc import Iterator
from contextlib import contextmanager
from dataclasses import replace

import numpy as np
import pytest
from hand_board import CLOCK_HZ, RIG_TEXT, hand_run
from hypothesis import given, settings
from hypothesis import strategies as st

from chrono.rigs.rig_file import parse_rig
from chrono.session.operator_records import (
    COUNT_AGAIN,
    HOLD_OFF,
    HOLD_ON,
    NOTE,
    SET_ASIDE,
    Mark,
    Setup,
)
from chrono.session.session import Session
from chrono.session.shot_search import find_shots
from chrono.session.view_cache import PAGE_ROWS, ViewCache

RIG = parse_rig(RIG_TEXT, "test")
LONGER = parse_rig(RIG_TEXT.replace("300 mm", "310 mm"), "test")


def take_all(run):
    while run.step():
        pass


def act(board, run, what, which):
    """Let something happen that could change what was seen before."""
    shots = run.session.log.shots
    key = int(shots["key"][which % len(shots)]) if len(shots) else 0
    match what:
        case "shoot":
            board.shoot(20.0 + which)
        case "wait":
            board.shoot_and_wait(20.0 + which)
        case "late":  # lines wait to be read
            begin_us = board.us
            board.shoot_and_wait(25.0, 26.0, 27.0)
            board.us = max(board.us, begin_us)
        case "mark":
            run.say_mark(Mark((SET_ASIDE, COUNT_AGAIN, NOTE)[which % 3], key, "x"))
        case "hold":
            run.say_mark(Mark((HOLD_ON, HOLD_OFF)[which % 2]))
        case "setup":
            run.say_setup(Setup(f"bands {which % 3}"))
        case "correct":
            run.say_setup(Setup("other", {"mass_kg": 0.03}, corrects=f"bands {which % 3}"))
        case "undo":
            run.undo()
        case "rig":
            run.session.remeasure((RIG, LONGER)[which % 2])
    take_all(run)


ACTS = ("shoot", "wait", "mark", "hold", "setup", "correct", "undo", "rig")


@settings(deadline=None, max_examples=60)
@given(st.lists(st.tuples(st.sampled_from(ACTS), st.integers(0, 20)), max_size=25))
def test_what_was_kept_equals_a_first_look(acts) -> None:
    board, run = hand_run()
    looks = ViewCache(run.session)
    for what, which in acts:
        act(board, run, what, which)
        kept, fresh = looks.view(50), ViewCache(run.session).view(50)
        assert [repr(row) for row in kept.rows] == [repr(row) for row in fresh.rows]
        assert repr(kept.series) == repr(fresh.series)
        assert repr(kept.series) == repr(run.session.series(run.session.setup_now.name))
        assert (kept.shots, kept.setup) == (fresh.shots, fresh.setup)
        assert repr(kept.latest) == repr(fresh.latest)


def test_nothing_is_measured_twice_while_it_holds(monkeypatch: pytest.MonkeyPatch) -> None:
    board, run = hand_run()
    board.shoot_and_wait(*[30.0] * 5)
    take_all(run)
    measured = []
    real = Session.pieces
    monkeypatch.setattr(
        Session, "pieces", lambda self, part: measured.append(part) or real(self, part)
    )
    looks = ViewCache(run.session)
    looks.view()
    count = len(measured)
    looks.view()
    assert len(measured) == count
    board.shoot_and_wait(31.0)
    take_all(run)
    looks.view()
    new = [part.indices(6)[:2] for part in measured[count:] if len(range(*part.indices(6)))]
    assert new
    assert all(begin == 5 for begin, _ in new)


def test_every_shot_of_many_pages_is_reached() -> None:
    board, run = hand_run()
    board.shoot_and_wait(*[20.0 + i / 10 for i in range(PAGE_ROWS + 3)])
    board.shoot(70.0)
    take_all(run)
    looks, session = ViewCache(run.session), run.session
    assert len(looks) == PAGE_ROWS + 4
    rows = looks.rows(-5, 10_000)
    assert [row.number for row in rows] == list(range(1, PAGE_ROWS + 5))
    assert rows[-1].open
    assert [repr(row) for row in rows[:-1]] == list(
        map(repr, session.rows_of(slice(0, len(session.log))))
    )
    for place, row in enumerate(rows):
        assert looks.place_of(row.key) == place
        assert session.number_of(row.key) == place + 1
    assert looks.place_of(rows[3].key + 1) is None
    assert looks.place_of(1 << 60) is None


@contextmanager
def lines_waiting(board) -> Iterator[None]:
    """Let the lines of a board wait; they are all read at the end."""
    kept: list[str] = []
    say, board.raw = board.raw, kept.append
    yield
    board.raw = say
    for line in kept:
        board.raw(line)


def slept(board, shots: int) -> list[float]:
    """Let the program stand still for some shots; return when they really were [s]."""
    real_s = []
    with lines_waiting(board):
        for i in range(shots):
            real_s.append(board.us * 1e-6)
            board.shoot_and_wait(30.0 + i)
    return real_s


def test_shots_whose_lines_waited_have_the_times_of_the_counter() -> None:
    board, run = hand_run()
    real_s = [0.0]
    board.shoot_and_wait(30.0)
    take_all(run)
    real_s += slept(board, 7)
    take_all(run)
    looks = ViewCache(run.session)
    looks.view()  # what was seen meanwhile must not stay
    board.wait(2.0)
    real_s.append(board.us * 1e-6)
    board.shoot_and_wait(20.0)
    take_all(run)
    log = run.session.log
    assert len(set(log.shots["host_us"][1:8].tolist())) == 1
    # The last shot before the program went on is the one whose time nothing tells better
    # than to four seconds: it had waited for so long at most.
    times_s = log.time_us * 1e-6
    assert np.diff(times_s[1:8]) == pytest.approx(np.diff(real_s[1:8]), abs=2e-6)
    assert np.abs(times_s - real_s).max() < 4.1
    assert [row.time_s for row in looks.view().rows] == times_s.tolist()


def test_a_board_that_starts_anew_leaves_the_shots_before_it_at_their_times() -> None:
    # Behind a restart the counter's time goes on by more than passed, so that nothing pairs.
    board, run = hand_run()
    board.wait(20.0)
    real_s = []
    for away_s in (3.0, 8.0, 40.0):
        for speed in (30.0, 31.0):
            real_s.append(board.us * 1e-6)
            board.shoot_and_wait(speed)
        board.record("link", {"event": "lost", "port": "hand", "reason": "unplugged"})
        board.us += round(away_s * 1e6)
        board.record("link", {"event": "reopened", "port": "hand", "reason": ""})
        board.start_anew()
        board.line(f"H 1 {CLOCK_HZ} 32 hand 1.0")
    real_s.append(board.us * 1e-6)
    board.shoot_and_wait(32.0)
    take_all(run)
    assert run.session.processor.tally.restarts == 3
    assert run.session.log.time_us * 1e-6 == pytest.approx(real_s, abs=1e-6)


def test_shots_that_waited_behind_a_restart_do_not_move_those_before_it() -> None:
    board, run = hand_run()
    board.wait(20.0)
    board.shoot_and_wait(30.0, 31.0)
    board.us += 2_000_000
    board.start_anew()
    board.line(f"H 1 {CLOCK_HZ} 32 hand 1.0")
    board.wait(1.0)
    real_s = slept(board, 3)
    take_all(run)
    times_s = run.session.log.time_us * 1e-6
    assert times_s[:2] == pytest.approx([20.0, 24.0], abs=0.1)
    assert np.diff(times_s[2:]) == pytest.approx(np.diff(real_s), abs=2e-6)


def test_shots_that_waited_behind_a_wrong_rate_do_not_move_those_before_them() -> None:
    board, run = hand_run()
    board.rate_error = 0.005
    board.wait(20.0)
    board.shoot_and_wait(30.0)
    board.wait(11.0)
    with lines_waiting(board):
        board.shoot(30.0)
        board.us += 500_000
    board.shoot_and_wait(31.0)
    take_all(run)
    log = run.session.log
    assert log.time_us[1] < log.shots["host_us"][1], "it is moved"
    assert log.time_us[0] == log.shots["host_us"][0]


@pytest.mark.parametrize(("late_us", "moves"), [(110_000, False), (130_000, True)])
def test_a_shot_two_seconds_before_the_next_is_moved_if_it_was_read_120_ms_late(
    late_us: int, moves: bool
) -> None:
    """0.1 s is usual on a busy computer, and the counter's rate may be off by 1 % of 2 s."""
    board, run = hand_run()
    board.wait(20.0)
    real_us = board.us
    with lines_waiting(board):
        board.shoot(30.0)
        board.us = real_us + late_us
    board.wait((real_us + 2_000_000 - board.us) * 1e-6)
    board.shoot_and_wait(30.0)
    take_all(run)
    read_us = run.session.log.shots["host_us"]
    assert read_us.tolist() == [real_us + late_us, read_us[1]]
    assert run.session.log.time_us[0] == (read_us[1] - 2_000_000 if moves else read_us[0])


def test_shots_that_were_read_at_once_keep_the_host_s_time() -> None:
    for rate_error in (-0.005, 0.005):
        board, run = hand_run()
        board.rate_error = rate_error
        board.shoot_and_wait(30.0)
        board.wait(3600.0)
        board.shoot_and_wait(30.0, 31.0)
        take_all(run)
        log = run.session.log
        assert log.time_us.tolist() == log.shots["host_us"].tolist()


def test_a_text_finds_what_it_is_part_of() -> None:
    board, run = hand_run()
    board.shoot_and_wait(30.0)
    run.say_setup(Setup("Two Bands"))
    board.shoot_and_wait(31.0)
    board.edge("A", 1)
    board.us += 1000
    board.edge("A", 0)
    board.wait(10.0)
    run.say_mark(Mark(HOLD_ON))
    board.shoot_and_wait(32.0)
    take_all(run)
    session = run.session
    run.say_mark(Mark(NOTE, int(session.log.shots["key"][0]), "A draught"))
    take_all(run)

    def found(text):
        return find_shots(session, text).tolist()

    assert found("two b") == [1, 2, 3]
    assert found("LONE") == [2]
    assert found("draught") == [0]
    assert found("on hold") == [3]
    assert found(" 3 ") == [2]
    assert (found("1"), found("4")) == ([0], [3])
    assert found("0") == found("5") == found("9" * 30) == found("") == found("zz") == []


def test_a_setup_whose_length_is_corrected_is_formed_anew(tmp_path) -> None:
    from chrono.session.recording_loader import read_recording

    path = tmp_path / "a.tsv"
    board, run = hand_run(path)
    board.shoot_and_wait(30.0)
    run.say_setup(Setup("long", {"length_m": 0.08}))
    board.shoot_and_wait(30.0)  # half as long as stated
    run.say_setup(Setup("short"))
    board.shoot_and_wait(30.0)
    take_all(run)
    assert [row.flags for row in ViewCache(run.session).view().rows] == [(), ("short",), ()]
    right = Setup("ball", {"length_m": 0.04}, {"bands": "2"}, corrects="long")
    run.say_setup(right)
    take_all(run)
    assert run.session.lengths_corrected
    run.close()
    again = read_recording(path).session
    rows = list(again.rows_of(slice(0, 3)))
    assert [row.flags for row in rows] == [(), (), ()]
    assert [row.setup for row in rows] == ["", "ball", "short"]
    assert again.setups.last("ball") == replace(right, corrects=None)
    assert not again.lengths_corrected
    assert again.unusable.records == 0
