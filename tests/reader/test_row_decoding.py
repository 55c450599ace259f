"""Bulk decoding: the same as row by row on every input, and quick where it should be."""

import random
import re
import tracemalloc
from collections.abc import Iterable
from dataclasses import fields
from itertools import chain

import numpy as np
import pytest
from hypothesis import example, given, settings
from hypothesis import strategies as st
from row_kit import beat, crc, edge, framed, row

from chrono.arrays import machine_code
from chrono.arrays.events import LEVEL_UNKNOWN, NO_SEQUENCE, Batch, EventKind, Events, Record
from chrono.reader import row_decoding
from chrono.reader.recording_rows import MAX_ROW_BYTES, json_row
from chrono.reader.row_decoding import BULK_BYTES, MAX_SAMPLES, decode_rows
from chrono.rigs.line_kinds import FRAMED, INTERVAL, PLAIN, LineKind

HELLO = framed(b"H 1 16000000 32 gates-328p 1.0")
KINDS = (FRAMED, PLAIN, INTERVAL)


def columns(events: Events) -> list[tuple[int, ...]]:
    """Return events as tuples of plain integers."""
    table = [getattr(events, field.name).tolist() for field in fields(Events)]
    return list(zip(*table, strict=True))


def whole(batches: Iterable[Batch]) -> tuple[object, ...]:
    """Return what several batches say together, independent of how they were cut."""
    events: list[tuple[int, ...]] = []
    controls: list[Record] = []
    rows = damaged = 0
    for batch in batches:
        controls += [
            Record(len(events) + c.position, c.host_us, c.origin, c.data)
            for c in batch.controls
        ]
        events += columns(batch.events)
        rows += batch.rows
        damaged += batch.damaged
    return events, controls, rows, damaged


@pytest.fixture(autouse=True, scope="module")
def _bulk_readers() -> None:
    machine_code.load_numba()


def row_by_row(block: bytes, lines: LineKind) -> tuple[object, ...]:
    """Decode each row by itself, which is too short for the bulk readers."""
    pieces = [piece + b"\n" for piece in block.split(b"\n")[:-1]]
    assert all(len(piece) < BULK_BYTES for piece in pieces)
    return whole(decode_rows(piece, lines) for piece in pieces)


def sample_line(lines: LineKind, draw: random.Random, sequence: int) -> bytes:
    """Return a line of any kind that such a board sends."""
    gate, level = draw.choice("AB"), draw.getrandbits(1)
    counter = draw.getrandbits(draw.choice([4, 20, 32]))
    kind = draw.randrange(6)
    if lines == FRAMED:
        if kind == 0:
            return HELLO
        if kind == 1:
            return beat(sequence, counter, "10", level)
        return edge(sequence, gate, level, counter, "L" if kind == 2 else "E")
    if lines == INTERVAL:
        return b"%d" % counter
    text = f"{gate} {level} {counter}" if kind < 3 else f"{gate} {counter}"
    return text.replace(" ", "," if kind % 2 else " ").encode()


def sample_rows(lines: LineKind, count: int, seed: int = 1, host_us: int = 5) -> list[bytes]:
    """Return rows of every kind that a session with such lines holds."""
    draw = random.Random(seed)
    rows = []
    for sequence in range(count):
        host_us += draw.choice([0, 1, 40, 10**6, 10**9])
        end = rb"\x0D" if draw.randrange(5) == 0 else b""
        rows.append(row(host_us, sample_line(lines, draw, sequence) + end))
        if draw.randrange(20) == 0:
            rows.append(row(host_us, end))
        if draw.randrange(9) == 0:
            rows.append(row(host_us, b'{"name": "two bands"}', b"setup"))
    return rows


def test_every_kind_of_row_becomes_what_the_formats_say() -> None:
    block = b"".join(
        [
            row(0, b'{"format": 1}', b"file"),
            row(10, HELLO),
            row(20, edge(0xA1, "A", 1, 0x3F2A1)),
            row(25, edge(0xA2, "B", 0, 0xFFFFFFFF, "L")),
            row(30, b'{"hold": true}', b"mark"),
            row(35, b"noise"),
            row(40, beat(0xA3, 16_000_000, "01", 3)),
            b"no record\n",
        ]
    )
    batch = decode_rows(block, FRAMED)
    assert columns(batch.events) == [
        (20, EventKind.EDGE, 0, 1, 0x3F2A1, 0xA1, 0),
        (25, EventKind.LATE, 1, 0, 0xFFFFFFFF, 0xA2, 0),
        (35, EventKind.DAMAGED, 0, 0, 0, NO_SEQUENCE, 0),
        (40, EventKind.BEAT, 0, 2, 16_000_000, 0xA3, 3),
    ]
    hello = {
        "version": 1,
        "frequency_hz": 16_000_000,
        "counter_bits": 32,
        "board": "gates-328p",
        "firmware": "1.0",
        "restart": "",
        "has_analog": False,
    }
    assert batch.controls == (
        Record(0, 0, "file", {"format": 1}),
        Record(0, 10, "hello", hello),
        Record(2, 30, "mark", {"hold": True}),
    )
    assert (batch.rows, batch.damaged) == (8, 2)
    assert [(sample.row, sample.text) for sample in batch.samples] == [
        (5, "noise"),
        (7, "no record"),
    ]


