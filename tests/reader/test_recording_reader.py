"""Reading a recording: whole rows in bounded memory, a cut told, other files refused."""

import tracemalloc
from pathlib import Path

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from row_kit import beat, edge, row

from chrono.errors import RecordingError
from chrono.reader.recording_reader import RecordingReader, read_blocks
from chrono.reader.row_decoding import decode_rows
from chrono.rigs.line_kinds import FRAMED

HEADER = b"host_us\torigin\tline\n"
ROWS = [
    row(0, b'{"format": 1}', b"file"),
    row(5, edge(1, "A", 1, 0x3F2A1)),
    row(5, edge(2, "A", 0, 0x3F2B1)),
    row(1_000_000, beat(3, 16_000_000)),
    row(1_000_007, b"", b"board"),
]


def recording(path: Path, body: bytes) -> Path:
    """Write a recording."""
    path.write_bytes(HEADER + body)
    return path


@pytest.mark.parametrize("block_bytes", [1, 2, 7, 100, 1 << 20])
def test_blocks_hold_whole_rows_and_together_all_of_them(
    tmp_path: Path, block_bytes: int
) -> None:
    reader = read_blocks(recording(tmp_path / "a.tsv", b"".join(ROWS)), block_bytes)
    blocks = list(reader)
    assert all(block.endswith(b"\n") for block in blocks)
    assert b"".join(blocks) == b"".join(ROWS)
    assert reader.cut is None
    assert list(reader) == blocks


@pytest.mark.parametrize("block_bytes", [3, 64, 1 << 20])
def test_a_file_cut_anywhere_gives_its_whole_rows_and_one_located_complaint(
    tmp_path: Path, block_bytes: int
) -> None:
    body = b"".join(ROWS)
    ends = [sum(map(len, ROWS[:count])) for count in range(len(ROWS) + 1)]
    for length in range(len(body) + 1):
        reader = read_blocks(recording(tmp_path / "a.tsv", body[:length]), block_bytes)
        kept = b"".join(reader)
        count = sum(end <= length for end in ends) - 1
        assert kept == b"".join(ROWS[:count])
        left_out = length - ends[count]
        assert reader.cut == (
            f"line {count + 2} is cut off after {left_out} bytes and is not used"
            if left_out
            else None
        )


@pytest.mark.parametrize("length", range(len(HEADER)))
def test_a_file_cut_within_its_first_line_is_no_recording(tmp_path: Path, length: int) -> None:
    path = tmp_path / "a.tsv"
    path.write_bytes(HEADER[:length])
    with pytest.raises(RecordingError, match=r"a\.tsv: the file .* not a recording"):
        read_blocks(path)


@pytest.mark.parametrize(
    ("content", "reason"),
    [
        (b"", "the file is empty"),
        (b"host_us,origin,line\n1,board,A 1\n", "the first line of the file is wrong"),
        (b"\x89PNG\r\n\x1a\n", "the first line of the file is wrong"),
        (HEADER.decode().encode("utf-16"), "the file is UTF-16, not UTF-8"),
        (b"\x1f\x8b\x08\x00", "the file is compressed"),
        (b"\x00" * 100_000, "the first line of the file is wrong"),
        (b"\n" + HEADER, "the first line of the file is wrong"),
    ],
)
def test_another_file_is_refused_with_file_reason_and_advice(
    tmp_path: Path, content: bytes, reason: str
) -> None:
    path = tmp_path / "a.tsv"
    path.write_bytes(content)
    with pytest.raises(RecordingError) as refusal:
        read_blocks(path)
    assert refusal.value.where == str(path)
    assert refusal.value.message == f"{reason}, so this is not a recording"
    assert refusal.value.hint


@pytest.mark.parametrize(
    ("name", "message"),
    [
        ("missing.tsv", "there is no such file"),
        (".", "this is not a file"),
        ("a.tsv/b", "this file cannot be read: Not a directory"),
        ("a\0b", "this file cannot be read: embedded null byte"),
        ("x" * 300, "this file cannot be read: File name too long"),
        ("loop", "this file cannot be read: Too many levels of symbolic links"),
    ],
)
def test_a_path_that_leads_nowhere_is_told(tmp_path: Path, name: str, message: str) -> None:
    recording(tmp_path / "a.tsv", b"")
    (tmp_path / "loop").symlink_to(tmp_path / "loop")
    with pytest.raises(RecordingError) as refusal:
        read_blocks(tmp_path / name)
    assert refusal.value.message == message


