"""Rows of a recording to a batch of events, in bulk.

Good lines of the common kinds never meet a Python loop: rows are gathered as records of
bytes, numbers are read by tables and by arithmetic on 64-bit words, and a line's CRC is
the XOR of one table entry per field. Whatever this does not accept goes row by row to
`rows.parse_row`, which is the definition; the two agree on every input.
"""

import re
from collections.abc import Callable, Iterable
from dataclasses import dataclass, replace
from dataclasses import fields as dataclass_fields
from functools import cache

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
from chrono.reader.rows import BOARD, MAX_ROW_BYTES, Row, parse_row
from chrono.reader.words import (
    DECIMAL_BYTES,
    Array,
    BoolArray,
    IntArray,
    crc_change,
    decimals,
    fits,
    gather,
    hex_values,
    record_dtype,
)

BULK_BYTES = 2000
"""A shorter block is read row by row, which is quicker there."""

MAX_SAMPLES = 5
MAX_SAMPLE_CHARS = 120


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
    if block and not block.endswith(b"\n"):
        newline = np.append(newline, len(block))
    start = np.zeros_like(newline)
    start[1:] = newline[:-1] + 1
    if len(block) < BULK_BYTES or newline[-1] == len(block):
        nothing = np.zeros(len(newline), np.int64)
        events, read = _events(nothing, Kind.DAMAGED, nothing.copy()), nothing != 0
    else:
        events, read = _READERS[lines](_find_fields(block, start, newline))
    rest = np.flatnonzero(~read)
    places = zip(rest.tolist(), start[rest].tolist(), newline[rest].tolist(), strict=True)
    return _read_rest(block, places, lines, events)


def _events(
    host_us: Array,
    kind: Kind,
    counter: Array,
    *,
    gate: Array | None = None,
    level: Array | None = None,
) -> Events:
    count = len(counter)
    return Events(
        host_us=host_us,
        kind=np.full(count, kind, np.uint8),
        gate=np.zeros(count, np.uint8) if gate is None else gate,
        level=np.zeros(count, np.uint8) if level is None else level,
        counter=counter,
        sequence=np.full(count, NO_SEQUENCE, np.int32),
        lost=np.zeros(count, np.int32),
    )


# Row by row: other records, damage, and whatever else the bulk readers left.


def _read_rest(
    block: bytes, places: Iterable[tuple[int, int, int]], lines: Lines, events: Events
) -> Batch:
    """Read the rows given by number, start and end, and complete the batch."""
    others: list[tuple[int, Row]] = []
    samples: list[Sample] = []
    damaged = 0
    for number, start, end in places:
        text = block[start : min(end, start + MAX_ROW_BYTES + 2)]
        row = parse_row(text, lines)
        if end == len(block):
            row = replace(row, content=Damage("cut before its end"))
        if isinstance(row.content, Damage):
            damaged += 1
            if len(samples) < MAX_SAMPLES:
                samples.append(Sample(number, _shown(text, row), row.content.reason))
        if row.origin == BOARD:
            event = row.content if isinstance(row.content, Event) else _DAMAGED
            _put(events, number, row.host_us, event)
        else:
            others.append((number, row))
    rows = len(events)
    if others:
        events, controls = _taken_out(events, others)
    else:
        controls = ()
    return Batch(events, controls, rows=rows, damaged=damaged, samples=tuple(samples))


_DAMAGED = Event(Kind.DAMAGED, 0)


def _put(events: Events, number: int, host_us: int, event: Event) -> None:
    events.host_us[number] = host_us
    events.kind[number] = event.kind
    events.gate[number] = event.gate
    events.level[number] = event.level
    events.counter[number] = event.counter
    events.sequence[number] = event.sequence
    events.lost[number] = event.lost


def _taken_out(
    events: Events, others: list[tuple[int, Row]]
) -> tuple[Events, tuple[Control, ...]]:
    """Return the events without rows that are none, and what these rows are instead."""
    keep = np.ones(len(events), np.bool_)
    keep[[number for number, _ in others]] = False
    before = np.cumsum(keep)
    controls = tuple(
        Control(int(before[number]), row.host_us, row.origin, row.content)
        for number, row in others
        if isinstance(row.content, dict)
    )
    columns = (getattr(events, field.name)[keep] for field in dataclass_fields(Events))
    return Events(*columns), controls


