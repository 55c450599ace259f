"""Ports of a machine: which may be a board's, and finding a board under another name."""

import contextlib
import itertools
import os
from collections.abc import Iterator
from pathlib import Path

import pytest
from plugs import Plugs
from pty_board import BEAT, HELLO, PtyBoard, Rows, until

from chrono.reader.port_reader import PortReader
from chrono.reader.serial_ports import likely_boards, ports_here

pytestmark = pytest.mark.skipif(os.name != "posix", reason="needs pseudo-terminals")

A, B = "95735353032351F0", "7573530323135160"
"""Serial numbers as boards bear them."""


@contextlib.contextmanager
def lost(
    tmp_path: Path, plugs: Plugs, serial_number: str | None
) -> Iterator[tuple[PortReader, Rows]]:
    """Read a board, on ttyUSB0, until its plug is pulled."""
    name, rows = tmp_path / "ttyUSB0", Rows()
    plugs.plug(name, serial_number)
    board = PtyBoard(name)
    reader = PortReader(str(name), rows, itertools.count().__next__)
    reader.start()
    try:
        board.send(HELLO)
        rows.until_lines(1)
        plugs.unplug(name)
        board.unplug()
        rows.until_events("opened", "lost")
        yield reader, rows
    finally:
        reader.stop()
    assert reader.failure is None


@pytest.mark.parametrize("serial_number", [A, None])
def test_a_board_that_returns_under_another_name_is_found_again(
    tmp_path: Path, plugs: Plugs, serial_number: str | None
) -> None:
    name = tmp_path / "ttyUSB1"
    with lost(tmp_path, plugs, serial_number) as (reader, rows), PtyBoard(name) as again:
        plugs.plug(name, serial_number)
        back = rows.until_events("opened", "lost", "reopened")[-1]
        assert back["port"] == reader.status.port == str(name)
        again.send(BEAT)
        assert rows.until_lines(2)[-1] + b"\n" == BEAT


@pytest.mark.parametrize(
    ("serial_number", "other", "location"),
    [(A, B, "1-1"), (A, None, "1-1"), (None, None, "1-2"), (None, A, "1-1")],
)
def test_another_board_that_took_the_name_is_not_taken_for_it(
    tmp_path: Path, plugs: Plugs, serial_number: str | None, other: str | None, location: str
) -> None:
    name, new = tmp_path / "ttyUSB0", tmp_path / "ttyUSB1"
    with lost(tmp_path, plugs, serial_number) as (reader, rows), PtyBoard(name):
        plugs.plug(name, other, location=location)
        until(lambda: reader.status.reason == "the board is not plugged in")
        with PtyBoard(new):
            plugs.plug(new, serial_number)
            back = rows.until_events("opened", "lost", "reopened")[-1]
    assert back["port"] == str(new)


def test_a_board_with_a_serial_number_may_move_to_another_socket(
    tmp_path: Path, plugs: Plugs
) -> None:
    name = tmp_path / "ttyUSB0"
    with lost(tmp_path, plugs, A) as (reader, rows), PtyBoard(name):
        plugs.plug(name, A, location="3-4.1")
        rows.until_events("opened", "lost", "reopened")
        assert reader.status.port == str(name)


def test_the_second_port_of_a_device_is_not_taken_for_its_first(
    tmp_path: Path, plugs: Plugs
) -> None:
    first, second, rows = tmp_path / "ttyUSB0", tmp_path / "ttyUSB1", Rows()
    plugs.plug(first, A, location="1-1:1.0")
    plugs.plug(second, A, location="1-1:1.1")
    board = PtyBoard(first)
    with PtyBoard(second):
        reader = PortReader(str(first), rows, itertools.count().__next__)
        reader.start()
        plugs.unplug(first)
        board.unplug()
        until(lambda: reader.status.reason == "the board is not plugged in")
        reader.stop()


def test_a_port_that_is_named_by_a_link_is_known_by_the_device_behind_it(
    tmp_path: Path, plugs: Plugs
) -> None:
    link, rows = tmp_path / "by-id", Rows()
    with PtyBoard(tmp_path / "ttyUSB0") as board:
        plugs.plug(tmp_path / "ttyUSB0", A)
        link.symlink_to(tmp_path / "ttyUSB0")
        reader = PortReader(str(link), rows, itertools.count().__next__)
        reader.start()
        plugs.unplug(tmp_path / "ttyUSB0")
        board.unplug()
        rows.until_events("opened", "lost")
    with PtyBoard(tmp_path / "ttyUSB7"):
        plugs.plug(tmp_path / "ttyUSB7", A)
        assert rows.until_events("opened", "lost", "reopened")[-1]["port"].endswith("ttyUSB7")
        reader.stop()


def test_a_port_whose_maker_makes_boards_is_likelier_than_others_on_usb(plugs: Plugs) -> None:
    plugs.plug("/dev/ttyS0", vendor=None)
    assert likely_boards(ports_here()) == []
    plugs.plug("/dev/ttyACM9", vendor=0x1234)
    assert likely_boards(ports_here()) == ["/dev/ttyACM9"]
    plugs.plug("/dev/ttyACM1", vendor=0x2341)
    plugs.plug("/dev/ttyUSB0", vendor=0x1A86)
    assert likely_boards(ports_here()) == ["/dev/ttyACM1", "/dev/ttyUSB0"]


def test_a_port_that_says_nothing_of_itself_has_no_description(plugs: Plugs) -> None:
    plugs.plug("/dev/ttyS0", vendor=None, description="n/a")
    assert [port.description for port in ports_here()] == [""]


def test_a_pico_with_a_program_in_it_is_told_as_such(plugs: Plugs) -> None:
    """2E8A:000A is what serial ports on the chip's maker's own library show, from memory."""
    plugs.plug("/dev/ttyACM0", vendor=0x2E8A, product=0x000A, description="light gates")
    plugs.plug("/dev/ttyACM1", vendor=0x2E8A, product=0x000A, description="n/a")
    plugs.plug("/dev/ttyACM2", vendor=0x2E8A, product=0x0005, description="other")
    told = [port.description for port in ports_here()]

    assert told == [
        "light gates (an RP2040 board that runs a program)",
        "an RP2040 board that runs a program",
        "other",
    ]
    assert len(likely_boards(ports_here())) == 3


def test_the_ports_of_this_machine_are_texts() -> None:
    assert all(
        isinstance(p.device, str) and isinstance(p.description, str) for p in ports_here()
    )


def test_a_port_that_appears_while_the_link_is_lost_is_named(
    tmp_path: Path, plugs: Plugs
) -> None:
    plugs.plug("/dev/ttyOther", "old")
    with lost(tmp_path, plugs, "first") as (reader, _):
        assert reader.status.appeared == ()
        plugs.plug("/dev/ttyNew", "second")
        until(lambda: reader.status.appeared == ("/dev/ttyNew",))
