"""The port's thread on real pseudo-terminals: rows, troubles, coming back, giving up."""

import contextlib
import itertools
import os
import shutil
import socket
import subprocess
import threading
from collections.abc import Callable, Iterator
from dataclasses import replace
from pathlib import Path

import pytest
import serial
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st
from pty_board import BEAT, EDGE, HELLO, PtyBoard, Rows, until

from chrono.errors import PortError
from chrono.reader.line_grammar import GateLevels, encode_hello, encode_levels
from chrono.reader.port_reader import (
    ASK_EVERY_S,
    ASK_LEVELS_EVERY_S,
    HELLO_REQUEST,
    LEVELS_CURRENT_S,
    LEVELS_REQUEST,
    LEVELS_WANTED_S,
    PIECE_BYTES,
    SILENT_AFTER_S,
    PortReader,
)
from chrono.reader.serial_ports import open_port
from chrono.rigs.line_kinds import FRAMED, INTERVAL, PLAIN, LineKind

pytestmark = pytest.mark.skipif(os.name != "posix", reason="needs pseudo-terminals")

LINES = [HELLO, BEAT, EDGE, b"any text\r\n"]


class Clock:
    """Host time that moves when it is told to."""

    def __init__(self) -> None:
        self.now = 0

    def __call__(self) -> int:
        return self.now


@pytest.fixture
def board(tmp_path: Path) -> Iterator[PtyBoard]:
    with PtyBoard(tmp_path / "board") as made:
        yield made


@contextlib.contextmanager
def reading(
    board: PtyBoard, *, lines: LineKind = FRAMED, now_us: Callable[[], int] | None = None
) -> Iterator[tuple[PortReader, Rows]]:
    rows = Rows()
    reader = PortReader(
        str(board.name), rows, now_us or itertools.count().__next__, lines=lines
    )
    reader.start()
    try:
        yield reader, rows
    finally:
        reader.stop()
    assert reader.failure is None


def test_each_line_becomes_a_row_as_it_came(board: PtyBoard) -> None:
    with reading(board) as (reader, rows):
        for line in LINES:
            board.send(line)
        assert rows.until_lines(4) == [line.removesuffix(b"\n") for line in LINES]
        assert rows.host_us == sorted(rows.host_us)
        assert (reader.status.lines, reader.status.bytes) == (4, sum(map(len, LINES)))


def test_the_opening_is_the_first_row(board: PtyBoard) -> None:
    with reading(board) as (_, rows):
        assert rows.until_events("opened") == [
            {"event": "opened", "port": str(board.name), "reason": ""}
        ]


def test_every_byte_value_passes_and_the_terminal_interprets_none(board: PtyBoard) -> None:
    payload = bytes(b for b in range(256) if b != ord("\n"))
    with reading(board, lines=PLAIN) as (_, rows):
        board.send(payload + b"\n" + payload[::-1] + b"\n")
        assert rows.until_lines(2) == [payload, payload[::-1]]


@given(st.lists(st.binary(max_size=300), max_size=8))
@settings(
    max_examples=15, deadline=None, suppress_health_check=[HealthCheck.function_scoped_fixture]
)
def test_no_bytes_stop_the_reader(tmp_path: Path, chunks: list[bytes]) -> None:
    with PtyBoard(tmp_path / "board") as board, reading(board) as (reader, rows):
        for chunk in chunks:
            board.send(chunk)
        board.send(b"\nthe end\n")
        rows.until(lambda: b"the end" in rows.board)
        assert b"\n".join(rows.board) == b"".join(chunks) + b"\nthe end"
        assert reader.status.state == "open"


def test_a_stream_without_newline_reaches_the_recording_in_bounded_pieces(
    board: PtyBoard,
) -> None:
    with reading(board, lines=PLAIN) as (_, rows):
        board.send(b"7" * 50_000 + b"\n")
        rows.until(lambda: sum(map(len, rows.board)) == 50_000)
        assert max(map(len, rows.board)) < 2 * PIECE_BYTES


