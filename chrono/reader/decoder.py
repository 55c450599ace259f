"""Rows of a recording to a batch of events, in bulk.

Good lines of the common kinds never meet a Python loop: rows are gathered as records of
bytes, numbers are read by tables and by arithmetic on 64-bit words, and a line's CRC is
the XOR of one table entry per field. Whatever this does not accept goes row by row to
`rows.parse_row`, which is the definition; the two agree on every input.
"""

import re
from collections.abc import Callable, Iterable, Iterator
from dataclasses import dataclass, fields
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
    Words,
    crc_change,
    decimals,
    field,
    fits,
    gather,
    hex_values,
)

BULK_BYTES = 2000
"""A shorter block is read row by row, which is quicker there."""

SHORTEST_RECORD = len(b"0\tboard\t")
"""A row of fewer bytes is damaged whatever they are."""

SHORTEST_ROW = len(b"0\tboard\t5\n")
"""A block whose rows are shorter on average is no recording, and would take much memory."""

KEPT_BYTES = 16 << 20
"""Above what decoding a block takes."""

MAX_SAMPLES = 5
MAX_SAMPLE_CHARS = 120


def decode_rows(block: bytes, lines: Lines) -> Batch:
    """
    Decode whole rows of a recording.

    Parameters
    ----------
    block : bytes
        Rows, each ended by a newline. Blocks of 1 or 2 MB are quickest.
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
    if len(block) < max(BULK_BYTES, SHORTEST_ROW * len(newline)) or newline[-1] == len(block):
        nothing = np.zeros(len(newline), np.int64)
        events, read = _events(nothing, Kind.DAMAGED, nothing.copy()), nothing != 0
    else:
        _keep_freed_memory()
        events, read = _READERS[lines](_find_rows(block, start, newline))
    rest = np.flatnonzero(~read)
    _put(events, rest, 0, _DAMAGED)
    tiny = newline[rest] - start[rest] < SHORTEST_RECORD
    tiny[np.flatnonzero(tiny)[:MAX_SAMPLES]] = False
    places = _places(rest[~tiny], start, newline)
    return _read_rest(block, places, rest[tiny], lines, events)


def _places(
    row: IntArray, start: IntArray, newline: IntArray
) -> Iterator[tuple[int, int, int]]:
    """Yield the rows' numbers, starts and ends, few at a time made Python's integers."""
    for begin in range(0, len(row), 10_000):
        part = row[begin : begin + 10_000]
        yield from zip(part.tolist(), start[part].tolist(), newline[part].tolist(), strict=True)


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
    block: bytes,
    places: Iterable[tuple[int, int, int]],
    no_records: IntArray,
    lines: Lines,
    events: Events,
) -> Batch:
    """Read the rows given by number, start and end, damaged so far, and complete the batch."""
    records: list[tuple[int, Row]] = []
    samples: list[Sample] = []
    damaged = len(no_records)
    is_event = np.ones(len(events), np.bool_)
    is_event[no_records] = False
    for number, start, end in places:
        text = block[start : min(end, start + MAX_ROW_BYTES + 2)]
        row = parse_row(text, lines)
        if end == len(block):
            row = row._replace(content=Damage("cut before its end"))
        host_us, origin, content = row
        if isinstance(content, Damage):
            damaged += 1
            if len(samples) < MAX_SAMPLES:
                samples.append(Sample(number, _shown(text, row), content.reason))
        elif isinstance(content, Event):
            _put(events, number, host_us, content)
        elif content is not None:
            records.append((number, row))
        if origin == BOARD and content is not None:
            events.host_us[number] = host_us
        else:
            is_event[number] = False
    return Batch(
        events=events if is_event.all() else _chosen(events, is_event),
        controls=_controls(records, is_event),
        rows=len(events),
        damaged=damaged,
        samples=tuple(samples),
    )


_DAMAGED = Event(Kind.DAMAGED, 0)


def _put(events: Events, number: int | IntArray, host_us: int, event: Event) -> None:
    events.host_us[number] = host_us
    events.kind[number] = event.kind
    events.gate[number] = event.gate
    events.level[number] = event.level
    events.counter[number] = event.counter
    events.sequence[number] = event.sequence
    events.lost[number] = event.lost


def _chosen(events: Events, choice: BoolArray) -> Events:
    return Events(*(getattr(events, column.name)[choice] for column in fields(Events)))


def _controls(records: list[tuple[int, Row]], is_event: BoolArray) -> tuple[Control, ...]:
    if not records:
        return ()
    before = np.cumsum(is_event)
    return tuple(
        Control(int(before[number]), row.host_us, row.origin, row.content)
        for number, row in records
        if isinstance(row.content, dict)
    )


def _shown(text: bytes, row: Row) -> str:
    """Return a damaged line, or row if it is no record, such that no terminal acts on it."""
    line = text.split(b"\t", 2)[2] if row.origin else text
    words = line[:MAX_SAMPLE_CHARS].decode("ascii", "backslashreplace")
    return _CONTROL.sub(lambda byte: f"\\x{ord(byte[0]):02X}", words)


_CONTROL = re.compile(r"[\x00-\x1F\x7F]")


# In bulk: every row is read as if it were of the commonest kind, a mask tells which were.


@dataclass(frozen=True, eq=False)
class _Rows:
    """
    Rows of a block.

    `tab` is where the first tab is, `length` the number of bytes from there to the row's
    end, `words` the bytes about the tab, `host_us` the number before it where `sound`.
    """

    block: bytes
    tab: IntArray
    length: IntArray
    words: Words
    host_us: Array
    sound: BoolArray


def _find_rows(block: bytes, start: IntArray, newline: IntArray) -> _Rows:
    buffer = np.frombuffer(block, np.uint8)
    width = _host_widths(buffer, start)
    tab = start + width
    words = gather(block, tab - _TAB, _WORDS)
    host_us, sound = decimals(words[: _TAB // 8], width)
    sound &= (tab >= _TAB) & (tab <= len(block) - 8 * _WORDS + _TAB)
    return _Rows(block, tab, _ends(block, buffer, newline) - tab, words, host_us, sound)


def _host_widths(buffer: Array, start: IntArray) -> IntArray:
    """
    Return the number of bytes before each row's first tab, or one number for all of them.

    The host's clock runs on, so if the first and the last row of a block agree, the others
    do: those that do not are left to be read row by row, as are all without a tab.
    """
    first, last = (_host_width(buffer, int(start[row])) for row in (0, -1))
    if first == last:
        return np.array([first])
    width = np.zeros_like(start)
    pending = np.arange(len(start))
    for guess in range(1, DECIMAL_BYTES + 1):
        hit = buffer.take(start[pending] + guess, mode="clip") == ord("\t")
        width[pending[hit]] = guess
        pending = pending[~hit]
    return width


def _host_width(buffer: Array, start: int) -> int:
    return int(np.argmax(buffer[start : start + DECIMAL_BYTES + 1] == ord("\t")))


def _ends(block: bytes, buffer: Array, newline: IntArray) -> IntArray:
    """
    Return where rows end; a carriage return, as a byte or escaped, is left out.

    A board ends all its lines the same way, so a few tell whether to look at all.
    """
    some = newline[:: len(newline) // 8 + 1].tolist()
    if not any(block.endswith((b"\r", rb"\x0D"), 0, end) for end in some):
        return newline
    last = buffer.take(newline - 1, mode="clip")
    end: IntArray = newline - (last == ord("\r"))
    last_four = gather(block, end - 8, 1)[0] >> np.uint64(32)
    end -= 4 * (last_four == int.from_bytes(rb"\x0D", "little"))
    return end


def _read_framed(rows: _Rows) -> tuple[Events, BoolArray]:
    events, read = _read_edges(rows)
    beat = np.flatnonzero(~read & rows.sound & (rows.length == len(_BEAT_LINE)))
    if beat.size:
        read[beat] = _read_beats(rows.words.take(beat, axis=1), beat, events)
    return events, read


def _read_edges(rows: _Rows) -> tuple[Events, BoolArray]:
    words = rows.words
    (sequence, high, low, crc), canonical = hex_values(words, _EDGE_HEX)
    letter, gate, level = (field(words, place, np.uint8) for place in _EDGE_LETTERS)
    late = letter == ord("L")
    gate -= ord("A")
    level -= ord("0")
    wanted = _edge_crc().take(late * np.uint8(4) + gate * np.uint8(2) + level, mode="clip")
    for at, value in ((2, sequence), (11, high), (15, low)):
        wanted ^= crc_change(_EDGE_BODY, at).take(value, mode="clip")
    read = rows.sound & (rows.length == len(_EDGE_LINE)) & fits(words, _TAB, _EDGE_LINE)
    read &= canonical & (crc == wanted)
    read &= (late | (letter == ord("E"))) & (gate <= 1) & (level <= 1)
    events = Events(
        host_us=rows.host_us,
        kind=late.view(np.uint8),  # Kind.EDGE is 0, Kind.LATE 1
        gate=gate,
        level=level,
        counter=(high << 16 | low).astype(np.int64),
        sequence=sequence.view(np.int32),
        lost=np.zeros(len(read), np.int32),
    )
    return events, read


def _read_beats(words: Words, row: IntArray, events: Events) -> BoolArray:
    """Put the beats among these lines into the rows numbered `row`; tell which they are."""
    (sequence, high, low, lost, crc), canonical = hex_values(words, _BEAT_HEX)
    level_a, level_b = (field(words, place, np.uint8) - ord("0") for place in _BEAT_LEVELS)
    level = level_a + level_b * np.uint8(2)
    wanted = _beat_crc().take(level, mode="clip")
    for at, value in ((2, sequence), (7, high), (11, low), (19, lost)):
        wanted ^= crc_change(_BEAT_BODY, at).take(value, mode="clip")
    read = fits(words, _TAB, _BEAT_LINE) & canonical & (crc == wanted)
    read &= (level_a <= 1) & (level_b <= 1)
    events.kind[row] = Kind.BEAT
    events.gate[row] = 0
    events.level[row] = level
    events.counter[row] = high << 16 | low
    events.sequence[row] = sequence
    events.lost[row] = lost
    return read


def _read_plain(rows: _Rows) -> tuple[Events, BoolArray]:
    gate, first, level, second = (field(rows.words, place, np.uint8) for place in _PLAIN)
    gate -= ord("A")
    level -= ord("0")
    levelled = (level <= 1) & _separates(second)
    level[~levelled] = LEVEL_UNKNOWN
    before = np.where(levelled, len(b"\tboard\tA 1 "), len(b"\tboard\tA "))
    counter, whole = _last_decimals(rows, before)
    read: BoolArray = rows.sound & whole & fits(rows.words, _TAB, _ORIGIN)
    read &= _separates(first) & (gate <= 1)
    return _events(rows.host_us, Kind.EDGE, counter, gate=gate, level=level), read


def _read_intervals(rows: _Rows) -> tuple[Events, BoolArray]:
    transit, whole = _last_decimals(rows, len(_ORIGIN))
    read = rows.sound & whole & fits(rows.words, _TAB, _ORIGIN)
    return _events(rows.host_us, Kind.INTERVAL, transit), read


_READERS: dict[Lines, Callable[[_Rows], tuple[Events, BoolArray]]] = {
    "framed": _read_framed,
    "plain": _read_plain,
    "interval": _read_intervals,
}

_TAB = DECIMAL_BYTES
"""Place of the first tab within the gathered bytes; the host's time stands before it."""

