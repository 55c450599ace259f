"""Read many rows of a recording fast, with compiled loops for the common kinds of lines.

The function `recording_rows.parse_row` reads all other rows. For every row, the loops and
`parse_row` give the same result.
"""

from dataclasses import fields
from typing import Any

import numpy as np
import numpy.typing as npt

from chrono.arrays.array_types import Bytes, Ints
from chrono.arrays.events import LEVEL_UNKNOWN, NO_SEQUENCE, EventKind, Events, empty_events
from chrono.arrays.machine_code import compiled, inlined
from chrono.reader.line_grammar import MAX_DIGITS, crc16
from chrono.reader.recording_rows import SHORTEST_RECORD
from chrono.rigs.line_kinds import FRAMED, INTERVAL, PLAIN, LineKind

Columns = tuple[npt.NDArray[Any], ...]
"""The columns of an `Events` object, in the same order."""

Read = tuple[int, int, int, int, int, int, int]
"""The index of the next row (or -1), and the columns of `Events` without the host time."""

_NOTHING = (-1, 0, 0, 0, 0, 0, 0)

SHORTEST_EVENT = len(b"0\tboard\t\n")

_NONE, _FRAMED, _PLAIN, _INTERVAL = range(4)
LOOPS = {FRAMED.name: _FRAMED, PLAIN.name: _PLAIN, INTERVAL.name: _INTERVAL}
"""The loop for each kind of lines; the key is the name."""

_KIND_EDGE, _KIND_LATE, _KIND_BEAT, _KIND_INTERVAL = (
    int(kind) for kind in (EventKind.EDGE, EventKind.LATE, EventKind.BEAT, EventKind.INTERVAL)
)
_A, _E, _L, _T = b"AELT"
_ZERO, _SPACE, _COMMA, _CR, _NEWLINE = b"0 ,\r\n"

_BOARD = np.frombuffer(b"\tboard\t", np.uint8)
_ESCAPED_CR = np.frombuffer(rb"\x0D", np.uint8)
_EDGE_BODY = len("E 0000 A 0 00000000")
_BEAT_BODY = len("T 0000 00000000 00 0000")
_CRC_BYTES = len(" 0000")
_LONGEST_LINE = _BEAT_BODY + _CRC_BYTES + len(rb"\x0D" + b"\r\n")
_LONGEST_ROW = MAX_DIGITS + len(_BOARD) + _LONGEST_LINE
"""The largest number of bytes that a loop may read for one row."""

_HEX = np.full(256, -1, np.int8)
_HEX[list(b"0123456789ABCDEF")] = np.arange(16)
"""The value of each upper-case hex digit; -1 for all other bytes."""

_CRC_AFTER = np.array(
    [
        [crc16(bytes([byte, *bytes(after)])) ^ crc16(bytes(1 + after)) for byte in range(256)]
        for after in range(_BEAT_BODY)
    ],
    np.uint16,
)
"""Change of a checksum (CRC) if one zero byte becomes `byte` and `after` bytes follow."""

_EDGE_CRC, _BEAT_CRC = (crc16(bytes(length)) for length in (_EDGE_BODY, _BEAT_BODY))


