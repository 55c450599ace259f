"""Start the self-test of a board, and read its results.

In a self-test, the board sends pulses to itself and reports the edges.
"""

import time
from contextlib import suppress

import serial

from chrono.arrays.events import EventKind
from chrono.calibrating.pulses import BEATS, StampedEvent
from chrono.errors import ChronoError, PortError
from chrono.reader.line_grammar import Event, Hello, parse_framed
from chrono.reader.port_reader import HELLO_REQUEST, LineFramer
from chrono.reader.serial_ports import open_port, reason_of
from chrono.safe_text import plain

SELF_TEST_REQUEST = b"!\n"
ASK_EVERY_S = 1.0
HELLO_WITHIN_S = 10.0
"""Time to wait for a hello line [s]. Some boards restart when their port is opened."""
ANSWER_WITHIN_S = 3.0
"""Time to wait for the start of the test [s]. A board is ready after its hello line."""
LEFT_OVER_S = 0.3
"""A board may send two hello lines within this time [s]: at its start, and as an answer."""
BEAT_WITHIN_S = 5.0
EARLY_S = 0.5
"""The time between two beats of a test is shorter than this [s]. It is normally one second."""


def read_pulse_lines(port: str, baud: int, seconds: float) -> tuple[Hello, list[StampedEvent]]:
    """
    Start the self-test of the board on a port, and read the lines of the test.

    Parameters
    ----------
    port : str
        Any port that pyserial can open.
    baud : int
    seconds : float
        Time to collect beats after the test, for the clock's rate [s].

    Returns
    -------
    Hello
        The board's answer to the request for the test.
    list of (int, Event)
        Edges and beats after this answer, each with its host time [us].

    Raises
    ------
    ChronoError
        If the port cannot be opened, or if the board has no self-test.
    """
    talk = _Talk(port, baud)
    try:
        talk.ask(HELLO_REQUEST)
        talk.pass_over(LEFT_OVER_S)
        return talk.ask(SELF_TEST_REQUEST), talk.listen(seconds)
    except OSError as exc:
        raise PortError(
            f"the connection to the port was lost: {reason_of(exc)}", where=plain(port)
        ) from exc
    finally:
        talk.close()


class _Talk:
    """Send requests to one board, and read its lines in order."""

    def __init__(self, port: str, baud: int) -> None:
        self._name = plain(port)
        self._port = open_port(port, baud)
        self._framer = LineFramer()
        self._waiting: list[tuple[int, Event | Hello]] = []

    def close(self) -> None:
        with suppress(OSError):
            self._port.close()

    def _next(self, until_s: float) -> tuple[int, Event | Hello] | None:
        while not self._waiting:
            if time.monotonic() >= until_s:
                return None
            data = self._port.read(self._port.in_waiting or 1)
            host_us = time.perf_counter_ns() // 1000
            for stamp, line in self._framer.feed(host_us, data):
                parsed = parse_framed(line)
                if isinstance(parsed, Event | Hello):
                    self._waiting.append((stamp, parsed))
        return self._waiting.pop(0)

    def ask(self, question: bytes) -> Hello:
        """
        Send a request to the board, and return the board's answer (a hello line).

        The function sends the request for a self-test only once.
        """
        known = question == HELLO_REQUEST
        within_s = HELLO_WITHIN_S if known else ANSWER_WITHIN_S
        end_s, ask_s = time.monotonic() + within_s, 0.0
        while (now_s := time.monotonic()) < end_s:
            if now_s >= ask_s:
                with suppress(serial.SerialTimeoutException):
                    self._port.write(question)
                ask_s = now_s + ASK_EVERY_S if known else end_s
            found = self._next(min(ask_s, end_s))
            if found and isinstance(found[1], Hello):
                return found[1]
        if not known:
            raise self._ignorance()
        raise ChronoError(
            "no board answers on this port",
            where=self._name,
            hint="check the port and the baud rate; a board that sends lines of the kind "
            '"plain" or "interval" has no self-test',
        )

    def pass_over(self, seconds: float) -> None:
        """Read the board's lines for a given time [s], and ignore them."""
        end_s = time.monotonic() + seconds
        while self._next(end_s):
            pass

    def listen(self, seconds: float) -> list[StampedEvent]:
        """Return the edges and beats of the self-test, and the beats after the test."""
        events: list[StampedEvent] = []
        beats_us: list[int] = []
        end_s = time.monotonic() + BEAT_WITHIN_S
        while found := self._next(end_s):
            stamp_us, line = found
            if isinstance(line, Hello):  # earlier lines answered an earlier question
                events, beats_us = [], []
                continue
            events.append((stamp_us, line))
            if line.kind != EventKind.BEAT:
                continue
            beats_us.append(stamp_us)
            if len(beats_us) < BEATS:
                end_s = time.monotonic() + BEAT_WITHIN_S
                if len(beats_us) > 2 and beats_us[-1] - beats_us[-2] > EARLY_S * 1e6:
                    break  # normal beats again: the board has stopped the test
            elif len(beats_us) == BEATS:
                end_s = time.monotonic() + seconds
        return events

    def _ignorance(self) -> ChronoError:
        return ChronoError(
            "this board has no self-test",
            where=self._name,
            hint="install the current firmware: older versions have no self-test",
        )
