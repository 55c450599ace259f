"""A link that is lost and found, or never holds, while clocking without a dashboard."""

import os
import signal
import socket
import threading
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path
from typing import Any

import pytest
from command_kit import is_one_clear_complaint
from plugs import Plugs
from program_kit import Program
from pty_board import BEAT, HELLO, PtyBoard, until
from waiting import patience

from chrono.rigs.rig_file import load_rig
from chrono.session.live_run import live_run

pytestmark = pytest.mark.skipif(os.name != "posix", reason="needs pseudo-terminals")

RIG = '[gates]\nspacing = "300 mm"\n'


@contextmanager
def clocking(folder: Path, port: Path) -> Iterator[Program]:
    """Clock a board in a program of its own."""
    (folder / "rig.toml").write_text(RIG)
    words = ("clock", str(port), "--rig", "rig.toml", "--no-dashboard", "--recording", "a.tsv")
    with Program(*words, cwd=folder, text=True) as process:
        try:
            yield process
        finally:
            process.kill()


def said(process: Program, words: str) -> str:
    """Return the next line on standard error that has these words."""
    with patience(process):
        return next(line for line in process.stderr if words in line)


def terminated(process: Program) -> str:
    """End a program, and return the rest of what it says."""
    process.send_signal(signal.SIGTERM)
    with patience(process):
        return process.communicate()[1]


def test_a_link_that_is_lost_and_found_is_said_and_counts_at_the_end(tmp_path: Path) -> None:
    name = tmp_path / "board"
    board = PtyBoard(name)
    with clocking(tmp_path, name) as process:
        assert board.heard().startswith(b"?\n"), "asked, so the port is open"
        board.send(HELLO)
        board.unplug()
        assert str(name) in said(process, "the link is now lost")
        with PtyBoard(name) as again:
            again.heard()
            again.send(BEAT)
            said(process, "the link is now found again")
            rest = terminated(process)
    assert process.returncode == 1
    assert f"chrono: {name}: the link was lost once" in rest
    assert "not found again" not in rest


def test_a_link_that_stays_lost_is_said_to_be_so(tmp_path: Path) -> None:
    board = PtyBoard(tmp_path / "board")
    with clocking(tmp_path, tmp_path / "board") as process:
        board.heard()
        board.send(HELLO)
        board.unplug()
        said(process, "the link is now lost")
        rest = terminated(process)
    assert process.returncode == 1
    assert "the link is still lost" in rest


@contextmanager
def server(greeting: bytes) -> Iterator[str]:
    """Take connections, say something, and end them."""
    with socket.create_server(("127.0.0.1", 0)) as listening:

        def serve() -> None:
            while True:
                try:
                    line, _ = listening.accept()
                except OSError:
                    return
                with line:
                    line.sendall(greeting)

        thread = threading.Thread(target=serve)
        thread.start()
        yield f"socket://127.0.0.1:{listening.getsockname()[1]}"
        listening.shutdown(socket.SHUT_RDWR)
    thread.join()


@pytest.mark.parametrize("greeting", [b"", b"busy"])
def test_a_server_that_ends_every_connection_at_once_is_given_up(
    chrono: Any, tmp_path: Path, greeting: bytes
) -> None:
    (tmp_path / "rig.toml").write_text(RIG)
    with server(greeting) as url:
        outcome = chrono("clock", url, "--rig", "rig.toml", "--recording", "a.tsv", "--json")
    is_one_clear_complaint(outcome, url, "the connection ended before the first line came")
    assert (tmp_path / "a.tsv").exists() == bool(greeting), "bytes that came are kept"


def test_a_server_that_ends_connections_after_a_line_is_tried_on_and_on(
    chrono: Any, tmp_path: Path
) -> None:
    (tmp_path / "rig.toml").write_text(RIG)
    with server(b"no line of a board\n") as url:
        outcome = chrono("check", url, "--rig", "rig.toml", "--seconds", "3")
    assert "the connection ended before" not in outcome.err


def test_boards_tells_the_one_that_is_likely(chrono: Any, plugs: Plugs) -> None:
    plugs.plug("/dev/ttyS0", vendor=None, description="n/a")
    plugs.plug("/dev/ttyUSB0", description="USB Serial\x1b[2J")
    outcome = chrono("boards")
    lines = outcome.out.splitlines()
    assert lines[0] == "/dev/ttyS0"
    assert lines[1].startswith("/dev/ttyUSB0 ")
    assert lines[1].endswith(" USB Serial·[2J  (most likely the board)")
    assert outcome.err == ""


def test_boards_says_where_the_port_cannot_be_told(chrono: Any, plugs: Plugs) -> None:
    assert "no port looks like a board" in chrono("boards").err
    plugs.plug("/dev/ttyUSB0")
    plugs.plug("/dev/ttyUSB1")
    outcome = chrono("boards")
    assert outcome.out.count("(may be the board)") == 2
    assert "unplug" in outcome.err


@pytest.mark.parametrize(
    ("stated", "line", "sent"),
    [("framed", b"A %d 1000\n", "plain"), ("plain", b"%d\n", "interval")],
)
def test_a_board_that_sends_other_lines_than_the_rig_states_is_told_with_its_kind(
    tmp_path: Path, stated: str, line: bytes, sent: str
) -> None:
    (tmp_path / "rig.toml").write_text(f'lines = "{stated}"\n{RIG}')
    with PtyBoard(tmp_path / "board") as board:
        run = live_run(str(board.name), load_rig(tmp_path / "rig.toml"), tmp_path / "a.tsv")
        run.start()
        for number in range(4):
            board.send(line % (number & 1))
        until(lambda: not run.step() and run.session.unusable.lines == 4)
        assert run.complaint() is None
        board.send(line % 1)
        until(lambda: not run.step() and run.session.unusable.lines == 5)
        complaint = run.complaint()
        run.close()
    assert f'in the rig file, write: lines = "{sent}"' in str(complaint)
    assert f"sends lines in the format {sent}, but the rig states {stated}" in str(complaint)


def test_a_virtual_board_that_is_none_leaves_no_file_behind(
    chrono: Any, tmp_path: Path
) -> None:
    (tmp_path / "rig.toml").write_text(RIG)
    outcome = chrono(
        "clock", "virtual://nowhere", "--rig", "rig.toml", "--recording", "a.tsv", "--json"
    )
    is_one_clear_complaint(outcome, "virtual://nowhere")
    assert not (tmp_path / "a.tsv").exists()
