"""Rows of a recording: escaping, records of our own, and hostile ones."""

import json
from typing import Any

import pytest
from hypothesis import given
from hypothesis import strategies as st
from row_kit import edge, row

from chrono.arrays.events import EventKind
from chrono.reader.line_grammar import Event, LineDamage
from chrono.reader.recording_rows import (
    MAX_ROW_BYTES,
    board_row,
    escape,
    json_row,
    parse_row,
    unescape,
)
from chrono.rigs.line_kinds import FRAMED, LINE_KINDS, PLAIN


def test_bytes_that_a_terminal_or_table_might_act_on_are_escaped() -> None:
    line = b"a b\t\\\r\x00\x1b[2J\x7f\x80\xff~"
    assert escape(line) == rb"a b\t\\\x0D\x00\x1B[2J\x7F\x80\xFF~"


@given(line=st.binary())
def test_escaping_is_reversible_and_gives_printable_ascii_without_tab(line: bytes) -> None:
    text = escape(line)
    assert unescape(text) == line
    assert all(0x20 <= byte < 0x7F for byte in text)


@pytest.mark.parametrize("text", [b"\\", b"a\\q", rb"\x0", rb"\x0d", rb"\xGG", b"\\\\\\"])
def test_a_backslash_that_begins_no_escape_is_refused(text: bytes) -> None:
    with pytest.raises(ValueError, match="backslash"):
        unescape(text)


def test_a_board_row_holds_the_line_as_received() -> None:
    assert board_row(5_000_123, b"A 17\r") == b"5000123\tboard\tA 17\\x0D\n"


@given(host_us=st.integers(0, 10**18 - 1), line=st.binary(max_size=60))
def test_a_board_row_is_one_row_whatever_the_board_sends(host_us: int, line: bytes) -> None:
    whole = board_row(host_us, line)
    assert whole.count(b"\n") == 1
    assert whole.count(b"\t") == 2
    read = parse_row(whole[:-1], FRAMED)
    assert (read.host_us, read.origin) == (host_us, "board")


json_values = st.recursive(
    st.none()
    | st.booleans()
    | st.integers(-(10**17), 10**17)
    | st.text()
    # The shortest text of a float is read back to the same float.
    | st.floats(allow_nan=False, allow_infinity=False),
    lambda inner: st.lists(inner, max_size=3) | st.dictionaries(st.text(), inner, max_size=3),
    max_leaves=8,
)


@given(data=st.dictionaries(st.text(), json_values, max_size=4))
def test_a_record_of_our_own_comes_back_and_is_one_ascii_row(data: dict[str, Any]) -> None:
    whole = json_row(7, "setup", data)
    assert whole.isascii()
    assert whole.count(b"\n") == 1
    assert whole.count(b"\t") == 2
    assert parse_row(whole[:-1], FRAMED).content == data


@pytest.mark.parametrize(
    ("origin", "data"),
    [
        ("mark", {"x": float("nan")}),
        ("mark", {"x": float("inf")}),
        ("mark", {"x": 10**30}),
        ("setup", {"text": "x" * MAX_ROW_BYTES}),
        ("board", {}),
        ("weather", {}),
        ("a\tb", {}),
    ],
)
def test_a_record_that_no_reader_would_accept_is_not_written(
    origin: str, data: dict[str, Any]
) -> None:
    with pytest.raises(ValueError, match=r"compliant|could not read"):
        json_row(0, origin, data)


@pytest.mark.parametrize(
    "line",
    [
        b"",
        b"5",
        b"5\tboard",
        b"\tboard\tA 1",
        b"-5\tboard\tA 1",
        b"+5\tboard\tA 1",
        b" 5\tboard\tA 1",
        b"5.0\tboard\tA 1",
        b"nan\tboard\tA 1",
        b"1e308\tboard\tA 1",
        b"9223372036854775808\tboard\tA 1",
        b"9" * 400 + b"\tboard\tA 1",
        b"5\tBoard\tA 1",
        b"5\tboard \tA 1",
        b"5\thello\t{}",
        b"5\t\t{}",
        b"5\t" + b"o" * 100_000 + b"\t{}",
        b"host_us\torigin\tline",
    ],
)
def test_a_row_that_is_no_record_is_damage_without_a_time(line: bytes) -> None:
    read = parse_row(line, PLAIN)
    assert isinstance(read.content, LineDamage)
    assert (read.host_us, read.origin) == (0, "")


@pytest.mark.parametrize(
    "text",
    [
        b"",
        b"[]",
        b"1",
        b"null",
        b'{"a": 1',
        b'{"a": NaN}',
        b'{"a": -Infinity}',
        b'{"a": 1e400}',
        b'{"a": %s}' % (b"9" * 19),
        b'{"a": %s}' % (b"9" * 10_000),
        b'{"a": "\xff"}',
        b'{"a": "raw \x01 control"}',
        b'{"a": %s%s}' % (b"[" * 17, b"]" * 17),
        b'{"a": %s%s}' % (b"[" * 400_000, b"]" * 400_000),
        b'{"a":' * 150_000,
        b'{"a": "%s"}' % (b"x" * MAX_ROW_BYTES),
    ],
    ids=lambda text: repr(text[:20]),
)
def test_a_hostile_record_is_damage(text: bytes) -> None:
    read = parse_row(row(5, text, b"mark")[:-1], FRAMED)
    assert isinstance(read.content, LineDamage)
    assert len(read.content.reason) < 200


