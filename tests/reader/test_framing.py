"""Bytes to lines: any cut, any bytes, no byte lost."""

from itertools import pairwise

from hypothesis import given
from hypothesis import strategies as st

from chrono.reader.line_grammar import MAX_LINE_BYTES
from chrono.reader.port_reader import PIECE_BYTES, LineFramer, StampedLine

STREAM = b"E 00A1 A 1 0003F2A1 1234\nT 00A2 00F42400 00 0000 ABCD\r\n\nnoise\xff\x00\nA 12"
WHOLE = [b"E 00A1 A 1 0003F2A1 1234", b"T 00A2 00F42400 00 0000 ABCD\r", b"", b"noise\xff\x00"]


def fed(pieces: list[bytes]) -> tuple[list[StampedLine], bytes]:
    framer = LineFramer()
    lines = [line for i, piece in enumerate(pieces) for line in framer.feed(i, piece)]
    return lines, framer.take_unfinished()


def cut(data: bytes, places: list[int]) -> list[bytes]:
    bounds = [0, *sorted(p % (len(data) + 1) for p in places), len(data)]
    return [data[a:b] for a, b in pairwise(bounds)]


def test_a_stream_read_whole_gives_its_lines_without_newlines() -> None:
    lines, rest = fed([STREAM])
    assert [line for _, line in lines] == WHOLE
    assert rest == b"A 12"


def test_a_stream_read_byte_by_byte_gives_the_same_lines() -> None:
    lines, rest = fed([STREAM[i : i + 1] for i in range(len(STREAM))])
    assert [line for _, line in lines] == WHOLE
    assert rest == b"A 12"


def test_a_line_carries_the_time_at_which_its_last_byte_was_read() -> None:
    framer = LineFramer()
    assert framer.feed(100, b"A 1") == []
    assert framer.feed(200, b"23\nB 456\nB") == [(200, b"A 123"), (200, b"B 456")]
    assert framer.feed(300, b"\n") == [(300, b"B")]


def test_the_unfinished_line_is_taken_once() -> None:
    framer = LineFramer()
    framer.feed(0, b"A 12")
    assert framer.take_unfinished() == b"A 12"
    assert framer.feed(1, b"34\n") == [(1, b"34")]


@given(st.binary(max_size=400), st.lists(st.integers(min_value=0), max_size=20))
def test_any_bytes_cut_anywhere_give_what_splitting_at_newlines_gives(
    data: bytes, places: list[int]
) -> None:
    lines, rest = fed(cut(data, places))
    assert [*(line for _, line in lines), rest] == data.split(b"\n")


@given(
    st.lists(
        st.tuples(
            st.sampled_from([b"x", b"7", b"ab\n", b"\n"]), st.integers(1, 3 * PIECE_BYTES)
        ),
        max_size=6,
    ),
    st.lists(st.integers(min_value=0), max_size=20),
)
def test_lines_without_end_come_in_pieces_and_no_byte_is_lost(
    runs: list[tuple[bytes, int]], places: list[int]
) -> None:
    data = b"".join(text * times for text, times in runs)
    lines, rest = fed(cut(data, places))
    assert b"".join([*(line for _, line in lines), rest]) == data.replace(b"\n", b"")


@given(st.integers(2 * PIECE_BYTES, 9 * PIECE_BYTES), st.integers(1, 3 * PIECE_BYTES))
def test_no_piece_of_an_endless_line_can_pass_for_a_line(length: int, step: int) -> None:
    data = b"7" * length + b"\n"
    lines, _ = fed([data[i : i + step] for i in range(0, len(data), step)])
    assert len(lines) > 1
    assert all(MAX_LINE_BYTES < len(line) < 2 * PIECE_BYTES for _, line in lines)


def test_memory_stays_bounded_when_no_newline_ever_comes() -> None:
    framer = LineFramer()
    given_out = 0
    for i in range(1000):
        given_out += sum(len(line) for _, line in framer.feed(i, b"\xaa" * 1000))
    assert 1_000_000 - 2 * PIECE_BYTES < given_out <= 1_000_000
    assert len(framer.take_unfinished()) == 1_000_000 - given_out
