"""Read one line from the board; each kind of line has its own function.

A framed line ends with a checksum (CRC); a plain line has no checksum. A board may send an
empty line when it starts. The program ignores empty lines. For every line, the module
`bulk_decoding` must give the same result as this module.
"""

import binascii
import re
from collections.abc import Callable
from dataclasses import dataclass
from typing import NamedTuple

from chrono.arrays.events import LEVEL_UNKNOWN, NO_SEQUENCE, EventKind, RestartCause
from chrono.rigs.line_kinds import FRAMED, INTERVAL, PLAIN

WIRE_VERSION = 1
MAX_LINE_BYTES = 80
MAX_COUNTER_BITS = 32
"""A board sends its counter as eight hex digits."""

LEAST_HZ, MOST_HZ = 1_000, 10_000_000_000
"""The lowest and highest counter frequency that a board or a rig may state [Hz]."""

MAX_DIGITS = 18
"""A decimal number with at most this many digits fits into 64 bits."""

_EDGE = re.compile(rb"([EL]) ([0-9A-F]{4}) ([AB]) ([01]) ([0-9A-F]{8})")
_BEAT = re.compile(rb"T ([0-9A-F]{4}) ([0-9A-F]{8}) ([01])([01]) ([0-9A-F]{4})")
_HELLO = re.compile(rb"H ([0-9]{1,9}) ([0-9]{1,10}) ([0-9]{1,3}) ([!-~]+) ([!-~]+)")
_LEVELS = re.compile(rb"V((?: [0-9A-F]{4}){6})")
_REPORTED = frozenset(RestartCause) - {RestartCause.UNREPORTED}
_PLAIN = re.compile(rb"([AB])[ ,](?:([01])[ ,])?([0-9]{1,%d})" % MAX_DIGITS)
_INTERVAL = re.compile(rb"[0-9]{1,%d}" % MAX_DIGITS)


class Event(NamedTuple):
    """One edge, beat or interval from the board; its attributes are as in `events.Events`."""

    kind: EventKind
    counter: int
    gate: int = 0
    level: int = 0
    sequence: int = NO_SEQUENCE
    lost: int = 0


@dataclass(frozen=True, slots=True)
class Hello:
    """The data that a board sends about itself when it starts."""

    version: int
    frequency_hz: int
    counter_bits: int
    board: str
    firmware: str
    restart: RestartCause = RestartCause.UNREPORTED
    has_analog: bool = False
    """True if the board sends the levels of its sensors on request."""


class GateLevels(NamedTuple):
    """
    The voltages at one gate that a board measures while the user aligns the beam.

    Attributes
    ----------
    light_v : float
        Voltage at the sensor [V]. More light gives a higher voltage.
    lower_v, upper_v : float
        Below the lower threshold the gate becomes blocked, above the upper one clear [V].
    """

    light_v: float
    lower_v: float
    upper_v: float


SensorLevels = tuple[GateLevels, GateLevels]
"""The voltages of gate A and of gate B."""

ANALOG_MARK = "+analog"
"""If a firmware sends sensor levels on request, the name of its version ends with this text."""

LEVELS_BEGIN = b"V "
"""Only lines with sensor levels begin with these bytes."""


class LineDamage(NamedTuple):
    """The reason why a line or a row cannot be used."""

    reason: str


def parse_framed(line: bytes) -> Event | Hello | LineDamage | None:
    """
    Read one line that ends with a checksum; return None for an empty line.

    The line has no newline; one ``\\r`` at its end is ignored.
    """
    line = line.removesuffix(b"\r")
    if not line:
        return None
    if len(line) > MAX_LINE_BYTES:
        return LineDamage(f"the line is longer than {MAX_LINE_BYTES} bytes")
    body, space, check = line.rpartition(b" ")
    if not space or check != crc_text(body):
        return LineDamage("the checksum (CRC) of the line is wrong")
    if edge := _EDGE.fullmatch(body):
        letter, sequence, gate, level, counter = edge.groups()
        return Event(
            kind=EventKind.LATE if letter == b"L" else EventKind.EDGE,
            counter=int(counter, 16),
            gate=b"AB".index(gate),
            level=int(level),
            sequence=int(sequence, 16),
        )
    if beat := _BEAT.fullmatch(body):
        sequence, counter, level_a, level_b, lost = beat.groups()
        return Event(
            kind=EventKind.BEAT,
            counter=int(counter, 16),
            level=int(level_a) + 2 * int(level_b),
            sequence=int(sequence, 16),
            lost=int(lost, 16),
        )
    if hello := _HELLO.fullmatch(body):
        return _checked_hello(*hello.groups())
    return LineDamage("the checksum is right, but the line has an unknown form")


def parse_levels(line: bytes) -> SensorLevels | None:
    """
    Read a line with sensor levels (``V`` and six numbers); return None for any other line.

    The line has no newline; one ``\\r`` at its end is ignored.
    """
    body, _, check = line.removesuffix(b"\r").rpartition(b" ")
    found = _LEVELS.fullmatch(body)
    if not found or check != crc_text(body):
        return None
    volts = [1e-3 * int(field, 16) for field in found[1].split()]
    return GateLevels(*volts[:3]), GateLevels(*volts[3:])