_WORDS = 7
_ORIGIN = b"\tboard\t"
_EDGE_LINE = b"\tboard\t? ???? ? ? ???????? ????"
_EDGE_LETTERS = _TAB + 7, _TAB + 14, _TAB + 16
_EDGE_HEX = _TAB + 9, _TAB + 18, _TAB + 22, _TAB + 27
_EDGE_BODY = len("E 0000 A 0 00000000")
_BEAT_LINE = b"\tboard\tT ???? ???????? ?? ???? ????"
_BEAT_LEVELS = _TAB + 23, _TAB + 24
_BEAT_HEX = _TAB + 9, _TAB + 14, _TAB + 18, _TAB + 26, _TAB + 31
_BEAT_BODY = len("T 0000 00000000 00 0000")
_PLAIN = _TAB + 7, _TAB + 8, _TAB + 9, _TAB + 10


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


def _last_decimals(rows: _Rows, before: IntArray | int) -> tuple[Array, BoolArray]:
    """Return the numbers that begin `before` bytes after the tab and end with their row."""
    at = rows.tab + rows.length - DECIMAL_BYTES
    words = gather(rows.block, at, DECIMAL_BYTES // 8)
    value, sound = decimals(words, rows.length - before)
    return value, sound & (at >= 0)


@cache
def _keep_freed_memory() -> None:
    """Free one large array: glibc from then on keeps freed memory of that size for us."""
    np.empty(KEPT_BYTES, np.uint8)