LISTS, OBJECTS = ("[", "]"), ('{"b":', "}")


def nested(levels: int, begin: str, end: str, bottom: str = "7") -> bytes:
    """Return JSON text of an object that is so many levels deep."""
    return f'{{"a":{begin * (levels - 1)}{bottom}{end * (levels - 1)}}}'.encode()


@pytest.mark.parametrize(("begin", "end"), [LISTS, OBJECTS])
def test_a_record_may_be_sixteen_levels_deep_and_no_deeper(begin: str, end: str) -> None:
    deepest = nested(16, begin, end)
    assert parse_row(row(5, deepest, b"mark")[:-1], FRAMED).content == json.loads(deepest)
    read = parse_row(row(5, nested(17, begin, end), b"mark")[:-1], FRAMED)
    assert read == (
        5,
        "mark",
        LineDamage("the record nests more than 16 pairs of brackets"),
    )


@pytest.mark.parametrize("bottom", ["[]", "{}"])
def test_a_level_with_nothing_in_it_is_one_too(bottom: str) -> None:
    for levels, kind in ((15, dict), (16, LineDamage)):
        record = row(5, nested(levels, *LISTS, bottom), b"mark")
        assert isinstance(parse_row(record[:-1], FRAMED).content, kind)


def test_what_stands_beside_something_deep_is_no_deeper_for_it() -> None:
    text = b'{"a": [[1, [2]], {"b": 3}], "c": %s}' % (b"[" * 16 + b"]" * 16)
    assert isinstance(parse_row(row(5, text, b"mark")[:-1], FRAMED).content, LineDamage)
    flat = b'{"a": [%s]}' % b", ".join([b"[1]"] * 1000)
    assert isinstance(parse_row(row(5, flat, b"mark")[:-1], FRAMED).content, dict)
    for deep, kind in ((15, dict), (16, LineDamage)):
        text = b'{"a": %s, "b": [[1], [2]]}' % (b"[" * deep + b"]" * deep)
        assert isinstance(parse_row(row(5, text, b"mark")[:-1], FRAMED).content, kind)


@pytest.mark.parametrize("levels", [18, 500, 990, 1010, 3000, 60_000])
@pytest.mark.parametrize(("begin", "end"), [LISTS, OBJECTS])
def test_depth_is_damage_on_either_side_of_what_python_can_stand(
    levels: int, begin: str, end: str
) -> None:
    record = row(5, nested(levels, begin, end), b"rig")
    assert len(record) < MAX_ROW_BYTES
    read = parse_row(record[:-1], FRAMED)
    assert isinstance(read.content, LineDamage)
    assert (read.host_us, read.origin) == (5, "rig")


def test_a_record_too_deep_to_be_read_again_is_not_written() -> None:
    deepest = json.loads(nested(16, *OBJECTS))
    assert json_row(0, "setup", deepest)
    with pytest.raises(ValueError, match="could not read"):
        json_row(0, "setup", {"a": deepest})


def test_a_whole_number_has_eighteen_digits_its_sign_aside() -> None:
    text = b'{"a": [%s, -%s]}' % (b"9" * 18, b"9" * 18)
    content = parse_row(row(5, text, b"mark")[:-1], FRAMED).content
    assert content == {"a": [10**18 - 1, 1 - 10**18]}


def test_a_row_of_a_million_bytes_is_the_longest() -> None:
    empty = len(b'5\tmark\t{"a": ""}')
    for size, kind in ((MAX_ROW_BYTES, dict), (MAX_ROW_BYTES + 1, LineDamage)):
        text = b'{"a": "%s"}' % (b"x" * (size - empty))
        assert len(record := row(5, text, b"mark")[:-1]) == size
        assert isinstance(parse_row(record, FRAMED).content, kind)


def test_half_a_surrogate_pair_is_replaced_because_nothing_can_show_it() -> None:
    record = row(5, rb'{"note": "a\ud800b", "\udfff": 1}', b"mark")
    read = parse_row(record[:-1], FRAMED)
    assert read.content == {"note": "a?b", "?": 1}


def test_a_file_converted_to_other_line_ends_still_reads() -> None:
    line = row(5, edge(1, "A", 1, 7))[:-1] + b"\r"
    assert parse_row(line, FRAMED).content == Event(EventKind.EDGE, 7, 0, 1, 1)
    assert parse_row(b"5\tmark\t" + json.dumps({"a": 1}).encode() + b"\r", FRAMED).content == {
        "a": 1
    }


@given(
    line=st.binary(max_size=60)
    | st.tuples(
        st.sampled_from([b"5", b"x", b""]),
        st.sampled_from([b"board", b"mark", b"rig", b"hello"]),
        st.binary(max_size=30),
    ).map(b"\t".join)
)
def test_no_bytes_at_all_raise(line: bytes) -> None:
    for lines in LINE_KINDS.values():
        parse_row(line, lines)
