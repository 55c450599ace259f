"""Opening a port: what is said of each name and address that cannot be opened."""

import contextlib
import os
import socket
from collections.abc import Iterator
from pathlib import Path

import pytest
from pty_board import PtyBoard

from chrono.errors import PortError
from chrono.reader import serial_ports
from chrono.reader.serial_ports import AttachedPort, open_port

pytestmark = pytest.mark.skipif(os.name != "posix", reason="needs pseudo-terminals")


@pytest.fixture
def board(tmp_path: Path) -> Iterator[PtyBoard]:
    with PtyBoard(tmp_path / "board") as made:
        yield made


def test_a_missing_port_is_told_with_the_ports_that_are_here(
    monkeypatch: pytest.MonkeyPatch, tmp_path: Path
) -> None:
    monkeypatch.setattr(
        serial_ports, "ports_here", lambda: [AttachedPort("/dev/ttyACM0", "a board", 1)]
    )
    with pytest.raises(PortError, match="there is no such port") as refused:
        open_port(str(tmp_path / "none"))
    assert refused.value.hint == "use one of these ports: /dev/ttyACM0 (a board)"


def test_a_missing_port_where_there_is_none_at_all_points_to_the_virtual_board(
    monkeypatch: pytest.MonkeyPatch, tmp_path: Path
) -> None:
    monkeypatch.setattr(serial_ports, "ports_here", list)
    with pytest.raises(PortError) as refused:
        open_port(str(tmp_path / "none"))
    assert "virtual://two-bands" in refused.value.hint


def test_the_full_text_of_a_refusal(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(serial_ports, "ports_here", list)
    with pytest.raises(PortError) as refused:
        open_port("/dev/tty-none")
    assert str(refused.value) == (
        "/dev/tty-none: there is no such port\n"
        "  do: no serial port was found: plug in the board, or try virtual://two-bands"
    )


@pytest.fixture
def powerless() -> Iterator[None]:
    """Run as a user who may nothing, if the tests run as one who may everything."""
    if os.geteuid() != 0:
        yield
        return
    os.seteuid(65534)
    try:
        yield
    finally:
        os.seteuid(0)


def test_a_port_without_permission_hints_at_the_group(powerless: None) -> None:
    master, slave = os.openpty()
    name = os.ttyname(slave)
    with contextlib.ExitStack() as closing:
        closing.callback(os.close, master)
        closing.callback(os.close, slave)
        os.fchmod(slave, 0)
        with pytest.raises(PortError, match="permission denied") as refused:
            open_port(name)
    assert "dialout" in refused.value.hint


@pytest.mark.parametrize("name", ["/dev/null", "/", __file__])
def test_what_is_no_serial_port_is_said_to_be_none(name: str) -> None:
    with pytest.raises(PortError, match="this is not a serial port"):
        open_port(name)


@pytest.mark.parametrize("baudrate", [-1, 0, 2**31, 10**30])
def test_an_impossible_baud_rate_is_refused_with_the_usual_one(
    board: PtyBoard, baudrate: int
) -> None:
    with pytest.raises(PortError, match=f"baud rate {baudrate} is not possible") as refused:
        open_port(str(board.name), baudrate)
    assert "250000" in refused.value.hint


@pytest.mark.parametrize(
    ("address", "message"),
    [
        ("carrier-pigeon://loft", "this address cannot be used"),
        ("virtual://nowhere", "there is no scenario 'nowhere'"),
        ("socket://", "cannot be used: the host name is missing"),
        ("socket://gates", "cannot be used: the port number is missing"),
        ("socket://gates:99999", "cannot be used: port out of range 0-65535"),
        ("socket://gates:twelve", "cannot be used: port could not be cast"),
        ("SOCKET://gates:0", "cannot be used: the port number is missing"),
        ("socket://[::1", "cannot be used: invalid IPv6 URL"),
        ("socket://gates:80?logging=x", "cannot be opened|cannot be used"),
        ("rfc2217://", "cannot be used: the host name is missing"),
        ("rfc2217://gates:70000", "cannot be used: port out of range"),
        ("rfc2217://gates:80?sound=loud", "unknown option"),
        ("loop://?logging=loud", "cannot be used|cannot be opened"),
        ("loop://?x", "this address cannot be used"),
        ("alt:///dev/x?class=os", "this address cannot be used"),
        ("hwgrep://[", "this address cannot be used"),
        ("hwgrep://no such board", "cannot be opened"),
        ("", "no such port"),
        ("a\0b", "this is not the name of a port"),
        ("x" * 5000, "cannot be opened"),
    ],
)
def test_an_impossible_address_is_one_clear_line(address: str, message: str) -> None:
    with pytest.raises(PortError, match=message) as refused:
        open_port(address)
    first, *hint = str(refused.value).split("\n")
    assert first.isprintable()
    assert len(hint) == 1
    assert len(first) < 600


def test_a_socket_that_nobody_serves_hints_at_its_other_end() -> None:
    with socket.socket() as unused:
        unused.bind(("127.0.0.1", 0))
        number = unused.getsockname()[1]
        with pytest.raises(PortError, match="refused") as refused:
            open_port(f"socket://127.0.0.1:{number}")
    assert "running at this address" in refused.value.hint