def test_a_mark_of_utf8_and_windows_line_ends_are_no_hindrance(tmp_path: Path) -> None:
    path = tmp_path / "a.tsv"
    body = b"".join(ROWS)
    path.write_bytes(b"\xef\xbb\xbf" + (HEADER + body).replace(b"\n", b"\r\n"))
    blocks = list(read_blocks(path))
    batch = decode_rows(b"".join(blocks), FRAMED)
    assert (batch.rows, batch.damaged, len(batch.events)) == (len(ROWS), 0, 3)
    assert batch.controls[0].data == {"format": 1}


def test_a_row_of_100_megabytes_is_skipped_in_bounded_memory(tmp_path: Path) -> None:
    path = recording(tmp_path / "a.tsv", ROWS[0])
    with path.open("r+b") as file:
        file.seek(0, 2)
        file.write(b"7\tboard\t")
        file.seek(100_000_000, 1)  # a hole reads as NUL bytes and takes no disk
        file.write(b"\n" + ROWS[1])
    tracemalloc.start()
    blocks = list(read_blocks(path))
    peak = tracemalloc.get_traced_memory()[1]
    tracemalloc.stop()
    assert peak < 8_000_000
    batch = decode_rows(b"".join(blocks), FRAMED)
    assert (batch.rows, batch.damaged) == (3, 1)
    assert batch.samples[0].reason == "the row is longer than 1 MB"
    assert batch.events.host_us.tolist() == [7, 5]


def test_a_row_too_long_and_cut_is_left_out(tmp_path: Path) -> None:
    path = recording(tmp_path / "a.tsv", ROWS[1] + b"7\tboard\t" + b"E" * 3_000_000)
    reader = read_blocks(path)
    assert b"".join(reader) == ROWS[1]
    assert reader.cut == "line 3 is cut off after 3000008 bytes and is not used"


@pytest.mark.parametrize("padding", [b" ", b"\0", b"}"])
def test_a_record_too_long_is_damage_even_if_its_beginning_is_sound(
    tmp_path: Path, padding: bytes
) -> None:
    long = b'7\tsetup\t{"name": "a"}' + padding * 5_000_000 + b"\n"
    blocks = read_blocks(recording(tmp_path / "a.tsv", long + ROWS[1]))
    batch = decode_rows(b"".join(blocks), FRAMED)
    assert (batch.rows, batch.damaged, batch.controls) == (2, 1, ())


@settings(deadline=None)
@given(body=st.binary(max_size=400), block_bytes=st.integers(1, 50))
def test_no_bytes_at_all_raise_and_none_but_the_cut_are_left_out(
    tmp_path_factory: pytest.TempPathFactory, body: bytes, block_bytes: int
) -> None:
    path = recording(tmp_path_factory.mktemp("any") / "a.tsv", body)
    reader = RecordingReader(path, block_bytes)
    whole = body[: body.rfind(b"\n") + 1]
    assert b"".join(reader) == whole
    assert (reader.cut is None) == (whole == body)


def test_a_file_that_cannot_be_read_is_told_with_what_to_do() -> None:
    with pytest.raises(RecordingError, match="cannot be read") as caught:
        list(read_blocks(Path("no\0name.tsv")))
    assert "do: check the permissions" in str(caught.value)


@pytest.mark.parametrize("rows", [0, 1, 3, 40_000])
def test_the_last_rows_are_whole_and_reach_to_the_end(tmp_path: Path, rows: int) -> None:
    lines = [b"%d\tboard\tE %d\n" % (n, n) for n in range(rows)]
    path = tmp_path / "x.tsv"
    path.write_bytes(HEADER + b"".join(lines) + b"9\tboa")
    tail = RecordingReader(path).last_rows().splitlines(keepends=True)
    assert tail == (lines[-len(tail) :] if tail else [])
    assert len(tail) >= min(rows, 5_000)