def test_an_unplugged_board_is_lost_and_found_again(tmp_path: Path) -> None:
    name = tmp_path / "board"
    board = PtyBoard(name)
    with reading(board) as (reader, rows):
        board.send(HELLO)
        rows.until_lines(1)
        board.unplug()
        lost = rows.until_events("opened", "lost")[-1]
        assert lost["port"] == str(name)
        assert lost["reason"]
        assert reader.status.state == "lost"
        with PtyBoard(name) as again:
            rows.until_events("opened", "lost", "reopened")
            again.send(BEAT)
            assert rows.until_lines(2)[-1] + b"\n" == BEAT
            assert (reader.status.state, reader.status.losses) == ("open", 1)


def test_the_piece_of_a_line_that_was_cut_by_unplugging_is_kept_but_is_no_line(
    board: PtyBoard,
) -> None:
    with reading(board, lines=PLAIN) as (reader, rows):
        board.send(b"A 123456\nB 12")
        rows.until_lines(1)
        until(lambda: reader.status.bytes == 13)
        board.unplug()
        assert rows.until_events("opened", "lost")[-1]["fragment"] == "B 12"
        assert rows.board == [b"A 123456"]


def test_a_loose_cable_loses_no_byte_that_arrived(tmp_path: Path) -> None:
    name = tmp_path / "board"
    board = PtyBoard(name)
    with reading(board, lines=PLAIN) as (reader, rows):
        for time in range(3):
            board.send(b"A %d\nB 7" % time)
            until(lambda done=7 * (time + 1): reader.status.bytes == done)
            board.unplug()
            rows.until(lambda done=time: sum(x["event"] == "lost" for x in rows.links) > done)
            board = PtyBoard(name)
            rows.until(
                lambda done=time: sum(x["event"] == "reopened" for x in rows.links) > done
            )
        board.unplug()
        until(lambda: reader.status.losses == 4)
        assert reader.status.fruitless == 2, "no line came between the last two losses"
        assert rows.board == [b"A 0", b"A 1", b"A 2"]
        assert [x["fragment"] for x in rows.links if "fragment" in x] == ["B 7"] * 3


class Pauses:
    """Stands for the event that stops a reader; counts no time, and stops after some waits."""

    def __init__(self, most: int) -> None:
        self.most, self.waited_s = most, list[float]()

    def wait(self, seconds: float) -> bool:
        self.waited_s.append(seconds)
        return len(self.waited_s) >= self.most


@pytest.mark.parametrize(
    ("fruitless", "first_s"), [(1, 0.25), (2, 0.5), (4, 2.0), (6, 5.0), (99, 5.0)]
)
def test_a_lost_port_is_tried_after_a_quarter_of_a_second_and_then_less_and_less_often(
    tmp_path: Path, fruitless: int, first_s: float
) -> None:
    """A port that comes back and is lost again, without a line, is tried less often too."""
    reader = PortReader(str(tmp_path / "none"), lambda _: None, lambda: 0)
    reader._status = replace(reader._status, fruitless=fruitless)
    reader._stopping = pauses = Pauses(8)
    reader._reopen()
    all_s = [0.25, 0.5, 1.0, 2.0, 4.0, *[5.0] * 9]
    begin = all_s.index(first_s)
    assert pauses.waited_s == all_s[begin : begin + 8]


def test_stopping_while_the_port_is_lost_is_at_once(board: PtyBoard) -> None:
    with reading(board) as (reader, rows):
        board.unplug()
        rows.until_events("opened", "lost")
        reader.stop()
        assert reader.status.state == "closed"


def test_stopping_while_nothing_comes_closes_the_port_for_others(board: PtyBoard) -> None:
    with reading(board) as (reader, _):
        reader.stop()
        assert reader.status.state == "closed"
        open_port(str(board.name)).close()


def test_a_silent_framed_board_is_asked_every_second_until_it_says_hello(
    board: PtyBoard,
) -> None:
    clock = Clock()
    with reading(board, now_us=clock) as (reader, rows):
        for _ in range(3):
            clock.now += int(ASK_EVERY_S * 1e6)
            assert board.heard() == HELLO_REQUEST
        assert board.heard(within_s=0.5) == b"", "not before the next second"
        board.send(HELLO)
        rows.until_lines(1)
        reader.hear(rows.decoded())
        clock.now += int(ASK_EVERY_S * 1e6)
        assert board.heard(within_s=0.5) == b""