def test_plain_lines_and_intervals_become_events() -> None:
    plain = decode_rows(row(1, b"A 12") + row(2, b"B,0,34\\x0D"), PLAIN)
    assert columns(plain.events) == [
        (1, EventKind.EDGE, 0, LEVEL_UNKNOWN, 12, NO_SEQUENCE, 0),
        (2, EventKind.EDGE, 1, 0, 34, NO_SEQUENCE, 0),
    ]
    interval = decode_rows(row(1, b"2750"), INTERVAL)
    assert columns(interval.events) == [(1, EventKind.INTERVAL, 0, 0, 2750, NO_SEQUENCE, 0)]


@pytest.mark.parametrize("lines", KINDS)
@pytest.mark.parametrize("count", [200, 3000])
def test_in_bulk_and_row_by_row_give_the_same(lines: LineKind, count: int) -> None:
    block = b"".join(sample_rows(lines, count))
    assert len(block) >= BULK_BYTES
    assert whole([decode_rows(block, lines)]) == row_by_row(block, lines)


@pytest.mark.parametrize("lines", KINDS)
def test_no_events_array_changes_its_type(lines: LineKind) -> None:
    small = decode_rows(b"".join(sample_rows(lines, 3)), lines).events
    large = decode_rows(b"".join(sample_rows(lines, 3000)), lines).events
    wanted = ["i8", "u1", "u1", "u1", "i8", "i4", "i4"]
    for events in (small, large, decode_rows(b"", lines).events):
        types = [getattr(events, field.name).dtype for field in fields(Events)]
        assert types == [np.dtype(name) for name in wanted]


BYTES = b"\x00\t\r\x1b !,/0123456789:@ABCDEFGLT\\Zabefx\x7f\x80\xb0\xff\n"
"""The bytes that a decoder might take for others, and their neighbours."""

COMMON = {
    "edge": (FRAMED, row(123456, edge(0x09AF, "A", 1, 0x0F2A19BC))),
    "late edge": (FRAMED, row(123456, edge(0xFFFF, "B", 0, 0x99990000, "L"))),
    "beat": (FRAMED, row(1234567890, beat(0xA2, 0xFA9024AF, "01", 0x10))),
    "plain": (PLAIN, row(123456, b"A 1234567890")),
    "plain with level": (PLAIN, row(123456, b"B,1,4294967295")),
    "interval": (INTERVAL, row(12345678901, b"27500")),
}


@pytest.mark.parametrize(("lines", "good"), COMMON.values(), ids=COMMON)
@pytest.mark.parametrize("end", [b"\n", rb"\x0D" + b"\r\n"])
def test_every_byte_of_a_common_row_may_become_another(
    lines: LineKind, good: bytes, end: bytes
) -> None:
    good = good[:-1] + end
    spoilt = [
        good[:place] + bytes([byte]) + good[place + 1 :]
        for place in range(len(good) - 1)
        for byte in BYTES
    ]
    block = good * 50 + b"".join(spoilt) + good * 50
    assert whole([decode_rows(block, lines)]) == row_by_row(block, lines)


@pytest.mark.parametrize(("lines", "good"), COMMON.values(), ids=COMMON)
def test_a_common_row_may_lose_or_double_any_stretch(lines: LineKind, good: bytes) -> None:
    places = range(len(good))
    lost = [good[:a] + good[b:-1] + b"\n" for a in places for b in places[a:]]
    doubled = [good[:b] + good[a:] for a in places for b in places[a:]]
    block = b"".join(lost + doubled) + good * 50
    assert whole([decode_rows(block, lines)]) == row_by_row(block, lines)


@pytest.mark.parametrize("body", [b"E 0123 A 0 089ABCDE", b"T 0123 089ABCDE 10 0F00"])
@pytest.mark.parametrize("wrong", b"/:@Gag \x00`")
def test_digits_outside_the_canonical_ones_are_damage_even_with_a_right_crc(
    body: bytes, wrong: int
) -> None:
    lines = [
        framed(body[:place] + bytes([wrong]) + body[place + 1 :]) for place in range(len(body))
    ]
    good = framed(body)
    spoilt = [line for line in lines if line[:-5] != body]
    block = row(99, good) * 60 + b"".join(row(100, line) for line in spoilt)
    batch = decode_rows(block, FRAMED)
    assert batch.damaged == len(spoilt)
    assert (batch.events.kind == EventKind.DAMAGED).sum() == len(spoilt)


