"""The grammar of one line: what is a line, and what is damage."""

import re

import pytest
from hypothesis import given
from hypothesis import strategies as st
from row_kit import beat, edge, framed

from chrono.arrays.events import LEVEL_UNKNOWN, NO_SEQUENCE, EventKind, RestartCause
from chrono.reader.line_grammar import (
    PARSERS,
    Event,
    GateLevels,
    Hello,
    LineDamage,
    crc_text,
    encode_beat,
    encode_edge,
    encode_hello,
    encode_interval,
    encode_levels,
    encode_plain,
    parse_framed,
    parse_interval,
    parse_levels,
    parse_plain,
)

GOLDEN = {
    b"E 00A1 A 1 0003F2A1 E6D0": Event(EventKind.EDGE, 0x3F2A1, 0, 1, 0xA1),
    b"L 00A1 B 1 0003F2C0 DB2D": Event(EventKind.LATE, 0x3F2C0, 1, 1, 0xA1),
    b"T 00A2 00F42400 00 0000 EC2C": Event(EventKind.BEAT, 16_000_000, 0, 0, 0xA2),
    b"T FFFF FFFFFFFF 01 FFFF F7B6": Event(EventKind.BEAT, 0xFFFFFFFF, 0, 2, 0xFFFF, 0xFFFF),
    b"H 1 16000000 32 gates-328p 1.0 F934": Hello(1, 16_000_000, 32, "gates-328p", "1.0"),
}


@pytest.mark.parametrize(("line", "meaning"), GOLDEN.items())
def test_the_lines_of_the_wire_format_mean_what_it_says(line: bytes, meaning: object) -> None:
    assert parse_framed(line) == meaning
    assert parse_framed(line + b"\r") == meaning


def test_the_encoders_give_these_very_bytes() -> None:
    encoded = [
        encode_edge(0xA1, 0, 1, 0x3F2A1),
        encode_edge(0xA1, 1, 1, 0x3F2C0, late=True),
        encode_beat(0xA2, 16_000_000, 0, 0),
        encode_beat(0xFFFF, 0xFFFFFFFF, 0, 1, lost=70_000),
        encode_hello(16_000_000, 32, "gates-328p", "1.0"),
    ]
    assert encoded == list(GOLDEN)


@pytest.mark.parametrize("cause", [c for c in RestartCause if c])
def test_a_hello_may_name_what_restarted_the_board(cause: RestartCause) -> None:
    line = encode_hello(16_000_000, 32, "gates-328p-int", f"1.3+{cause}")
    assert parse_framed(line) == Hello(1, 16_000_000, 32, "gates-328p-int", "1.3", cause)


@pytest.mark.parametrize("cause", [*[c for c in RestartCause if c], None])
def test_a_hello_may_announce_analog_levels(cause: RestartCause | None) -> None:
    said = f"1.4+analog+{cause}" if cause else "1.4+analog"
    hello = parse_framed(encode_hello(16_000_000, 32, "gates-328p-int", said))
    restart = cause or RestartCause.UNREPORTED
    assert hello == Hello(1, 16_000_000, 32, "gates-328p-int", "1.4", restart, has_analog=True)


@pytest.mark.parametrize("said", ["1.4", "1.4+power", "1.4+analogue", "1.4+power+analog+x"])
def test_no_other_hello_announces_analog_levels(said: str) -> None:
    hello = parse_framed(encode_hello(16_000_000, 32, "gates-328p-int", said))
    assert isinstance(hello, Hello)
    assert not hello.has_analog


def test_levels_are_millivolts_of_light_and_thresholds_at_a_and_b() -> None:
    """The line of firmware_notes/wire_format.md, sent by the emulated board."""
    line = b"V 0406 01CE 0240 0280 0314 0382 " + crc_text(b"V 0406 01CE 0240 0280 0314 0382")
    a, b = GateLevels(1.030, 0.462, 0.576), GateLevels(0.640, 0.788, 0.898)
    levels = parse_levels(line)

    assert levels is not None
    assert [v for gate in levels for v in gate] == pytest.approx([*a, *b])
    assert encode_levels((a, b)) == line
    assert parse_levels(line + b"\r") == levels
    assert parse_levels(encode_levels((GateLevels(-1.0, 99.0, 0.0), b))) == (
        GateLevels(0.0, 65.535, 0.0),
        pytest.approx(b),
    )