def test_a_board_that_says_hello_by_itself_is_not_asked(board: PtyBoard) -> None:
    clock = Clock()
    with reading(board, now_us=clock) as (reader, rows):
        board.send(HELLO)
        rows.until_lines(1)
        reader.hear(rows.decoded())
        clock.now += int(ASK_EVERY_S * 1e6)
        assert board.heard(within_s=0.5) == b""


@pytest.mark.parametrize(
    ("line", "asked_again"), [(BEAT, True), (EDGE, False), (b"H 1\n", True)]
)
def test_among_edges_a_board_is_asked_once_and_no_more(
    board: PtyBoard, line: bytes, asked_again: bool
) -> None:
    clock = Clock()
    with reading(board, now_us=clock) as (reader, rows):
        board.send(line)
        rows.until_lines(1)
        reader.hear(rows.decoded())
        clock.now += int(ASK_EVERY_S * 1e6)
        assert board.heard() == HELLO_REQUEST
        board.send(line)
        rows.until_lines(2)
        reader.hear(rows.decoded())
        clock.now += int(ASK_EVERY_S * 1e6)
        if asked_again:
            assert board.heard() == HELLO_REQUEST
        else:
            assert board.heard(within_s=0.5) == b""


def test_edges_from_before_it_was_asked_are_no_answer(board: PtyBoard) -> None:
    clock = Clock()
    with reading(board, now_us=clock) as (reader, rows):
        clock.now = 1000
        board.send(EDGE)
        rows.until_lines(1)
        reader.hear(rows.decoded())
        for _ in range(2):
            clock.now += int(ASK_EVERY_S * 1e6)
            assert board.heard() == HELLO_REQUEST


def test_a_board_found_again_is_asked_although_it_said_hello_before(tmp_path: Path) -> None:
    name, clock = tmp_path / "board", Clock()
    board = PtyBoard(name)
    with reading(board, now_us=clock) as (reader, rows):
        clock.now = 1000
        board.send(HELLO)
        rows.until_lines(1)
        board.unplug()
        clock.now = 2000
        with PtyBoard(name) as again:
            rows.until_events("opened", "lost", "reopened")
            reader.hear(rows.decoded())
            clock.now += int(ASK_EVERY_S * 1e6)
            assert again.heard() == HELLO_REQUEST


def test_a_plain_sketch_is_never_written_to(board: PtyBoard) -> None:
    clock = Clock()
    with reading(board, lines=PLAIN, now_us=clock):
        clock.now += 10_000_000
        assert board.heard(within_s=0.5) == b""


def test_an_interval_that_may_lack_its_first_digits_is_kept_but_is_no_line(
    board: PtyBoard,
) -> None:
    clock = Clock()
    with reading(board, lines=INTERVAL, now_us=clock) as (_, rows):
        board.send(b"750\n")
        assert rows.until_events("opened", "opened")[-1]["fragment"] == "750"
        board.send(b"2750\n")
        assert rows.until_lines(1) == [b"2750"]


def test_an_interval_that_comes_later_after_opening_is_a_line(board: PtyBoard) -> None:
    clock = Clock()
    with reading(board, lines=INTERVAL, now_us=clock) as (_, rows):
        clock.now = 1_000_000
        board.send(b"2750\n")
        assert rows.until_lines(1) == [b"2750"]


def test_a_board_that_says_nothing_is_silent_until_its_first_byte(board: PtyBoard) -> None:
    clock = Clock()
    with reading(board, now_us=clock) as (reader, rows):
        assert not reader.status.silent
        clock.now = int(SILENT_AFTER_S * 1e6) + 1
        assert reader.status.silent
        assert not reader.status.answered
        board.send(BEAT)
        rows.until_lines(1)
        reader.stop()
        assert reader.status.answered


def test_a_fault_in_what_takes_the_rows_ends_the_thread_where_all_can_see_it(
    board: PtyBoard,
) -> None:
    def sink(rows: bytes) -> None:
        if b"\tboard\t" in rows:
            raise RuntimeError("no room")

    reader = PortReader(str(board.name), sink, itertools.count().__next__)
    reader.start()
    board.send(BEAT)
    until(lambda: reader.status.state != "open")
    reader.stop()
    assert isinstance(reader.failure, RuntimeError)
    assert (reader.status.state, reader.status.reason) == ("failed", "RuntimeError: no room")


