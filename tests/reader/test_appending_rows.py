"""Rows added to a recording: all or none, and what was there stays byte for byte."""

import errno
import os
from pathlib import Path

import pytest

from chrono.errors import RecordingError
from chrono.reader import file_io
from chrono.reader.recording_reader import read_blocks
from chrono.reader.recording_rows import HEADER
from chrono.reader.recording_writer import (
    RecordingWriter,
    append_rows,
    check_appendable,
    copy_recording,
)

OLD = HEADER + b"1\tboard\tA 1\n2\tboard\tA 2\n"
ROW = b'3\tmark\t{"action": "note", "text": "rain"}\n'


@pytest.fixture
def path(tmp_path: Path) -> Path:
    path = tmp_path / "a.tsv"
    path.write_bytes(OLD)
    return path


def test_a_row_comes_after_all_that_was_there(path: Path) -> None:
    append_rows(path, ROW)
    append_rows(path, ROW)
    assert path.read_bytes() == OLD + ROW + ROW


def test_a_row_that_was_cut_is_ended_as_damaged(path: Path) -> None:
    path.write_bytes(OLD + b"3\tboard\tA 12")
    append_rows(path, ROW)
    assert path.read_bytes() == OLD + b"3\tboard\tA 12\\cut\n" + ROW


def test_checking_writes_nothing(path: Path) -> None:
    os.utime(path, ns=(1, 1))
    check_appendable(path)
    assert path.read_bytes() == OLD
    assert path.stat().st_mtime_ns == 1


@pytest.mark.parametrize("what", [check_appendable, lambda path: append_rows(path, ROW)])
def test_what_cannot_be_added_to_is_refused_in_one_line(path: Path, what) -> None:
    with pytest.raises(RecordingError, match="no such file"):
        what(path.with_name("b.tsv"))
    other = RecordingWriter.reopen(path)
    with pytest.raises(RecordingError, match="another program"):
        what(path)
    other.close()
    path.write_bytes(b"no recording\n")
    with pytest.raises(RecordingError, match="is not a recording"):
        what(path)
    assert path.read_bytes() == b"no recording\n"


def test_half_a_row_is_taken_away_again(path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    real, calls = file_io.write_some, []

    def full(fd: int, offset: int, data: memoryview) -> int:
        calls.append(offset)
        if len(calls) > 1:
            raise OSError(errno.ENOSPC, "No space left on device")
        return real(fd, offset, data[:5])

    monkeypatch.setattr(file_io, "write_some", full)
    with pytest.raises(RecordingError, match="No space left on device"):
        append_rows(path, ROW)
    assert path.read_bytes() == OLD
    assert calls == [len(OLD), len(OLD) + 5]


def test_a_copy_is_equal_and_takes_no_name_that_exists(path: Path) -> None:
    before = path.stat()
    copy = path.with_name("b.tsv")
    copy_recording(path, copy)
    assert copy.read_bytes() == OLD
    with pytest.raises(RecordingError, match="exists already"):
        copy_recording(path, copy)
    assert path.stat().st_mtime_ns == before.st_mtime_ns


def test_a_copy_that_fails_leaves_no_file(path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    def full(fd: int, offset: int, data: memoryview) -> int:
        raise OSError(errno.ENOSPC, "No space left on device")

    monkeypatch.setattr(file_io, "write_some", full)
    copy = path.with_name("b.tsv")
    with pytest.raises(RecordingError, match=r"No space left.*\n  do: .* has free space"):
        copy_recording(path, copy)
    assert not copy.exists()


@pytest.mark.parametrize("block", [1, 7, 1000])
@pytest.mark.parametrize("end", range(len(HEADER), len(OLD) + 1))
def test_a_reader_with_an_end_sees_a_file_of_that_size(
    path: Path, block: int, end: int, tmp_path: Path
) -> None:
    from chrono.reader.recording_reader import RecordingReader

    shorter = tmp_path / "shorter.tsv"
    shorter.write_bytes(OLD[:end])
    whole = read_blocks(shorter, block)
    part = RecordingReader(path, block, end)
    assert b"".join(part) == b"".join(whole)
    assert part.cut == whole.cut


@pytest.mark.parametrize(("offset", "begin"), [(0, 0), (100, 0), (4096, 0), (6000, 1904)])
def test_the_bytes_just_before_a_place_are_at_most_4096_and_none_behind_it(
    tmp_path: Path, offset: int, begin: int
) -> None:
    path = tmp_path / "a"
    data = bytes(number % 251 for number in range(10_000))
    path.write_bytes(data)
    with path.open("rb") as file:
        assert file_io.read_before(file.fileno(), offset) == data[begin:offset]
    assert file_io.size_of(path) == 10_000
    assert file_io.size_of(tmp_path / "missing") == 0
