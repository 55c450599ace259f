"""Open the virtual board through pyserial, with an address such as ``virtual://two-bands``.

Each time a program opens the port, the virtual board starts again. pyserial finds this module
if ``chrono.virtual`` is in its list of handler packages.
"""

import threading
import time
from collections.abc import Iterator
from typing import Any

from serial import PortNotOpenError, SerialBase

from chrono.reader.line_grammar import encode_levels
from chrono.virtual.scenarios import Play, parse_play, rig_text
from chrono.virtual.virtual_board import (
    TimedLine,
    board_lines,
    hello,
    operator_rows,
    sensor_levels,
)

LEVELS_EVERY_S, LEVELS_FOR_S = 0.1, 2.0
"""Time between two sensor level lines, and how long they are sent after a request [s]."""


class Serial(SerialBase):
    """A serial port to the virtual board, with the rig file and the entries of a user."""

    @property
    def play(self) -> Play:
        """
        The scenario and the options that the address of the port requests.

        Raises
        ------
        PortError
            If the address names no scenario, or has impossible options.
        """
        return parse_play(self.portstr or "")

    def rig_text(self) -> str:
        """Return the text of the scenario's rig file."""
        return rig_text(self.play.scenario)

    def operator_rows(self) -> Iterator[tuple[float, str, dict[str, Any]]]:
        """Yield the setups and marks of a simulated user, in order of time."""
        return operator_rows(self.play)

    def open(self) -> None:
        """
        Start the board.

        Raises
        ------
        PortError
            If the address names no scenario or has impossible options.
        """
        play = self.play
        self._board = play.scenario.board
        self._coming: Iterator[TimedLine] = board_lines(
            play.scenario, play.seed, shots=play.shots, speedup=play.speedup
        )
        self._next = next(self._coming, None)
        self._scenario = play.scenario
        self._blocked = [0, 0]
        self._levels_at_s, self._levels_until_s = 0.0, -1.0
        self._received = bytearray()
        self._changed = threading.Condition()
        self._cancelled = False
        self._start_s = time.monotonic()
        self.is_open = True

    def close(self) -> None:
        """Stop the board; if `read` is waiting for bytes, end the wait now."""
        if self.is_open:
            self.is_open = False
            self.cancel_read()

    @property
    def in_waiting(self) -> int:
        """The number of bytes that the caller can read at once."""
        self._check_open()
        with self._changed:
            self._receive()
            return len(self._received)

    def read(self, size: int = 1) -> bytes:
        """Return at most `size` bytes; return fewer after the timeout or `cancel_read`."""
        self._check_open()
        end_s = None if self.timeout is None else time.monotonic() + self.timeout
        with self._changed:
            self._receive()
            while len(self._received) < size and self.is_open and not self._cancelled:
                if end_s is not None and time.monotonic() >= end_s:
                    break
                self._changed.wait(self._wait_s(end_s))
                self._receive()
            self._cancelled = False
            data = bytes(self._received[:size])
            del self._received[:size]
        return data

    def write(self, data: bytes) -> int:  # type: ignore[override]
        """Send bytes to the board; ``?`` requests a hello line, ``=`` sensor levels."""
        self._check_open()
        with self._changed:
            self._receive()
            if self._board.lines.says_hello:
                self._received += (hello(self._board) + b"\n") * data.count(b"?\n")
            if self._board.has_analog and b"=\n" in data:
                now_s = self._now_s()
                self._levels_at_s = max(self._levels_at_s, now_s)
                self._levels_until_s = now_s + LEVELS_FOR_S
            self._changed.notify_all()
        return len(data)

    def cancel_read(self) -> None:
        """If `read` is waiting for bytes, end the wait now."""
        with self._changed:
            self._cancelled = True
            self._changed.notify_all()

    def _wait_s(self, end_s: float | None) -> float | None:
        moments = [] if end_s is None else [end_s]
        if self._next is not None:
            moments.append(self._start_s + self._next[0])
        if self._levels_at_s < self._levels_until_s:
            moments.append(self._start_s + self._levels_at_s)
        return max(min(moments) - time.monotonic(), 0.0) if moments else None

    def _receive(self) -> None:
        """Store all lines of the board that have arrived completely by now."""
        now_s = self._now_s()
        while self._next is not None and self._next[0] <= now_s:
            self._measure_until(self._next[0])
            self._note_level(self._next[1])
            self._received += self._next[1]
            self._next = next(self._coming, None)
        self._measure_until(now_s)

    def _measure_until(self, time_s: float) -> None:
        """Store all lines with sensor levels that the board sends up to the time `time_s`."""
        while self._levels_at_s <= min(time_s, self._levels_until_s):
            levels = sensor_levels(self._scenario, self._levels_at_s, self._blocked)
            self._received += encode_levels(levels) + b"\n"
            self._levels_at_s += LEVELS_EVERY_S

    def _note_level(self, line: bytes) -> None:
        """Read a line that reports an edge, and store the new level of its gate."""
        fields = line.split()
        if fields[0] in (b"E", b"L"):
            self._blocked[b"AB".index(fields[2])] = int(fields[3])

    def _now_s(self) -> float:
        return time.monotonic() - self._start_s

    def _check_open(self) -> None:
        if not self.is_open:
            raise PortNotOpenError()

    def _reconfigure_port(self) -> None:
        """Accept any setting of the port, because the virtual port has no real speed."""
