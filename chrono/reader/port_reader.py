"""Read a serial port in a separate thread, and turn its bytes into rows with a host time.

Each line becomes a row of the recording, except lines with sensor levels. If the connection to
the port is lost, the program tries again and again to open the port. The recording also gets a
row when the port is lost, and when it is opened again. The program asks a board for its hello
(a line in which the board identifies itself), until the board answers.
"""

import threading
from collections.abc import Callable
from contextlib import suppress
from dataclasses import dataclass, replace
from typing import Literal

import serial

from chrono.arrays.events import Batch, EventKind
from chrono.errors import PortError
from chrono.reader.line_grammar import LEVELS_BEGIN, SensorLevels, parse_levels
from chrono.reader.recording_rows import board_row, json_row
from chrono.reader.serial_ports import (
    DEFAULT_BAUDRATE,
    PortIdentity,
    identity_of,
    open_port,
    port_names,
    ports_of_device,
    reason_of,
)
from chrono.rigs.line_kinds import FRAMED, LineKind

PIECE_BYTES = 4096
"""A line that is twice this long and has no newline is cut into pieces of this size [bytes]."""

StampedLine = tuple[int, bytes]
"""Host time when the line's last byte was read [us], and the line without its newline."""


class LineFramer:
    """
    Cut a stream of bytes into lines.

    A line that is too long is cut into pieces of at least `PIECE_BYTES` bytes. A short piece of
    a line, such as ``23``, could look like a complete line.
    """

    def __init__(self) -> None:
        self._unfinished = bytearray()

    def feed(self, host_us: int, data: bytes) -> list[StampedLine]:
        """
        Add bytes that were read at the host time `host_us` [us]; return the lines now complete.

        The bytes may begin and end in the middle of a line. A line that is too long is returned
        in pieces.
        """
        *finished, rest = data.split(b"\n")
        lines: list[StampedLine] = []
        for part in finished:
            lines += self._pieces(host_us, part)
            lines.append((host_us, self.take_unfinished()))
        return lines + self._pieces(host_us, rest)

    def take_unfinished(self) -> bytes:
        """Return the bytes of the incomplete last line, and remove them."""
        rest = bytes(self._unfinished)
        self._unfinished.clear()
        return rest

    def _pieces(self, host_us: int, part: bytes) -> list[StampedLine]:
        self._unfinished += part
        held = len(self._unfinished)
        if held < 2 * PIECE_BYTES:
            return []
        end = (held // PIECE_BYTES - 1) * PIECE_BYTES
        whole = bytes(self._unfinished[:end])
        del self._unfinished[:end]
        return [(host_us, whole[i : i + PIECE_BYTES]) for i in range(0, end, PIECE_BYTES)]


ASK_FIRST_S = 0.5
"""After opening a port, the program waits this time for a hello [s]."""
ASK_EVERY_S = 1.0
SILENT_AFTER_S = 3.0
"""If a board sends nothing for this time, three beats are missing [s]."""
RETRY_FIRST_S = 0.25
RETRY_LONGEST_S = 5.0
STOP_WITHIN_S = 1.0
HEAD_S = 0.1
"""If bytes come within this time after opening, the first line may be incomplete [s]."""

HELLO_REQUEST = b"?\n"

LEVELS_REQUEST = b"=\n"
ASK_LEVELS_EVERY_S = 0.7
"""Time between two requests for sensor levels [s]."""
LEVELS_WANTED_S = 1.0
"""A screen that shows sensor levels reads them at least once in this time [s]."""
LEVELS_CURRENT_S = 0.5
"""Sensor levels older than this time are not shown [s]."""


@dataclass(frozen=True)
class LinkStatus:
    """
    The state of the connection to the board at one moment.

    Attributes
    ----------
    state : {"closed", "open", "lost", "failed"}
        `failed`: an error in the program ended the thread; `reason` contains it.
    port, reason : str
        The port's present name, and the reason why the port was lost or the thread failed.
    silent_s : float
        Time since the last byte, or since the port was opened [s].
    answered : bool
        True if at least one byte has come since the port was opened.
    bytes, lines : int
        Number of bytes and of lines received since the start.
    losses : int
        Number of times that the port was lost.
    fruitless : int
        Number of times in a row that the port was lost before a whole line came.
    appeared : tuple of str
        Ports that did not exist when the first port was opened. Empty while the link works.
    """

    state: Literal["closed", "open", "lost", "failed"]
    port: str
    reason: str = ""
    silent_s: float = 0.0
    answered: bool = False
    bytes: int = 0
    lines: int = 0
    losses: int = 0
    fruitless: int = 0
    appeared: tuple[str, ...] = ()

    @property
    def silent(self) -> bool:
        """True if an open port has sent nothing for as long as three beats take."""
        return self.state == "open" and self.silent_s > SILENT_AFTER_S


class PortReader:
    """
    Read a port in a thread, and pass on each line as a row of a recording.

    Parameters
    ----------
    port : str
        Any name that `serial.serial_for_url` can open, or ``virtual://SCENARIO``.
    sink : callable
        Function that takes whole rows as bytes; called from the thread, and once from `start`.
    now_us : callable
        Function that returns the time on the session's clock [us].
    baudrate : int
    lines : LineKind
        The kind of lines that the board sends.
    """

    def __init__(
        self,
        port: str,
        sink: Callable[[bytes], None],
        now_us: Callable[[], int],
        *,
        baudrate: int = DEFAULT_BAUDRATE,
        lines: LineKind = FRAMED,
    ) -> None:
        self._port = port
        self._sink = sink
        self._now_us = now_us
        self._baudrate = baudrate
        self._lines = lines
        self._status = LinkStatus("closed", port)
        self._identity: PortIdentity | None = None
        self._ports_before: frozenset[str] = frozenset()
        self._serial: serial.Serial | None = None
        self._framer = LineFramer()
        self._stopping = threading.Event()
        self._headless = False
        self._opened_us = 0
        self._last_byte_us = 0
        self._ask_at_us: int | None = None
        self._asked_us: int | None = None
        self._hello_us = self._edge_us = -1
        self._has_analog = False
        self._levels: tuple[int, SensorLevels] | None = None
        self._levels_wanted_until_us = self._ask_levels_at_us = 0
        self._thread = threading.Thread(target=self._run, name=f"reader {port}", daemon=True)
        self.failure: BaseException | None = None
        """The error that ended the thread; None if it still runs or `stop` ended it."""

    @property
    def status(self) -> LinkStatus:
        """The present state of the connection."""
        silent_s = max(self._now_us() - self._last_byte_us, 0) * 1e-6
        return replace(self._status, silent_s=silent_s)

    def start(self) -> None:
        """
        Open the port and start reading.

        Raises
        ------
        PortError
            If the port cannot be opened. The message states the cause.
        """
        port = open_port(self._port, self._baudrate)
        self._identity = identity_of(self._port)
        self._ports_before = port_names()
        self._take(port, self._port, "opened")
        self._thread.start()

    def stop(self) -> None:
        """Stop reading and close the port."""
        self._stopping.set()
        port = self._serial
        if port is not None:
            # The thread may close the port at this very moment.
            with suppress(OSError, AttributeError, TypeError):
                port.cancel_read()
        if self._thread.is_alive():
            self._thread.join(STOP_WITHIN_S)

    def _run(self) -> None:
        try:
            while not self._stopping.is_set():
                if self._serial is None:
                    self._reopen()
                else:
                    self._read_until_lost(self._serial)
            self._status = replace(self._status, state="closed")
        except BaseException as exc:
            self.failure = exc
            self._status = replace(
                self._status, state="failed", reason=f"{type(exc).__name__}: {exc}"
            )
        finally:
            self._close()

    def _read_until_lost(self, port: serial.Serial) -> None:
        while not self._stopping.is_set():
            try:
                self._ask_when_due(port)
                self._ask_for_levels_when_due(port)
                data = port.read(port.in_waiting or 1)
            except OSError as exc:
                self._lose(reason_of(exc))
                return
            if data:
                self._receive(self._now_us(), data)

    def _receive(self, host_us: int, data: bytes) -> None:
        if not self._status.answered:
            soon = host_us - self._opened_us < HEAD_S * 1e6
            self._headless = soon and self._lines.end_is_a_line
        lines = self._without_levels(self._framer.feed(host_us, data))
        if self._headless and lines:
            self._set_head_aside(lines.pop(0))
        if lines:
            self._sink(b"".join([board_row(us, line) for us, line in lines]))
        self._last_byte_us = host_us
        self._count(len(data), len(lines))

    def _without_levels(self, lines: list[StampedLine]) -> list[StampedLine]:
        """Store the latest sensor levels, and return the lines without sensor levels."""
        if not self._lines.has_analog:
            return lines
        others: list[StampedLine] = []
        for host_us, line in lines:
            levels = parse_levels(line) if line.startswith(LEVELS_BEGIN) else None
            if levels is None:
                others.append((host_us, line))
            else:
                self._levels = host_us, levels
        return others

    def _set_head_aside(self, head: StampedLine) -> None:
        self._headless = False
        self._tell(
            "opened", "the port was opened while the board was sending this line", head[1]
        )

    def _ask_when_due(self, port: serial.Serial) -> None:
        """Ask the board for its hello line, and ask again until the board answers."""
        now_us = self._now_us()
        if self._ask_at_us is None or now_us < self._ask_at_us or self._spoke():
            return
        self._ask_at_us = now_us + int(ASK_EVERY_S * 1e6)
        self._asked_us = now_us if self._asked_us is None else self._asked_us
        self._write(port, HELLO_REQUEST)

    def _ask_for_levels_when_due(self, port: serial.Serial) -> None:
        """Ask a board for its sensor levels while a screen shows them."""
        if not self._has_analog or not self._levels_wanted_until_us:
            return
        now_us = self._now_us()
        if self._ask_levels_at_us <= now_us < self._levels_wanted_until_us:
            self._ask_levels_at_us = now_us + int(ASK_LEVELS_EVERY_S * 1e6)
            self._write(port, LEVELS_REQUEST)

    def _write(self, port: serial.Serial, request: bytes) -> None:
        # Even if the board does not read our request, we read the lines of the board.
        with suppress(serial.SerialTimeoutException):
            port.write(request)

    @property
    def has_analog(self) -> bool:
        """True if the board has stated that it sends sensor levels."""
        return self._has_analog

    def look_at_levels(self) -> SensorLevels | None:
        """Request new sensor levels; return the present levels, or None if they are unknown."""
        now_us = self._now_us()
        self._levels_wanted_until_us = now_us + int(LEVELS_WANTED_S * 1e6)
        latest = self._levels
        if latest is None or now_us - latest[0] > LEVELS_CURRENT_S * 1e6:
            return None
        return latest[1]

    def hear(self, batch: Batch) -> None:
        """Look for the board's answer in a batch; after an answer, the program stops asking."""
        for record in batch.controls:
            if record.origin == "hello":
                self._hello_us = record.host_us
                if record.host_us >= self._opened_us:
                    self._has_analog = bool(record.data.get("has_analog"))
        edges = batch.events.kind <= EventKind.LATE
        if edges.any():
            self._edge_us = int(batch.events.host_us[edges][-1])

    def _spoke(self) -> bool:
        """Return True after a hello line, or after an edge since the first request."""
        if self._hello_us >= self._opened_us:
            return True
        return self._asked_us is not None and self._edge_us >= self._asked_us

    def _take(self, port: serial.Serial, name: str, event: str) -> None:
        self._serial = port
        self._opened_us = self._last_byte_us = self._now_us()
        self._asked_us, self._has_analog = None, False
        if self._lines.says_hello:
            self._ask_at_us = self._opened_us + int(ASK_FIRST_S * 1e6)
        self._status = replace(
            self._status, state="open", port=name, reason="", answered=False, appeared=()
        )
        self._tell(event, "")

    def _lose(self, reason: str) -> None:
        self._close()
        self._status = replace(
            self._status,
            state="lost",
            reason=reason,
            losses=self._status.losses + 1,
            fruitless=self._status.fruitless + 1,
        )
        fragment = self._framer.take_unfinished()
        is_of_levels = self._lines.has_analog and fragment.startswith(LEVELS_BEGIN)
        self._tell("lost", reason, b"" if is_of_levels else fragment)

    def _reopen(self) -> None:
        again = min(self._status.fruitless - 1, 10)
        pause_s = min(RETRY_FIRST_S * 2**again, RETRY_LONGEST_S)
        while not self._stopping.wait(pause_s):
            pause_s = min(2.0 * pause_s, RETRY_LONGEST_S)
            try:
                name = self._name_now()
                port = open_port(name, self._baudrate)
            except PortError as exc:
                appeared = tuple(sorted(port_names() - self._ports_before))
                self._status = replace(self._status, reason=exc.message, appeared=appeared)
                continue
            self._take(port, name, "reopened")
            return

    def _name_now(self) -> str:
        """Find the device again after it was unplugged, and return the new name of its port."""
        if self._identity is None or identity_of(self._port) == self._identity:
            return self._port
        names = ports_of_device(self._identity)
        if not names:
            raise PortError("the board is not plugged in", where=self._port)
        return names[0]

    def _close(self) -> None:
        port, self._serial = self._serial, None
        if port is not None:
            with suppress(OSError):
                port.close()

    def _count(self, received: int, lines: int) -> None:
        before = self._status
        self._status = replace(
            before,
            answered=True,
            bytes=before.bytes + received,
            lines=before.lines + lines,
            fruitless=0 if lines else before.fruitless,
        )

    def _tell(self, event: str, reason: str, fragment: bytes = b"") -> None:
        """Add a row: the port was opened or lost; include the bytes of an incomplete line."""
        data = {"event": event, "port": self._status.port, "reason": reason}
        if fragment:
            data["fragment"] = fragment.decode("latin-1")
        self._sink(json_row(self._now_us(), "link", data))
