"""A live run and its board: what the board said reaches the port again."""

import os
import time
from pathlib import Path

import pytest
from hand_board import RIG_TEXT
from pty_board import HELLO, PtyBoard, until

from chrono.reader.port import ASK_EVERY_S, ASK_FIRST_S, HELLO_REQUEST
from chrono.rigs.file import parse_rig
from chrono.session.live import LiveRun, live_run

pytestmark = pytest.mark.skipif(os.name != "posix", reason="needs pseudo-terminals")

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
        assert board.heard(within_s=TWICE_ASKED_S) == b""
        run.close()


def test_a_board_that_only_babbles_is_asked_on_and_on(tmp_path: Path) -> None:
    with PtyBoard(tmp_path / "board") as board:
        run = started(board)
        board.send(b"no line of a board\n")
        until(run.step)
        began_s = time.monotonic()
        assert [board.heard(), board.heard()] == [HELLO_REQUEST, HELLO_REQUEST]
        assert time.monotonic() - began_s > ASK_EVERY_S / 2
        run.close()
