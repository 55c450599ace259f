"""Rows of a recording to a batch of events, in bulk.

Good lines of the common kinds never meet a Python loop: rows are gathered as records of
bytes, numbers are read by tables and by arithmetic on 64-bit words, and a line's CRC is
the XOR of one table entry per field. Whatever this does not accept goes row by row to
`rows.parse_row`, which is the definition; the two agree on every input.
"""

from collections.abc import Callable
from dataclasses import dataclass
from functools import cache
from typing import Any

import numpy as np
import numpy.typing as npt

from chrono.reader.batch import (
    LEVEL_UNKNOWN,
    NO_SEQUENCE,
    Batch,
    Control,
    Events,
    Kind,
    Sample,
)
from chrono.reader.grammar import Damage, Event, Lines, crc16
from chrono.reader.rows import BOARD, MAX_ROW_BYTES, parse_row

BULK_BYTES = 2000
"""A shorter block is read row by row, which is quicker there."""

MAX_SAMPLES = 5
MAX_SAMPLE_CHARS = 120

Array = npt.NDArray[Any]
IntArray = npt.NDArray[np.intp]
BoolArray = npt.NDArray[np.bool_]


def decode_rows(block: bytes, lines: Lines) -> Batch:
    """
    Decode whole rows of a recording.

    Parameters
    ----------
    block : bytes
        Rows, each ended by a newline. Blocks of about 1 MB are quickest.
    lines : {"framed", "plain", "interval"}
        What the rig's board sends.

    Returns
    -------
    Batch
        The same events and controls for any cut of a recording into blocks. Nothing
        raises: what cannot be used is counted, bytes after the last newline as one
        damaged row.
    """
    newline = np.flatnonzero(np.frombuffer(block, np.uint8) == ord("\n"))
    if len(block) and block[-1:] != b"\n":
        newline = np.append(newline, len(block))
    start = np.zeros_like(newline)
    start[1:] = newline[:-1] + 1
    events = _blank_events(len(newline))
    unread = np.ones(len(newline), np.bool_)
    if len(block) >= BULK_BYTES and block[-1:] == b"\n":
        unread[_read_common(_find_fields(block, start, newline), lines, events)] = False
    return _read_rest(block, start, newline, np.flatnonzero(unread), lines, events)


def _blank_events(count: int) -> Events:
    return Events(
        host_us=np.zeros(count, np.int64),
        kind=np.zeros(count, np.uint8),
        gate=np.zeros(count, np.uint8),
        level=np.zeros(count, np.uint8),
        counter=np.zeros(count, np.int64),
        sequence=np.full(count, NO_SEQUENCE, np.int32),
        lost=np.zeros(count, np.int32),
    )


# Row by row: other records, damage, and whatever else the bulk readers left.


def _read_rest(
    block: bytes,
    start: IntArray,
    newline: IntArray,
    unread: IntArray,
    lines: Lines,
    events: Events,
) -> Batch:
    records: list[tuple[int, int, str, dict[str, Any]]] = []
    eventless: list[int] = []
    samples: list[Sample] = []
    damaged = 0
    for row in unread.tolist():
        text = block[start[row] : min(newline[row], start[row] + MAX_ROW_BYTES + 2)]
        read = parse_row(text, lines)
        content = read.content
        if newline[row] == len(block):
            content = Damage("cut before its end")
        if isinstance(content, Event):
            _put(events, row, read.host_us, content)
        elif read.origin == BOARD:
            _put(events, row, read.host_us, Event(Kind.DAMAGED, 0))
        else:
            eventless.append(row)
        if isinstance(content, dict):
            records.append((row, read.host_us, read.origin, content))
        if isinstance(content, Damage):
            damaged += 1
            if len(samples) < MAX_SAMPLES:
                samples.append(Sample(row, _shown(text), content.reason))
    keep = np.ones(len(newline), np.bool_)
    keep[eventless] = False
    before = np.cumsum(keep)
    return Batch(
        events=_chosen(events, keep) if eventless else events,
        controls=tuple(Control(int(before[row]), *rest) for row, *rest in records),
        rows=len(newline),
        damaged=damaged,
        samples=tuple(samples),
    )


def _put(events: Events, row: int, host_us: int, event: Event) -> None:
    events.host_us[row] = host_us
    events.kind[row] = event.kind
    events.gate[row] = event.gate
    events.level[row] = event.level
    events.counter[row] = event.counter
    events.sequence[row] = event.sequence
    events.lost[row] = event.lost