def test_levels_have_no_place_in_a_recording() -> None:
    line = encode_levels((GateLevels(1.0, 0.5, 0.6),) * 2)
    assert isinstance(parse_framed(line), LineDamage)


@pytest.mark.parametrize("body", [b"V", b"V 0406", b"V" + b" 0406" * 7, b"V" + b" 0abc" * 6])
def test_other_lines_are_no_levels(body: bytes) -> None:
    assert parse_levels(body + b" " + crc_text(body)) is None


def test_damaged_levels_are_no_levels() -> None:
    line = bytearray(encode_levels((GateLevels(1.0, 0.5, 0.6),) * 2))
    for place in range(len(line)):
        line[place] ^= 1
        assert parse_levels(bytes(line)) is None
        line[place] ^= 1


@pytest.mark.parametrize("firmware", ["1.3+git", "1.3+", "+power", "power", "1.3+powers"])
def test_another_plus_in_a_version_is_a_part_of_it(firmware: str) -> None:
    hello = parse_framed(encode_hello(16_000_000, 32, "mine", firmware))
    assert hello == Hello(1, 16_000_000, 32, "mine", firmware, RestartCause.UNREPORTED)


def test_the_longest_hello_with_a_cause_is_a_line_to_programs_that_know_of_none() -> None:
    """Their grammar: six fields of printable ASCII without spaces, at most 80 bytes."""
    line = encode_hello(62_500_000, 31, "gates-328p-int", "1.4+analog+brown-out")
    kind, *fields, _ = line.decode("ascii").split(" ")
    assert (kind, len(fields), len(line) <= 80) == ("H", 5, True)
    assert all(re.fullmatch("[!-~]+", field) for field in fields)


@given(
    sequence=st.integers(0, 0xFFFF),
    gate=st.integers(0, 1),
    level=st.integers(0, 1),
    counter=st.integers(0, 0xFFFF_FFFF),
    late=st.booleans(),
)
def test_an_edge_comes_back_as_it_was_sent(
    sequence: int, gate: int, level: int, counter: int, late: bool
) -> None:
    line = encode_edge(sequence, gate, level, counter, late=late)
    kind = EventKind.LATE if late else EventKind.EDGE
    assert parse_framed(line) == Event(kind, counter, gate, level, sequence)


@given(
    sequence=st.integers(0, 0xFFFF),
    levels=st.tuples(st.integers(0, 1), st.integers(0, 1)),
    counter=st.integers(0, 0xFFFF_FFFF),
    lost=st.integers(0, 0xFFFF),
)
def test_a_beat_comes_back_as_it_was_sent(
    sequence: int, levels: tuple[int, int], counter: int, lost: int
) -> None:
    line = encode_beat(sequence, counter, *levels, lost=lost)
    level = levels[0] + 2 * levels[1]
    assert parse_framed(line) == Event(EventKind.BEAT, counter, 0, level, sequence, lost)


@pytest.mark.parametrize(
    "body",
    [
        b"",
        b"E",
        b"E 00a1 A 1 0003F2A1",
        b"E 00A1 A 1 0003f2a1",
        b"E 0A1 A 1 0003F2A1",
        b"E 000A1 A 1 0003F2A1",
        b"E 00A1 C 1 0003F2A1",
        b"E 00A1 A 2 0003F2A1",
        b"E 00A1 A 1 003F2A1",
        b"E 00A1 A 1 00003F2A1",
        b"E  00A1 A 1 0003F2A1",
        b"E 00A1 A 1 0003F2A1 ",
        b" E 00A1 A 1 0003F2A1",
        b"E\t00A1 A 1 0003F2A1",
        b"E 00A1 A 1 0003F2A1\n",
        b"e 00A1 A 1 0003F2A1",
        b"X 00A1 A 1 0003F2A1",
        b"T 00A2 00F42400 02 0000",
        b"T 00A2 00F42400 0 0000",
        b"T 00A2 00F42400 00 000",
        b"H 2 16000000 32 gates 1.0",
        b"H 1 0 32 gates 1.0",
        b"H 1 16000000 7 gates 1.0",
        b"H 1 16000000 33 gates 1.0",
        b"H 1 99999999999 32 gates 1.0",
        b"H 1 -16000000 32 gates 1.0",
        b"H 1 1e7 32 gates 1.0",
        b"H 1 16000000 32 gates",
        b"H 1 16000000 32 two words 1.0",
        b"H 1 16000000 32 \x1b[2J 1.0",
    ],
)
def test_a_wrong_field_is_damage_even_with_a_right_crc(body: bytes) -> None:
    assert isinstance(parse_framed(framed(body)), LineDamage)