def read_rows(block: bytes, lines: LineKind, tiny_kept: int) -> tuple[int, int, Events, Ints]:
    """
    Read the common kinds of rows in a block, and list all other rows.

    Parameters
    ----------
    block : bytes
        Rows. A last row without a newline is left unread.
    lines : LineKind
        The kind of lines that the rig's board sends.
    tiny_kept : int
        At most this many rows that are too short for any record are listed in `left`.

    Returns
    -------
    rows : int
        Number of rows.
    dropped : int
        Number of rows that are too short for any record and not listed in `left`.
    events : Events
        One event for each row of the board. The events of rows in `left` are not filled in.
    left : ndarray of int64, shape (N, 5)
        For each unread row: number of the row, number of events before the row, 1 if the row
        is an event, index of its first byte, and index after its last byte.
    """
    text = np.frombuffer(block, np.uint8)
    events = empty_events(len(block) // SHORTEST_EVENT + 1)
    columns = tuple(getattr(events, column.name) for column in fields(Events))
    left = np.empty((len(block) // (SHORTEST_RECORD + 1) + tiny_kept + 1, 5), np.int64)
    loop = LOOPS.get(lines.name, _NONE)
    rows, dropped, count, rest = _walk(text, loop, tiny_kept, columns, left)
    return rows, dropped, events.part(0, count), left[:rest]


@compiled
def _walk(
    text: Bytes, kind: int, tiny_kept: int, columns: Columns, left: Ints
) -> tuple[int, int, int, int]:
    """Fill `columns` and `left`; return the numbers of rows, short rows, events, left rows."""
    host_us, kinds, gates, levels, counters, sequences, losts = columns
    rows = dropped = events = rest = start = 0
    while start < len(text):
        after = -1
        if kind != _NONE and start + _LONGEST_ROW <= len(text):
            at, (after, what, gate, level, counter, sequence, lost) = _common_row(
                text, start, kind
            )
        if after >= 0:
            host_us[events] = at
            kinds[events] = what
            gates[events] = gate
            levels[events] = level
            counters[events] = counter
            sequences[events] = sequence
            losts[events] = lost
            events += 1
        else:
            end = start
            while end < len(text) and text[end] != _NEWLINE:
                end += 1
            is_event = _is_boards(text, start, end)
            is_tiny = end - start < SHORTEST_RECORD
            if is_event or not is_tiny or tiny_kept > 0:
                left[rest, 0] = rows
                left[rest, 1] = events
                left[rest, 2] = is_event
                left[rest, 3], left[rest, 4] = start, end
                rest += 1
                events += is_event
                tiny_kept -= is_tiny
            else:
                dropped += 1
            after = end + 1
        start = after
        rows += 1
    return rows, dropped, events, rest


@inlined
def _common_row(text: Bytes, start: int, kind: int) -> tuple[int, Read]:
    """Read the row that begins at `start`; the index of the next row is -1 for other rows."""
    host_us, tab = _decimal(text, start)
    if tab == start or not _is_at(text, tab, _BOARD):
        return -1, _NOTHING
    line = tab + len(_BOARD)
    if kind == _FRAMED:
        return host_us, _framed(text, line)
    if kind == _PLAIN:
        return host_us, _plain(text, line)
    return host_us, _interval(text, line)


@inlined
def _framed(text: Bytes, at: int) -> Read:
    letter = _byte(text, at)
    if letter == _T:
        return _beat(text, at)
    if letter != _E and letter != _L:
        return _NOTHING
    for place in (1, 6, 8, 10, 19):
        if _byte(text, at + place) != _SPACE:
            return _NOTHING
    sequence, counter = _hexadecimal(text, at + 2, 4), _hexadecimal(text, at + 11, 8)
    crc = _hexadecimal(text, at + 20, 4)
    gate, level = _byte(text, at + 7) - _A, _byte(text, at + 9) - _ZERO
    if (sequence | counter | crc) < 0 or (gate | level) & ~1:
        return _NOTHING
    if crc != _crc(text, at, _EDGE_BODY, _EDGE_CRC):
        return _NOTHING
    kind = _KIND_LATE if letter == _L else _KIND_EDGE
    return (
        _next_row(text, at + _EDGE_BODY + _CRC_BYTES),
        kind,
        gate,
        level,
        counter,
        sequence,
        0,
    )


@compiled
def _beat(text: Bytes, at: int) -> Read:
    for place in (1, 6, 15, 18, 23):
        if _byte(text, at + place) != _SPACE:
            return _NOTHING
    sequence, counter = _hexadecimal(text, at + 2, 4), _hexadecimal(text, at + 7, 8)
    level_a, level_b = _byte(text, at + 16) - _ZERO, _byte(text, at + 17) - _ZERO
    lost, crc = _hexadecimal(text, at + 19, 4), _hexadecimal(text, at + 24, 4)
    if (sequence | counter | lost | crc) < 0 or (level_a | level_b) & ~1:
        return _NOTHING
    if crc != _crc(text, at, _BEAT_BODY, _BEAT_CRC):
        return _NOTHING
    return (
        _next_row(text, at + _BEAT_BODY + _CRC_BYTES),
        _KIND_BEAT,
        0,
        level_a | level_b << 1,
        counter,
        sequence,
        lost,
    )


@compiled
def _plain(text: Bytes, at: int) -> Read:
    gate, level = _byte(text, at) - _A, _byte(text, at + 2) - _ZERO
    if gate & ~1 or not _separates(_byte(text, at + 1)):
        return _NOTHING
    digits = at + 4
    if level & ~1 or not _separates(_byte(text, at + 3)):
        level, digits = LEVEL_UNKNOWN, at + 2
    counter, end = _decimal(text, digits)
    if end == digits:
        return _NOTHING
    return _next_row(text, end), _KIND_EDGE, gate, level, counter, NO_SEQUENCE, 0


@compiled
def _interval(text: Bytes, at: int) -> Read:
    transit, end = _decimal(text, at)
    if end == at:
        return _NOTHING
    return _next_row(text, end), _KIND_INTERVAL, 0, 0, transit, NO_SEQUENCE, 0


@inlined
def _next_row(text: Bytes, at: int) -> int:
    """Return the index of the next line if a line ends at the index `at`, otherwise -1."""
    if _is_at(text, at, _ESCAPED_CR):
        at += len(_ESCAPED_CR)
    at += _byte(text, at) == _CR
    return at + 1 if _byte(text, at) == _NEWLINE else -1


@inlined
def _separates(byte: int) -> bool:
    return byte in (_SPACE, _COMMA)


@inlined
def _decimal(text: Bytes, at: int) -> tuple[int, int]:
    """Return the decimal number at `at` (at most MAX_DIGITS digits), and the index after it."""
    value, most = 0, at + MAX_DIGITS
    while at < most:
        digit = _byte(text, at) - _ZERO
        if digit < 0 or digit > 9:
            break
        value = 10 * value + digit
        at += 1
    return value, at


@inlined
def _hexadecimal(text: Bytes, at: int, count: int) -> int:
    """Return the value of upper-case hex digits; negative if a byte is not a hex digit."""
    value = 0
    for place in range(at, at + count):
        value = value << 4 | _HEX[_byte(text, place)]
    return value


@inlined
def _crc(text: Bytes, at: int, count: int, of_zeros: int) -> int:
    crc = of_zeros
    for place in range(count):
        crc ^= _CRC_AFTER[count - 1 - place, _byte(text, at + place)]
    return crc


@inlined
def _is_at(text: Bytes, at: int, wanted: Bytes) -> bool:
    different = 0
    for place in range(len(wanted)):
        different |= _byte(text, at + place) ^ wanted[place]
    return different == 0


@inlined
def _is_boards(text: Bytes, start: int, end: int) -> bool:
    """Return True if the row contains a line of the board, even a damaged line."""
    tab = start
    while tab < end and _ZERO <= text[tab] < _ZERO + 10:
        tab += 1
    digits = tab - start
    return 0 < digits <= MAX_DIGITS and end - tab >= len(_BOARD) and _is_at(text, tab, _BOARD)


@inlined
def _byte(text: Bytes, at: int) -> int:
    """Return the byte of `text` at the index `at`, which must be 0 or higher."""
    return text[np.uintp(at)]