def test_a_right_line_with_any_other_crc_is_damage() -> None:
    body = b"E 00A1 A 1 0003F2A1"
    others = [b"%04X" % value for value in range(0, 1 << 16, 5)]
    bits = [b"%04X" % (int(crc(body), 16) ^ 1 << bit) for bit in range(16)]
    texts = [text for text in others + bits if text != crc(body)]
    batch = decode_rows(b"".join(row(1, body + b" " + text) for text in texts), FRAMED)
    assert batch.damaged == len(texts) >= 13_000


@pytest.mark.parametrize("digits", range(1, 22))
def test_host_times_of_every_width_are_read_or_refused(digits: int) -> None:
    highest = 10**digits - 1
    for lines, line in ((FRAMED, edge(1, "A", 1, 5)), (PLAIN, b"A 5"), (INTERVAL, b"5")):
        block = row(highest, line) * 300
        batch = decode_rows(block, lines)
        assert batch.rows == 300
        assert batch.damaged == (300 if digits > 18 else 0)
        assert set(batch.events.host_us.tolist()) == ({highest} if digits <= 18 else set())


@pytest.mark.parametrize("lines", KINDS)
@pytest.mark.parametrize("seed", range(4))
def test_a_block_may_end_after_any_row(lines: LineKind, seed: int) -> None:
    rows = sample_rows(lines, 250, seed, host_us=10 ** (4 * seed))
    events = [columns(decode_rows(each, lines).events) for each in rows]
    for count in range(100, len(rows)):
        batch = decode_rows(b"".join(rows[:count]), lines)
        assert columns(batch.events) == list(chain.from_iterable(events[:count]))


edits = st.tuples(
    st.sampled_from(["set", "insert", "drop", "double"]),
    st.integers(0, 5000),
    st.integers(1, 50),
    st.sampled_from(BYTES),
)


def edited(block: bytes, changes: list[tuple[str, int, int, int]]) -> bytes:
    """Set, insert, drop and double bytes, tabs and newlines among them."""
    spoilt = bytearray(block)
    for action, where, length, byte in changes:
        place = where % len(spoilt)
        stretch = spoilt[place : place + length]
        match action:
            case "set":
                spoilt[place] = byte
            case "insert":
                spoilt[place:place] = bytes([byte])
            case "drop":
                del spoilt[place + 1 : place + length]
            case "double":
                spoilt[place:place] = stretch
    return bytes(spoilt) + b"\n"


@settings(max_examples=40, deadline=None)
@given(
    lines=st.sampled_from(KINDS),
    seed=st.integers(0, 20),
    first_us=st.integers(0, 10**12),
    changes=st.lists(edits, max_size=30),
    cut=st.integers(0, 200),
)
def test_damaged_blocks_decode_the_same_whatever_the_cut(
    lines: LineKind,
    seed: int,
    first_us: int,
    changes: list[tuple[str, int, int, int]],
    cut: int,
) -> None:
    block = edited(b"".join(sample_rows(lines, 110, seed, first_us)), changes)
    rows = [piece + b"\n" for piece in block.split(b"\n")[:-1]]
    pieces = [b"".join(rows[:cut]), b"".join(rows[cut:])]
    expected = row_by_row(block, lines)
    assert whole([decode_rows(block, lines)]) == expected
    assert whole(decode_rows(piece, lines) for piece in pieces) == expected


EMPTY_LINE = re.compile(rb"[0-9]{1,18}\tboard\t(\\x0D)?\r?")


@settings(deadline=None)
@given(block=st.binary(max_size=300), repeat=st.sampled_from([1, 100]))
@example(block=b"\n", repeat=5000)
@example(block=b"\t", repeat=5000)
@example(block=b"\t\t\n", repeat=5000)
@example(block=b"5\tboard\t", repeat=5000)
@example(block=b"5\tboard\t\n", repeat=5000)
def test_no_bytes_at_all_raise(block: bytes, repeat: int) -> None:
    for lines in KINDS:
        batch = decode_rows(block * repeat, lines)
        assert batch.rows == (block * repeat).count(b"\n") + (
            (block * repeat)[-1:] not in (b"", b"\n")
        )
        rows = (block * repeat).split(b"\n")[:-1]
        nothing = sum(EMPTY_LINE.fullmatch(text) is not None for text in rows)
        assert batch.damaged + len(batch.events) + len(batch.controls) >= batch.rows - nothing


@pytest.mark.parametrize("count", [3, 300])
def test_bytes_after_the_last_newline_are_one_damaged_row(count: int) -> None:
    good = row(1, b"A 1") * count
    batch = decode_rows(good + b"2\tboard\tA 12", PLAIN)  # may have been A 123
    assert (batch.rows, batch.damaged) == (count + 1, 1)
    assert batch.events.kind.tolist() == [EventKind.EDGE] * count + [EventKind.DAMAGED]
    assert batch.samples[0].reason == "the end of the row is missing"