def test_a_fault_of_the_disk_in_the_sink_is_not_taken_for_a_lost_port(board: PtyBoard) -> None:
    def sink(rows: bytes) -> None:
        if b"\tboard\t" in rows:
            raise OSError(28, "No space left on device")

    reader = PortReader(str(board.name), sink, itertools.count().__next__)
    reader.start()
    board.send(BEAT)
    until(lambda: reader.status.state != "open")
    reader.stop()
    assert isinstance(reader.failure, OSError)
    assert reader.status.losses == 0


def test_a_second_program_on_the_port_is_refused_and_the_first_goes_on(board: PtyBoard) -> None:
    with reading(board) as (_, rows):
        board.send(HELLO)
        rows.until_lines(1)
        with pytest.raises(PortError, match="in use by another program") as refused:
            open_port(str(board.name))
        assert refused.value.where == str(board.name)
        board.send(BEAT)
        rows.until_lines(2)


def test_lines_come_over_a_socket_too() -> None:
    rows = Rows()
    with socket.create_server(("127.0.0.1", 0)) as server:
        url = f"socket://127.0.0.1:{server.getsockname()[1]}"
        reader = PortReader(url, rows, itertools.count().__next__)
        reader.start()
        line, _ = server.accept()
        with line:
            line.sendall(HELLO)
            assert rows.until_lines(1)[0] + b"\n" == HELLO
        assert rows.until_events("opened", "lost")[-1]["port"] == url
        reader.stop()
    assert reader.failure is None


def test_a_socket_is_read_in_large_pieces_and_to_its_last_byte() -> None:
    """One byte a call would hand on 20,000 lines in as many calls, and lose the last ones."""
    load, handed = BEAT * 20_000 + b"T 00", list[bytes]()
    with socket.create_server(("127.0.0.1", 0)) as server:
        url = f"socket://127.0.0.1:{server.getsockname()[1]}"
        reader = PortReader(url, handed.append, itertools.count().__next__)

        def send() -> None:
            line, _ = server.accept()
            with line:
                line.sendall(load)

        sending = threading.Thread(target=send)
        sending.start()
        reader.start()
        until(lambda: reader.status.losses > 0)
        reader.stop()
        sending.join()
    rows = b"".join(handed)
    assert rows.count(b"\tboard\t") == 20_000
    assert reader.status.bytes == len(load)
    assert b'"fragment": "T 00"' in rows
    assert len(handed) < 2_000


def test_a_closed_socket_refuses_to_be_read_like_any_closed_port() -> None:
    with socket.create_server(("127.0.0.1", 0)) as server:
        port = open_port(f"socket://127.0.0.1:{server.getsockname()[1]}")
        port.close()
        port.close()
        for use in (lambda: port.in_waiting, lambda: port.read(1)):
            with pytest.raises(serial.PortNotOpenError):
                use()


@pytest.fixture
def socat(tmp_path: Path) -> Iterator[tuple[Path, Path]]:
    """Two ends of a serial line made by socat."""
    program = shutil.which("socat")
    if program is None:
        if os.environ.get("CI") == "true":
            pytest.fail("socat is missing; install it (Debian: apt-get install socat)")
        pytest.skip("socat is missing; install it (Debian: apt-get install socat)")
    ends = tmp_path / "near", tmp_path / "far"
    links = [f"pty,raw,echo=0,link={end}" for end in ends]
    with subprocess.Popen([program, *links]) as process:
        until(lambda: all(end.exists() for end in ends))
        yield ends
        process.terminate()


def test_lines_come_through_a_pair_of_ports_made_by_socat(socat: tuple[Path, Path]) -> None:
    near, far = socat
    rows = Rows()
    sent = [HELLO, *[BEAT, EDGE] * 500]
    reader = PortReader(str(near), rows, itertools.count().__next__)
    reader.start()
    with serial.Serial(str(far), 250_000) as board:
        for line in sent:
            board.write(line)
        assert rows.until_lines(len(sent)) == [line.removesuffix(b"\n") for line in sent]
    reader.stop()
    assert reader.failure is None


# ---- the sensors' levels ----

ANALOG_HELLO = encode_hello(16_000_000, 32, "gates-328p-int", "1.4+analog+power") + b"\n"
LEVELS = (GateLevels(1.030, 0.463, 0.577), GateLevels(0.640, 0.463, 0.577))
LEVELS_LINE = encode_levels(LEVELS) + b"\n"