def parse_plain(line: bytes) -> Event | LineDamage | None:
    """Read a line such as ``A 123456``, ``B,123456`` or ``A 1 123456``; None if empty."""
    line = line.removesuffix(b"\r")
    if not line:
        return None
    if plain := _PLAIN.fullmatch(line):
        gate, level, counter = plain.groups()
        return Event(
            kind=EventKind.EDGE,
            counter=int(counter),
            gate=b"AB".index(gate),
            level=LEVEL_UNKNOWN if level is None else int(level),
        )
    return LineDamage('the line must look like "A 123456" or "A 1 123456"')


def parse_interval(line: bytes) -> Event | LineDamage | None:
    """Read a line with only a transit in microseconds, such as ``2750``; None if empty."""
    line = line.removesuffix(b"\r")
    if not line:
        return None
    if interval := _INTERVAL.fullmatch(line):
        return Event(kind=EventKind.INTERVAL, counter=int(interval[0]))
    return LineDamage("the line must be a whole number of microseconds")


PARSERS: dict[str, Callable[[bytes], Event | Hello | LineDamage | None]] = {
    FRAMED.name: parse_framed,
    PLAIN.name: parse_plain,
    INTERVAL.name: parse_interval,
}
"""The functions that read one line. The key is the name of the kind of lines."""


def _checked_hello(
    version: bytes, frequency: bytes, bits: bytes, board: bytes, firmware: bytes
) -> Hello | LineDamage:
    named, cause = _split_cause(firmware.decode())
    own = named.removesuffix(ANALOG_MARK)
    hello = Hello(
        int(version), int(frequency), int(bits), board.decode(), own, cause, own != named
    )
    if hello.version != WIRE_VERSION:
        return LineDamage(
            f"the board uses line format {hello.version}, but it must use format {WIRE_VERSION}"
        )
    if not LEAST_HZ <= hello.frequency_hz <= MOST_HZ:
        return LineDamage(
            f"the board states an impossible counter frequency: {hello.frequency_hz} Hz"
        )
    if not 8 <= hello.counter_bits <= MAX_COUNTER_BITS:
        return LineDamage(
            f"the board states an impossible number of counter bits: {hello.counter_bits}"
        )
    return hello


def _split_cause(firmware: str) -> tuple[str, RestartCause]:
    """Split ``1.3+watchdog`` into the firmware's version and the cause of the board's start."""
    own, plus, cause = firmware.rpartition("+")
    if own and plus and cause in _REPORTED:
        return own, RestartCause(cause)
    return firmware, RestartCause.UNREPORTED


def crc16(data: bytes) -> int:
    """
    Return the checksum CRC-16/CCITT-FALSE of `data`.

    For example, the checksum of ``123456789`` is 0x29B1 (source: RevEng catalogue,
    CRC-16/IBM-3740).
    """
    return binascii.crc_hqx(data, 0xFFFF)


def crc_text(body: bytes) -> bytes:
    """Return the CRC of `body` as four upper-case hex digits."""
    return b"%04X" % crc16(body)


def encode_edge(
    sequence: int, gate: int, level: int, counter: int, *, late: bool = False
) -> bytes:
    """
    Return the line of an edge with its checksum, without a newline.

    The sequence number wraps at 16 bits, and the counter wraps at 32 bits.
    """
    letter = b"L" if late else b"E"
    gate_letter = b"AB"[gate : gate + 1]
    fields = (letter, sequence & 0xFFFF, gate_letter, level, counter & 0xFFFF_FFFF)
    return _framed(b"%s %04X %s %d %08X" % fields)


def encode_beat(
    sequence: int, counter: int, level_a: int, level_b: int, lost: int = 0
) -> bytes:
    """
    Return the line of a beat with its checksum, without a newline.

    If the number `lost` is larger than 65535, the line contains 65535 (hexadecimal FFFF).
    """
    fields = (sequence & 0xFFFF, counter & 0xFFFF_FFFF, level_a, level_b, min(lost, 0xFFFF))
    return _framed(b"T %04X %08X %d%d %04X" % fields)


def encode_levels(levels: SensorLevels) -> bytes:
    """
    Return a line with sensor levels, without a newline.

    A voltage below 0 V is written as 0 V, and a voltage above 65.535 V as 65.535 V.
    """
    fields = b"".join(
        b" %04X" % min(max(round(1e3 * volt), 0), 0xFFFF) for gate in levels for volt in gate
    )
    return _framed(b"V" + fields)


def encode_hello(
    frequency_hz: int, counter_bits: int, board: str, firmware: str, version: int = WIRE_VERSION
) -> bytes:
    """Return the hello line of a board with its checksum, without a newline."""
    return _framed(f"H {version} {frequency_hz} {counter_bits} {board} {firmware}".encode())


def encode_plain(gate: int, counter: int, level: int | None = None) -> bytes:
    """Return the line of an edge without a checksum and without a newline."""
    gate_letter = b"AB"[gate : gate + 1]
    if level is None:
        return b"%s %d" % (gate_letter, counter)
    return b"%s %d %d" % (gate_letter, level, counter)


def encode_interval(transit_us: int) -> bytes:
    """Return the line that reports only a transit [us], without a newline."""
    return b"%d" % transit_us


def _framed(body: bytes) -> bytes:
    return body + b" " + crc_text(body)