def _shown(text: bytes, row: Row) -> str:
    """Return a damaged line, or row if it is no record, such that no terminal acts on it."""
    line = text.split(b"\t", 2)[2] if row.origin else text
    words = line[:MAX_SAMPLE_CHARS].decode("ascii", "backslashreplace")
    return _CONTROL.sub(lambda byte: f"\\x{ord(byte[0]):02X}", words)


_CONTROL = re.compile(r"[\x00-\x1F\x7F]")


# In bulk: every row is read as if it were of the commonest kind, a mask tells which were.


@dataclass(frozen=True, eq=False)
class _Fields:
    """Where the first field of each row, the host's time, ends, and how long the rest is."""

    block: bytes
    width: IntArray
    tab: IntArray
    length: IntArray


def _find_fields(block: bytes, start: IntArray, newline: IntArray) -> _Fields:
    buffer = np.frombuffer(block, np.uint8)
    width = _host_widths(buffer, start)
    tab = start + width
    return _Fields(block, width, tab, _ends(block, buffer, newline) - tab)


def _host_widths(buffer: Array, start: IntArray) -> IntArray:
    """
    Return the number of bytes before each row's tab, 0 where none is found.

    The host's clock runs on, so nearly all rows of a block have the width of any of them.
    """
    middle = start[len(start) // 2]
    likely = int(np.argmax(buffer[middle : middle + DECIMAL_BYTES + 1] == ord("\t")))
    width = np.full_like(start, likely)
    pending = np.flatnonzero(buffer.take(start + likely, mode="clip") != ord("\t"))
    width[pending] = 0
    for guess in range(1, DECIMAL_BYTES + 1):
        hit = buffer.take(start[pending] + guess, mode="clip") == ord("\t")
        width[pending[hit]] = guess
        pending = pending[~hit]
    return width


def _ends(block: bytes, buffer: Array, newline: IntArray) -> IntArray:
    """Return where rows end; a carriage return, as a byte or escaped, is left out."""
    if b"\r" not in block and b"\\" not in block:
        return newline
    last = buffer.take(newline - 1, mode="clip")
    end: IntArray = newline - (last == ord("\r"))
    escaped = np.flatnonzero(
        (last == ord("D")) & (buffer.take(end - 4, mode="clip") == ord("\\"))
    )
    if escaped.size:
        last_four = gather(block, end[escaped] - 4, "<u4")
        end[escaped] -= 4 * (last_four == int.from_bytes(b"\\x0D", "little"))
    return end


def _read_framed(fields: _Fields) -> tuple[Events, BoolArray]:
    events, read = _read_edges(fields)
    row = np.flatnonzero(~read & (fields.length == len(_BEAT_LINE)))
    if row.size:
        read[row] = _read_beats(fields, row, events)
    return events, read


def _read_edges(fields: _Fields) -> tuple[Events, BoolArray]:
    record = gather(fields.block, fields.tab - DECIMAL_BYTES, _EDGE)
    host_us, sound = decimals(record["host"], fields.width)
    (sequence, high, low, crc), canonical = hex_values(
        record, ("sequence", "high", "low", "crc")
    )
    letter, gate, level = (record[name].copy() for name in ("letter", "gate", "level"))
    late = letter == ord("L")
    gate -= ord("A")
    level -= ord("0")
    wanted = _edge_crc().take(late * np.uint8(4) + gate * np.uint8(2) + level, mode="clip")
    for at, value in ((2, sequence), (11, high), (15, low)):
        wanted ^= crc_change(_EDGE_BODY, at).take(value, mode="clip")
    read = sound & canonical & (crc == wanted) & (fields.tab >= DECIMAL_BYTES)
    read &= (late | (letter == ord("E"))) & (gate <= 1) & (level <= 1)
    read &= fits(record, _EDGE_LINE) & (fields.length == len(_EDGE_LINE))
    events = Events(
        host_us=host_us,
        kind=late.view(np.uint8),
        gate=gate,
        level=level,
        counter=(high << 16 | low).astype(np.int64),
        sequence=sequence.view(np.int32),
        lost=np.zeros(len(read), np.int32),
    )
    return events, read


def _read_beats(fields: _Fields, row: IntArray, events: Events) -> BoolArray:
    record = gather(fields.block, fields.tab[row] - DECIMAL_BYTES, _BEAT)
    host_us, sound = decimals(record["host"], fields.width[row])
    names = ("sequence", "high", "low", "lost", "crc")
    (sequence, high, low, lost, crc), canonical = hex_values(record, names)
    level_a = record["level_a"] - ord("0")
    level_b = record["level_b"] - ord("0")
    wanted = _beat_crc().take(level_a + level_b * np.uint8(2), mode="clip")
    for at, value in ((2, sequence), (7, high), (11, low), (19, lost)):
        wanted ^= crc_change(_BEAT_BODY, at).take(value, mode="clip")
    read: BoolArray = sound & canonical & (crc == wanted)
    read &= (fields.tab[row] >= DECIMAL_BYTES) & (level_a <= 1) & (level_b <= 1)
    read &= fits(record, _BEAT_LINE)
    events.host_us[row] = host_us
    events.kind[row] = Kind.BEAT
    events.gate[row] = 0
    events.level[row] = level_a + level_b * np.uint8(2)
    events.counter[row] = high << 16 | low
    events.sequence[row] = sequence
    events.lost[row] = lost
    return read


def _read_plain(fields: _Fields) -> tuple[Events, BoolArray]:
    record = gather(fields.block, fields.tab - DECIMAL_BYTES, _PLAIN)
    host_us, sound = decimals(record["host"], fields.width)
    gate = record["gate"] - ord("A")
    level = record["level"] - ord("0")
    levelled = (level <= 1) & _separates(record["second"])
    level[~levelled] = LEVEL_UNKNOWN
    before = np.where(levelled, len(b"\tboard\tA 1 "), len(b"\tboard\tA "))
    counter, whole = _last_decimals(fields, before)
    read = sound & whole & (fields.tab >= DECIMAL_BYTES) & fits(record, _ORIGIN)
    read &= _separates(record["first"]) & (gate <= 1)
    return _events(host_us, Kind.EDGE, counter, gate=gate, level=level), read


def _read_intervals(fields: _Fields) -> tuple[Events, BoolArray]:
    record = gather(fields.block, fields.tab - DECIMAL_BYTES, _INTERVAL)
    host_us, sound = decimals(record["host"], fields.width)
    transit, whole = _last_decimals(fields, len(_ORIGIN))
    read = sound & whole & (fields.tab >= DECIMAL_BYTES) & fits(record, _ORIGIN)
    return _events(host_us, Kind.INTERVAL, transit), read


_READERS: dict[Lines, Callable[[_Fields], tuple[Events, BoolArray]]] = {
    "framed": _read_framed,
    "plain": _read_plain,
    "interval": _read_intervals,
}

# Records: a row from 16 bytes before its first tab on. In patterns `?` stands for any byte.

_ORIGIN = b"\tboard\t"
_EDGE_LINE = b"\tboard\t? ???? ? ? ???????? ????"
_BEAT_LINE = b"\tboard\tT ???? ???????? ?? ???? ????"
_EDGE_BODY = len("E 0000 A 0 00000000")
_BEAT_BODY = len("T 0000 00000000 00 0000")


_EDGE = record_dtype(
    4,
    letter=("u1", 7),
    sequence=("<u4", 9),
    gate=("u1", 14),
    level=("u1", 16),
    high=("<u4", 18),
    low=("<u4", 22),
    crc=("<u4", 27),
)
_BEAT = record_dtype(
    5,
    sequence=("<u4", 9),
    high=("<u4", 14),
    low=("<u4", 18),
    level_a=("u1", 23),
    level_b=("u1", 24),
    lost=("<u4", 26),
    crc=("<u4", 31),
)
_PLAIN = record_dtype(2, gate=("u1", 7), first=("u1", 8), level=("u1", 9), second=("u1", 10))
_INTERVAL = record_dtype(1)


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


def _separates(byte: Array) -> BoolArray:
    separates: BoolArray = (byte == ord(" ")) | (byte == ord(","))
    return separates


def _last_decimals(fields: _Fields, before: IntArray | int) -> tuple[Array, BoolArray]:
    """Return the numbers that begin `before` bytes after the tab and end with their row."""
    stop = fields.tab + fields.length - DECIMAL_BYTES
    words = gather(fields.block, stop, "V16").view("<u8").reshape(-1, 2)
    value, sound = decimals(words, fields.length - before)
    return value, sound & (stop >= 0)