def _chosen(events: Events, keep: BoolArray) -> Events:
    return Events(*(getattr(events, name)[keep] for name in Events.__dataclass_fields__))


def _shown(text: bytes) -> str:
    """Return a row's text such that no terminal acts on it."""
    words = text[:MAX_SAMPLE_CHARS].decode("ascii", "backslashreplace")
    return "".join(c if c.isprintable() or c == "\t" else f"\\x{ord(c):02X}" for c in words)


# In bulk. A word is eight bytes as one little-endian integer, the first byte lowest.

_DECIMAL_BYTES = 16
"""Decimal numbers of up to two words are read in bulk."""


@dataclass(frozen=True, eq=False)
class _Fields:
    """Where the rows of a block have their first tab and their end, and their host times."""

    block: bytes
    tab: IntArray
    end: IntArray
    host_us: Array
    sound: BoolArray


def _find_fields(block: bytes, start: IntArray, newline: IntArray) -> _Fields:
    buffer = np.frombuffer(block, np.uint8)
    tab = start + _host_widths(buffer, start)
    host_us, sound = _decimals(block, start, tab)
    return _Fields(block, tab, _ends(block, buffer, newline), host_us, sound)


def _host_widths(buffer: Array, start: IntArray) -> IntArray:
    """
    Return the number of bytes before each row's tab, 0 where none is found.

    The host's clock runs on, so nearly all rows of a block have the width of any of them.
    """
    width = np.zeros_like(start)
    middle = start[len(start) // 2]
    likely = np.flatnonzero(buffer[middle : middle + _DECIMAL_BYTES + 1] == ord("\t"))[:1]
    pending = np.arange(len(start))
    for guess in (*likely.tolist(), *range(1, _DECIMAL_BYTES + 1)):
        hit = buffer.take(start[pending] + guess, mode="clip") == ord("\t")
        width[pending[hit]] = guess
        pending = pending[~hit]
        if not pending.size:
            break
    return width


def _ends(block: bytes, buffer: Array, newline: IntArray) -> IntArray:
    """Return where rows end; a carriage return, as a byte or escaped, is left out."""
    end = newline
    if b"\r\n" in block:
        end = end - (buffer.take(end - 1, mode="clip") == ord("\r"))
    if b"\\x0D" in block:
        last_four = _gather(block, end - 4, "<u4")
        end = end - 4 * (last_four == int.from_bytes(b"\\x0D", "little"))
    return end


def _read_common(fields: _Fields, lines: Lines, events: Events) -> IntArray:
    """Read all lines of the common kinds into `events`; return which rows these were."""
    events.host_us[:] = fields.host_us
    return np.concatenate([read(fields, events) for read in _READERS[lines]])


def _read_edges(fields: _Fields, events: Events) -> IntArray:
    row = np.flatnonzero(fields.sound & (fields.end - fields.tab == len(_EDGE_LINE)))
    record = _gather(fields.block, fields.tab[row], _EDGE)
    sequence, high, low = (_hex(record[name]) for name in ("sequence", "high", "low"))
    late = record["letter"] == ord("L")
    gate = record["gate"] - ord("A")
    level = record["level"] - ord("0")
    crc = _edge_crc().take(late * 4 + gate * 2 + level, mode="clip")
    for at, value in ((2, sequence), (11, high), (15, low)):
        crc = crc ^ _crc_change(_EDGE_BODY, at).take(value, mode="clip")
    good = _fits(record["line"], _EDGE_LINE) & (_hex(record["crc"]) == crc)
    good &= (late | (record["letter"] == ord("E"))) & (gate <= 1) & (level <= 1)
    good &= (sequence | high | low) >= 0

    events.kind[row] = np.where(late, np.uint8(Kind.LATE), np.uint8(Kind.EDGE))
    events.gate[row] = gate
    events.level[row] = level
    events.counter[row] = high << 16 | low
    events.sequence[row] = sequence
    return row[good]


def _read_beats(fields: _Fields, events: Events) -> IntArray:
    row = np.flatnonzero(fields.sound & (fields.end - fields.tab == len(_BEAT_LINE)))
    record = _gather(fields.block, fields.tab[row], _BEAT)
    sequence, high, low, lost = (
        _hex(record[name]) for name in ("sequence", "high", "low", "lost")
    )
    level_a = record["level_a"] - ord("0")
    level_b = record["level_b"] - ord("0")
    crc = _beat_crc().take(level_a + level_b * 2, mode="clip")
    for at, value in ((2, sequence), (7, high), (11, low), (19, lost)):
        crc = crc ^ _crc_change(_BEAT_BODY, at).take(value, mode="clip")
    good = _fits(record["line"], _BEAT_LINE) & (_hex(record["crc"]) == crc)
    good &= (level_a <= 1) & (level_b <= 1) & ((sequence | high | low | lost) >= 0)

    events.kind[row] = Kind.BEAT
    events.level[row] = level_a + level_b * 2
    events.counter[row] = high << 16 | low
    events.sequence[row] = sequence
    events.lost[row] = lost
    return row[good]


def _read_plain(fields: _Fields, events: Events) -> IntArray:
    row = np.flatnonzero(fields.sound & (fields.tab <= len(fields.block) - _PLAIN.itemsize))
    record = _gather(fields.block, fields.tab[row], _PLAIN)
    gate = record["gate"] - ord("A")
    level = record["level"] - ord("0")
    levelled = (level <= 1) & _separates(record["second"])
    tab, end = fields.tab[row], fields.end[row]
    counter, sound = _decimals(fields.block, tab + np.where(levelled, 11, 9), end)
    good = sound & _fits(record["line"], _PLAIN_LINE)
    good &= _separates(record["first"]) & (gate <= 1)

    events.kind[row] = Kind.EDGE
    events.gate[row] = gate
    events.level[row] = np.where(levelled, level, np.uint8(LEVEL_UNKNOWN))
    events.counter[row] = counter
    return row[good]


def _read_intervals(fields: _Fields, events: Events) -> IntArray:
    row = np.flatnonzero(fields.sound)
    tab, end = fields.tab[row], fields.end[row]
    counter, sound = _decimals(fields.block, tab + len(_ORIGIN), end)
    good = sound & _fits(_gather(fields.block, tab, "V8"), _ORIGIN)
    events.kind[row] = Kind.INTERVAL
    events.counter[row] = counter
    return row[good]


_READERS: dict[Lines, tuple[Callable[[_Fields, Events], IntArray], ...]] = {
    "framed": (_read_edges, _read_beats),
    "plain": (_read_plain,),
    "interval": (_read_intervals,),
}

# Lines from the first tab of their row; `?` stands for a byte that is not fixed.

_ORIGIN = b"\tboard\t"
_EDGE_LINE = b"\tboard\t? ???? ? ? ???????? ????"
_BEAT_LINE = b"\tboard\tT ???? ???????? ?? ???? ????"
_PLAIN_LINE = _ORIGIN
_EDGE_BODY = len("E 0000 A 0 00000000")
_BEAT_BODY = len("T 0000 00000000 00 0000")


def _record(itemsize: int, **fields: tuple[str, int]) -> np.dtype[np.void]:
    """Return the dtype of a gathered line: name = (format, offset), `line` the whole."""
    return np.dtype(
        {
            "names": ["line", *fields],
            "formats": [f"V{itemsize}", *(form for form, _ in fields.values())],
            "offsets": [0, *(offset for _, offset in fields.values())],
            "itemsize": itemsize,
        }
    )


_EDGE = _record(
    32,
    letter=("u1", 7),
    sequence=("(2,)<u2", 9),
    gate=("u1", 14),
    level=("u1", 16),
    high=("(2,)<u2", 18),
    low=("(2,)<u2", 22),
    crc=("(2,)<u2", 27),
)
_BEAT = _record(
    36,
    sequence=("(2,)<u2", 9),
    high=("(2,)<u2", 14),
    low=("(2,)<u2", 18),
    level_a=("u1", 23),
    level_b=("u1", 24),
    lost=("(2,)<u2", 26),
    crc=("(2,)<u2", 31),
)
_PLAIN = _record(16, gate=("u1", 7), first=("u1", 8), level=("u1", 9), second=("u1", 10))


def _gather(block: bytes, at: IntArray, dtype: Any) -> Array:
    """Return one record of bytes per offset; offsets outside the block give its ends."""
    size = np.dtype(dtype).itemsize
    windows: Array = np.ndarray((len(block) - size + 1,), f"V{size}", block, strides=(1,))
    return windows[np.clip(at, 0, len(windows) - 1)].view(dtype)


def _fits(line: Array, pattern: bytes) -> BoolArray:
    """Tell which lines have the fixed bytes of `pattern`, compared word by word."""
    width = line.dtype.itemsize // 4
    words = line.view("<u4").reshape(-1, width)
    fixed = bytes(0 if byte == ord("?") else 0xFF for byte in pattern)
    mask = np.frombuffer(fixed.ljust(4 * width, b"\0"), "<u4")
    wanted = np.frombuffer(pattern.ljust(4 * width, b"\0"), "<u4") & mask
    wrong = np.zeros(len(line), np.uint32)
    for column in range(width):
        wrong |= (words[:, column] & mask[column]) ^ wanted[column]
    return wrong == 0


def _separates(byte: Array) -> BoolArray:
    return (byte == ord(" ")) | (byte == ord(","))


def _hex(pairs: Array) -> IntArray:
    """Return the value of four hex digits given as two pairs, negative if not canonical."""
    table = _pair_values()
    return table[pairs[:, 0]] << 8 | table[pairs[:, 1]]


@cache
def _pair_values() -> IntArray:
    """Return the value of each pair of upper-case hex digits, -1 for other pairs of bytes."""
    table = np.full(1 << 16, -1)
    for value in range(256):
        table[int.from_bytes(b"%02X" % value, "little")] = value
    return table


@cache
def _crc_change(length: int, at: int) -> npt.NDArray[np.uint16]:
    """
    Return how four hex digits at `at` change the CRC of a line body against ``0000`` there.

    A CRC is affine: the change does not depend on what stands elsewhere in the body, so
    changes of several fields combine by XOR.
    """
    zeros = crc16(b"0" * length)
    change = np.zeros(1, np.uint16)
    for place in range(at, at + 4):
        bodies = (
            b"0" * place + b"%X" % digit + b"0" * (length - place - 1) for digit in range(16)
        )
        digits = np.array([crc16(body) ^ zeros for body in bodies], np.uint16)
        change = (change[:, None] ^ digits).ravel()
    return change


@cache
def _edge_crc() -> npt.NDArray[np.uint16]:
    """Return the CRC of edges with all other digits 0, by 4·late + 2·gate + level."""
    heads = ((letter, gate, level) for letter in "EL" for gate in "AB" for level in "01")
    bodies = (f"{letter} 0000 {gate} {level} 00000000" for letter, gate, level in heads)
    return np.array([crc16(body.encode()) for body in bodies], np.uint16)


@cache
def _beat_crc() -> npt.NDArray[np.uint16]:
    """Return the CRC of beats with all other digits 0, by level of A + 2·level of B."""
    bodies = (f"T 0000 00000000 {levels} 0000" for levels in ("00", "10", "01", "11"))
    return np.array([crc16(body.encode()) for body in bodies], np.uint16)


_HIGH_BITS = np.uint64(0x8080808080808080)
_ZEROS = np.uint64(0x3030303030303030)


def _decimals(block: bytes, start: IntArray, stop: IntArray) -> tuple[Array, BoolArray]:
    """Return the decimal numbers from `start` to `stop`, and which of them are sound."""
    width = stop - start
    words = _gather(block, stop - _DECIMAL_BYTES, "V16").view("<u8").reshape(-1, 2)
    kept = _kept_bytes().take(width, axis=0, mode="clip")
    high = (words[:, 0] ^ _ZEROS) & kept[:, 0]
    low = (words[:, 1] ^ _ZEROS) & kept[:, 1]
    above_nine = high | (high + np.uint64(0x7676767676767676))
    above_nine |= low | (low + np.uint64(0x7676767676767676))
    value = _eight_digits(high) * np.uint64(10**8) + _eight_digits(low)
    sound = (above_nine & _HIGH_BITS) == 0
    sound &= (width >= 1) & (width <= _DECIMAL_BYTES) & (stop >= _DECIMAL_BYTES)
    return value.view(np.int64), sound


@cache
def _kept_bytes() -> npt.NDArray[np.uint64]:
    """Return the masks of two words that keep the last `width` of their 16 bytes."""
    rows = [bytes(16 - width) + b"\xff" * width for width in range(_DECIMAL_BYTES + 1)]
    return np.frombuffer(b"".join(rows), "<u8").reshape(-1, 2)


def _eight_digits(word: Array) -> Array:
    """Return the value of eight bytes 0 … 9 by joining neighbours, the first the highest."""
    word = (word * np.uint64(10) + (word >> np.uint64(8))) & np.uint64(0x00FF00FF00FF00FF)
    word = (word * np.uint64(100) + (word >> np.uint64(16))) & np.uint64(0x0000FFFF0000FFFF)
    return (word * np.uint64(10000) + (word >> np.uint64(32))) & np.uint64(0xFFFFFFFF)
