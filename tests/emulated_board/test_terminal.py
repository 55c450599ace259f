"""The emulated board behind a pseudo-terminal, read as a real one is."""

from pathlib import Path

import serial

from .conftest import MakeBoard
from .kit import (
    SECOND,
    START,
    Edge,
    beats_of,
    edges_of,
    go,
    is_unbroken,
    offsets,
    read_lines,
    write_script,
)


def read_until(port: serial.Serial, end: bytes) -> bytes:
    """What comes up to these bytes; nothing for a minute fails the test."""
    sent = b""
    while not sent.endswith(end):  # pyserial's own read_until limits the whole of it
        byte = port.read()
        assert byte, sent[-200:]
        sent += byte
    return sent


def test_lines_come_through_a_terminal_unchanged(make_board: MakeBoard, script: Path) -> None:
    edges = [Edge(START + n * 20_000, "AB"[n // 2 % 2], (n + 1) % 2) for n in range(1000)]
    write_script(edges, script)
    until = ("--until", str(START + 2 * SECOND))
    with (
        make_board("gates_icp").behind_terminal(script, *until) as (name, emulator),
        serial.Serial(name, 250_000, timeout=60) as port,
    ):
        go(emulator)
        lines = read_lines(read_until(port, b"\nT 03EA") + read_until(port, b"\n"))

    assert is_unbroken(lines)
    assert len(set(offsets(edges, edges_of(lines)))) == 1
    assert beats_of(lines)[-1].lost == 0


def test_the_host_can_ask_through_a_terminal(make_board: MakeBoard, script: Path) -> None:
    write_script([], script)
    with (
        make_board("gates_int").behind_terminal(script) as (name, emulator),
        serial.Serial(name, 250_000, timeout=60) as port,
    ):
        go(emulator)
        read_until(port, b"\nT 0001")
        read_until(port, b"\n")
        port.write(b"?\n")
        read_until(port, b"H 1 16000000 32 gates-328p-int 1.4+analog+power ")
