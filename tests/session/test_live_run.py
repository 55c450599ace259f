"""A live run and its board: what the board said reaches the port again."""

import os
from dataclasses import replace
from pathlib import Path
from typing import Any

import pytest
from hand_board import RIG_TEXT, hand_run
from pty_board import HELLO, PtyBoard, until

from chrono.reader.port_reader import ASK_EVERY_S, ASK_FIRST_S, HELLO_REQUEST, LinkStatus
from chrono.rigs.rig_file import parse_rig
from chrono.session.live_run import LiveRun, live_run
from chrono.session.operator_records import SET_ASIDE, Mark
from chrono.session.recording_loader import read_recording
from chrono.session.replay_run import ReplayRun, replay_run

pytestmark = pytest.mark.skipif(os.name != "posix", reason="needs pseudo-terminals")

DEMO = Path(__file__).parents[2] / "recordings" / "two-and-three-bands.tsv"
TWICE_ASKED_S = ASK_FIRST_S + ASK_EVERY_S


def started(board: PtyBoard) -> LiveRun:
    run = live_run(str(board.name), parse_rig(RIG_TEXT, "test"), None)
    run.start()
    return run


def test_a_board_whose_hello_was_decoded_is_asked_no_more(tmp_path: Path) -> None:
    with PtyBoard(tmp_path / "board") as board:
        run = started(board)
        board.send(HELLO)
        until(lambda: run.step() and run.session.heard)
        board.heard(within_s=0)  # where starting took long, it was asked before
        assert board.heard(within_s=TWICE_ASKED_S) == b""
        run.close()


def test_a_shot_that_could_still_change_is_there_once_the_run_is_closed() -> None:
    board, run = hand_run()
    board.shoot()
    assert run.step()
    assert len(run.session.log) == 0
    assert run.close() == []
    assert len(run.session.log) == 1


def test_going_to_the_next_shot_holds_the_recorded_time_there() -> None:
    run = replay_run(DEMO, read_recording(DEMO).session, 1.0)
    assert isinstance(run, ReplayRun)
    run.start()
    run.step_to_next_shot()
    assert run.source.paused
    assert len(run.session.open_rows()) + len(run.session.log) == 1


def test_a_board_that_only_babbles_is_asked_on_and_on(tmp_path: Path) -> None:
    with PtyBoard(tmp_path / "board") as board:
        run = started(board)
        board.send(b"no line of a board\n")
        until(run.step)
        asked = b""
        while asked.count(HELLO_REQUEST) < 2:
            asked += board.heard()
        run.close()
    assert not asked.replace(HELLO_REQUEST, b"")


def test_a_shot_in_which_the_host_stalls_is_the_same_live_and_replayed(tmp_path: Path) -> None:
    board, run = hand_run(tmp_path / "a.tsv")
    board.wait(2.0)
    for gate, level, at_s in (("A", 1, 0.0), ("A", 0, 0.002), ("B", 1, 0.015)):
        board.us = 2_500_000 + round(at_s * 1e6)
        board.edge(gate, level)
    run.step()
    for _ in range(80):  # the board is read no more, while the host's clock goes on
        board.us += 100_000
        run.step()
    assert not len(run.session.log), (
        "silence of a board that beats is a stall, no end of a shot"
    )
    stalled_us, board.us = board.us, 2_517_000
    late = f"E {board.number()} B 0 {board.us * 16:08X}"
    board.us = stalled_us
    board.line(late)
    board.wait(4.0)
    run.step()
    assert run.close() == []
    replayed = read_recording(tmp_path / "a.tsv").session.log.shots
    assert replayed.tobytes() == run.session.log.shots.tobytes()
    assert [row.edges_used for row in run.session.rows_of(slice(0, 1))] == ["both"]


def test_a_setup_of_the_command_line_is_not_the_first_thing_to_undo() -> None:
    run = live_run("virtual://two-bands?shots=0", None, None, setup="three bands")
    run.start()
    run.step()
    assert run.session.setup_now.name == "three bands"
    assert run.undo() is None
    run.close()


def test_what_is_said_after_the_last_wanted_shot_is_taken_and_recorded(tmp_path: Path) -> None:
    path = tmp_path / "a.tsv"
    port = "virtual://two-bands?seed=2&speedup=1000&shots=20"
    run = live_run(port, None, path, shots=2)
    run.start()
    until(lambda: not run.step() and run.finished)
    assert run.limit_reached
    assert len(run.session.log) == 2
    run.say_mark(Mark(SET_ASIDE, int(run.session.log.shots["key"][1]), "net"))
    assert run.step()
    assert run.session.counted().tolist() == [True, False]
    assert run.close() == []
    again = read_recording(path).session
    assert again.counted().tolist() == [True, False]
    assert again.notes()[1] == "set aside: net"


@pytest.mark.parametrize(
    ("link", "complaint"),
    [
        ({"silent_s": 6.0}, None),
        ({"silent_s": 6.1}, "no board answers within 6 s"),
        ({"silent_s": 6.1, "answered": True}, None),
        ({"bytes": 2999}, None),
        ({"bytes": 3000}, "not lines in the format framed"),
        ({"bytes": 3000, "lines": 1}, None),  # a line that has come is not read yet
        ({"fruitless": 4}, None),
        ({"fruitless": 5}, "opened the port 5 times"),
        ({"fruitless": 5, "silent_s": 6.1}, "opened the port 5 times"),
    ],
)
def test_a_link_without_a_valid_line_is_complained_of_at_its_limits_and_not_before(
    link: dict[str, Any], complaint: str | None
) -> None:
    board, run = hand_run(hello=False)
    board.link = replace(LinkStatus("open", "hand://"), **link)
    said = run.complaint()
    assert (said is None) if complaint is None else complaint in str(said)
    board.line("H 1 16000000 32 hand 1.0")
    run.step()
    assert run.complaint() is None, "a board that was heard once"


def test_twenty_damaged_lines_are_complained_of_and_nineteen_are_not() -> None:
    board, run = hand_run(hello=False)
    for _ in range(19):
        board.raw("E 0000 A")
    run.step()
    assert run.complaint() is None
    board.raw("E 0000 A")
    run.step()
    assert "not lines in the format framed" in str(run.complaint())