@contextlib.contextmanager
def reading_analog(
    board: PtyBoard, hello: bytes = ANALOG_HELLO
) -> Iterator[tuple[PortReader, Rows, Clock]]:
    """A reader that has heard the board's hello."""
    clock = Clock()
    with reading(board, now_us=clock) as (reader, rows):
        board.send(hello)
        rows.until_lines(1)
        reader.hear(rows.decoded())
        yield reader, rows, clock


def test_levels_are_asked_for_as_long_as_somebody_looks(board: PtyBoard) -> None:
    with reading_analog(board) as (reader, _, clock):
        assert board.heard(within_s=0.5) == b""
        for _ in range(3):
            assert reader.look_at_levels() is None
            assert board.heard() == LEVELS_REQUEST
            clock.now += int(ASK_LEVELS_EVERY_S * 1e6)
        clock.now += int(LEVELS_WANTED_S * 1e6)
        assert board.heard(within_s=0.5) == b""


@pytest.mark.parametrize(
    "hello", [HELLO, encode_hello(16_000_000, 32, "gates-328p-int", "1.3+power") + b"\n"]
)
def test_a_board_that_announces_no_levels_is_not_asked(board: PtyBoard, hello: bytes) -> None:
    with reading_analog(board, hello) as (reader, _, _):
        assert not reader.has_analog
        assert reader.look_at_levels() is None
        assert board.heard(within_s=0.5) == b""


def test_levels_are_for_the_moment_and_no_rows(board: PtyBoard) -> None:
    with reading_analog(board) as (reader, rows, clock):
        board.send(BEAT + LEVELS_LINE + EDGE + LEVELS_LINE[:7])
        board.send(LEVELS_LINE[7:] + LEVELS_LINE.replace(b"\n", b"\r\n") + BEAT)
        others = [line.removesuffix(b"\n") for line in (ANALOG_HELLO, BEAT, EDGE, BEAT)]
        assert rows.until_lines(4) == others
        assert reader.status.lines == 4
        assert reader.look_at_levels() == tuple(map(pytest.approx, LEVELS))

        clock.now += int(LEVELS_CURRENT_S * 1e6) + 1
        assert reader.look_at_levels() is None


def test_levels_that_nobody_asked_for_are_no_rows_either(board: PtyBoard) -> None:
    """A program that ended asked for them, a moment ago."""
    with reading(board) as (_, rows):
        board.send(LEVELS_LINE + BEAT)
        assert rows.until_lines(1) == [BEAT.removesuffix(b"\n")]


def test_damaged_levels_are_kept_as_any_damaged_line(board: PtyBoard) -> None:
    """Another line may be in what is left of two."""
    with reading_analog(board) as (reader, rows, _):
        board.send(LEVELS_LINE[:20] + EDGE)
        assert rows.until_lines(2)[1] == LEVELS_LINE[:20] + EDGE.removesuffix(b"\n")
        assert reader.look_at_levels() is None


@pytest.mark.parametrize(
    ("end", "fragment"), [(LEVELS_LINE[:9], None), (EDGE[:9], EDGE[:9].decode())]
)
def test_levels_cut_by_a_lost_port_leave_no_fragment(
    board: PtyBoard, end: bytes, fragment: str | None
) -> None:
    with reading_analog(board) as (reader, rows, _):
        received = reader.status.bytes
        board.send(end)
        until(lambda: reader.status.bytes == received + len(end))
        board.unplug()
        assert rows.until_events("opened", "lost")[-1].get("fragment") == fragment


def test_a_board_that_comes_back_must_announce_its_levels_again(
    tmp_path: Path,
) -> None:
    name = tmp_path / "board"
    with PtyBoard(name) as board, reading_analog(board) as (reader, rows, clock):
        board.unplug()
        clock.now += 1000
        with PtyBoard(name) as again:
            rows.until_events("opened", "lost", "reopened")
            reader.hear(rows.decoded())
            reader.look_at_levels()
            assert not reader.has_analog
            assert again.heard(within_s=0.3) == b""
            again.send(ANALOG_HELLO)
            rows.until_lines(2)
            reader.hear(rows.decoded())
            assert again.heard() == LEVELS_REQUEST