@pytest.mark.parametrize("line", [*GOLDEN])
def test_every_single_wrong_bit_is_damage(line: bytes) -> None:
    for place in range(len(line)):
        for bit in range(8):
            wrong = bytearray(line)
            wrong[place] ^= 1 << bit
            assert isinstance(parse_framed(bytes(wrong)), LineDamage)


@pytest.mark.parametrize("line", [*GOLDEN])
def test_every_shortened_line_is_damage(line: bytes) -> None:
    assert all(isinstance(parse_framed(line[:end]), LineDamage) for end in range(1, len(line)))
    assert isinstance(parse_framed(line + b"\r\r"), LineDamage)


def test_a_line_may_have_80_bytes_and_no_more() -> None:
    name = b"g" * (80 - len(framed(b"H 1 16000000 32  1.0")))
    longest = framed(b"H 1 16000000 32 " + name + b" 1.0")
    assert len(longest) == 80
    assert isinstance(parse_framed(longest), Hello)
    too_long = framed(b"H 1 16000000 32 g" + name + b" 1.0")
    assert parse_framed(too_long) == LineDamage("the line is longer than 80 bytes")


def test_plain_lines_may_have_a_level_and_commas() -> None:
    unknown = Event(EventKind.EDGE, 123456, 0, LEVEL_UNKNOWN, NO_SEQUENCE)
    assert parse_plain(b"A 123456") == parse_plain(b"A,123456\r") == unknown
    assert parse_plain(b"B 1 7") == parse_plain(b"B,1,7") == Event(EventKind.EDGE, 7, 1, 1)
    assert parse_plain(b"B 0 7") == Event(EventKind.EDGE, 7, 1, 0)
    assert parse_plain(b"A 1") == Event(EventKind.EDGE, 1, 0, LEVEL_UNKNOWN)


@pytest.mark.parametrize(
    "line",
    [
        b"\r\r",
        b"A",
        b"A ",
        b"A 1 ",
        b"C 1",
        b"a 1",
        b"A  1",
        b"A -1",
        b"A 1.5",
        b"A 2 5",
        b" A 1",
        b"A 1 2 3",
        b"A 1234567890123456789",
        b"A 1\n",
        b"A\t1",
        "A ٣".encode(),
        b"ready",
    ],
)
def test_other_texts_are_no_plain_lines(line: bytes) -> None:
    assert isinstance(parse_plain(line), LineDamage)


def test_an_interval_is_a_whole_number_of_microseconds() -> None:
    assert (
        parse_interval(b"2750") == parse_interval(b"2750\r") == Event(EventKind.INTERVAL, 2750)
    )
    for line in (b"\r\r", b"-1", b"1.5", b"1e3", b" 1", b"1 ", b"1_0", b"9" * 19, "٣".encode()):
        assert isinstance(parse_interval(line), LineDamage)


@given(
    gate=st.integers(0, 1),
    level=st.sampled_from([None, 0, 1]),
    counter=st.integers(0, 10**18 - 1),
)
def test_plain_lines_and_intervals_come_back(
    gate: int, level: int | None, counter: int
) -> None:
    shown = LEVEL_UNKNOWN if level is None else level
    plain = parse_plain(encode_plain(gate, counter, level))
    assert plain == Event(EventKind.EDGE, counter, gate, shown)
    assert parse_interval(encode_interval(counter)) == Event(EventKind.INTERVAL, counter)


@given(
    line=st.binary(max_size=100)
    | st.sampled_from([b"\r", b"\r\r", edge(1, "A", 1, 5), beat(2, 9)])
)
def test_no_bytes_at_all_raise_and_only_an_empty_line_is_nothing(line: bytes) -> None:
    for parse in PARSERS.values():
        if line in (b"", b"\r"):
            assert parse(line) is None
        else:
            assert isinstance(parse(line), Event | Hello | LineDamage)