@pytest.mark.parametrize(("lines", "good"), COMMON.values(), ids=COMMON)
@pytest.mark.parametrize("end", [b"\n", rb"\x0D" + b"\n"])
def test_common_lines_never_go_row_by_row(
    lines: LineKind, good: bytes, end: bytes, monkeypatch: pytest.MonkeyPatch
) -> None:
    seen: list[bytes] = []
    definition = row_decoding.parse_row

    def counted(text: bytes, kind: LineKind) -> object:
        seen.append(text)
        return definition(text, kind)

    monkeypatch.setattr(row_decoding, "parse_row", counted)
    batch = decode_rows((good[:-1] + end) * 1000, lines)
    assert (len(batch.events), batch.damaged) == (1000, 0)
    assert len(seen) <= 2  # the last ones, behind which a row of any length would not fit


def test_a_line_of_100_megabytes_is_one_damaged_line() -> None:
    block = b"7\tboard\t" + b"E" * 100_000_000 + b"\n" + row(8, beat(1, 2))
    batch = decode_rows(block, FRAMED)
    assert (batch.rows, batch.damaged) == (2, 1)
    assert batch.events.kind.tolist() == [EventKind.DAMAGED, EventKind.BEAT]
    assert batch.events.host_us.tolist() == [7, 8]
    assert batch.samples[0].reason == "the row is longer than 1 MB"


def test_a_record_above_1_megabyte_is_damage() -> None:
    block = row(7, b'{"name": "%s"}' % (b"x" * MAX_ROW_BYTES), b"setup")
    batch = decode_rows(block, FRAMED)
    assert (batch.rows, batch.damaged, batch.controls) == (1, 1, ())


@pytest.mark.parametrize("is_bulk", [True, False])
def test_a_sample_names_its_row_among_all_rows(is_bulk: bool, monkeypatch) -> None:
    monkeypatch.setattr(machine_code, "numba_is_loaded", lambda: is_bulk)
    rows = [row(i, edge(i, "A", i % 2, 1000 * i)) for i in range(300)]
    rows[100] = json_row(100, "mark", {"action": "hold-on"})
    rows[150], rows[200] = row(150, b"noise"), b"x\n"
    block = b"".join(rows)
    assert len(block) >= BULK_BYTES
    assert [sample.row for sample in decode_rows(block, FRAMED).samples] == [150, 200]


def test_samples_are_few_short_and_safe_to_show() -> None:
    nasty = b"\x1b[2J\x07=cmd()" + b"x" * 1000
    batch = decode_rows(row(1, nasty) * 100, FRAMED)
    assert (len(batch.samples), batch.damaged) == (MAX_SAMPLES, 100)
    for sample in batch.samples:
        assert len(sample.text) < 200
        assert sample.text.isprintable()
        assert sample.text.startswith(r"\x1B[2J\x07=cmd()")


def test_ten_thousand_setups_are_ten_thousand_controls() -> None:
    batch = decode_rows(row(1, b'{"name": "a"}', b"setup") * 10_000, FRAMED)
    assert len(batch.controls) == 10_000
    assert len(batch.events) == 0


@pytest.mark.parametrize("lines", KINDS)
@pytest.mark.parametrize("end", [b"", rb"\x0D", b"\r", rb"\x0D" + b"\r"])
@pytest.mark.parametrize("count", [1, 500])
def test_an_empty_line_is_neither_an_event_nor_damage(
    lines: LineKind, end: bytes, count: int
) -> None:
    batch = decode_rows((row(5, end) + row(6, b"noise")) * count, lines)
    assert (batch.rows, batch.damaged, len(batch.events)) == (2 * count, count, count)
    assert set(batch.events.host_us.tolist()) == {6}
    assert all(sample.text == "noise" for sample in batch.samples)


def test_an_empty_line_that_is_cut_off_is_damage() -> None:
    batch = decode_rows(b"5\tboard\t", FRAMED)
    assert (batch.damaged, batch.samples[0].reason) == (1, "the end of the row is missing")


@pytest.mark.parametrize(
    ("piece", "damaged"), [(b"\n", 1), (b"5\tboar\n", 1), (b"5\tboard\t\n", 0)]
)
def test_a_block_of_tiny_rows_takes_bounded_memory(piece: bytes, damaged: int) -> None:
    block = piece * (200_000 // len(piece))
    tracemalloc.start()
    batch = decode_rows(block, FRAMED)
    peak = tracemalloc.get_traced_memory()[1]
    tracemalloc.stop()
    assert batch.damaged == damaged * block.count(b"\n")
    assert peak < 100 * len(block)
