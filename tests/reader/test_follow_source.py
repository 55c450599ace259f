"""A recording that grows: its rows as they come, and what may become of its file."""

import itertools
import os
import stat
from collections.abc import Iterator
from pathlib import Path

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from chrono.errors import RecordingError
from chrono.reader.recording_reader import read_blocks
from chrono.reader.recording_rows import HEADER, MAX_ROW_BYTES
from chrono.reader.row_sources import LOOK_S, FollowSource

ROWS = b"".join(b"%d\tboard\tA %d\n" % (1000 * n, n) for n in range(1, 400))


class Clock:
    """Seconds that pass when the test says so."""

    def __init__(self) -> None:
        self.now_s = 0.0

    def __call__(self) -> float:
        return self.now_s


@pytest.fixture(name="path")
def _path(tmp_path: Path) -> Path:
    path = tmp_path / "x.tsv"
    path.write_bytes(HEADER)
    return path


@pytest.fixture(name="clock")
def _clock() -> Clock:
    return Clock()


@pytest.fixture(name="source")
def _source(path: Path, clock: Clock) -> Iterator[FollowSource]:
    source = FollowSource(path, clock)
    source.start()
    yield source
    source.stop()


def grow(path: Path, data: bytes) -> None:
    with path.open("ab") as file:
        file.write(data)


def looked(source: FollowSource, clock: Clock) -> bytes:
    """Drain after the time in which the file is looked for by its name."""
    clock.now_s += LOOK_S
    return source.drain()


def test_what_is_there_comes_at_once_and_then_what_it_grows_by(path, source) -> None:
    assert source.drain() == b""
    grow(path, b"1\tboard\tA 1\n2\tboard\tA 2\n")
    assert source.drain() == b"1\tboard\tA 1\n2\tboard\tA 2\n"
    assert source.drain() == b""
    grow(path, b"3\tboard\tA 3\n")
    assert source.drain() == b"3\tboard\tA 3\n"
    assert (source.status.lines, source.status.bytes) == (3, path.stat().st_size)
    assert source.status.state == "open"


def test_a_half_row_is_waited_for(path, source) -> None:
    grow(path, b"1\tboard\tA 1\n2\tboa")
    assert source.drain() == b"1\tboard\tA 1\n"
    assert source.unfinished_bytes == 5
    grow(path, b"rd\tA ")
    assert source.drain() == b""
    grow(path, b"2\n")
    assert source.drain() == b"2\tboard\tA 2\n"
    assert source.unfinished_bytes == 0


@settings(max_examples=40, deadline=None)
@given(st.lists(st.integers(0, len(ROWS)), max_size=12))
def test_however_the_file_grows_the_rows_are_those_of_a_reader(tmp_path_factory, cuts) -> None:
    path = tmp_path_factory.mktemp("grown") / "x.tsv"
    path.write_bytes(HEADER)
    source = FollowSource(path)
    source.start()
    given_rows = b""
    places = [0, *sorted(cuts), len(ROWS)]
    for start, end in itertools.pairwise(places):
        grow(path, ROWS[start:end])
        rows = source.drain()
        assert rows == b"" or rows.endswith(b"\n")
        given_rows += rows
    assert given_rows == b"".join(read_blocks(path)) == ROWS
    source.stop()


def test_a_byte_order_mark_and_carriage_returns_are_no_rows(tmp_path) -> None:
    path = tmp_path / "x.tsv"
    path.write_bytes(b"\xef\xbb\xbf" + HEADER.replace(b"\n", b"\r\n") + b"1\tboard\tA 1\r\n")
    source = FollowSource(path)
    source.start()
    assert source.drain() == b"1\tboard\tA 1\r\n"
    source.stop()


def test_a_row_without_end_takes_bounded_memory_and_stays_too_long(path, source) -> None:
    for _ in range(5):
        grow(path, b"7" * MAX_ROW_BYTES)
        assert source.drain() == b""
    assert source.unfinished_bytes <= MAX_ROW_BYTES + 2
    grow(path, b"\n1\tboard\tA 1\n")
    long, short, end = source.drain().split(b"\n")
    assert (short, end) == (b"1\tboard\tA 1", b"")
    assert MAX_ROW_BYTES < len(long) < 2 * MAX_ROW_BYTES


def test_the_clock_goes_by_the_boards_last_line(path, source, clock) -> None:
    grow(path, b"4000000\tboard\tA 0\n5000000\tboard\tA 1\n17\tmark\t{}\n")
    source.drain()
    assert source.now_us() == 5_000_000
    clock.now_s += 1.5
    assert source.now_us() == 6_500_000
    assert source.quiet_s == 1.5
    assert source.status.silent_s == 1.5
    grow(path, b"6000000\tboard\tA 2\n")
    source.drain()
    assert (source.now_us(), source.quiet_s) == (6_000_000, 0.0)


def test_a_file_that_was_there_is_as_quiet_as_its_date_tells(path, clock) -> None:
    grow(path, ROWS)
    day_ago_s = path.stat().st_mtime - 86_400
    os.utime(path, (day_ago_s, day_ago_s))
    source = FollowSource(path, clock)
    source.start()
    assert source.drain() == ROWS
    assert source.quiet_s == pytest.approx(86_400, abs=30)
    grow(path, b"1\tbo")
    source.drain()
    assert source.quiet_s == 0.0
    source.stop()


def test_the_file_is_never_written(path, clock) -> None:
    grow(path, ROWS)
    path.chmod(stat.S_IRUSR)
    before = path.stat()
    source = FollowSource(path, clock)
    source.start()
    assert source.drain() == ROWS
    looked(source, clock)
    source.stop()
    after = path.stat()
    assert (after.st_mtime_ns, after.st_size) == (before.st_mtime_ns, before.st_size)
    assert source.finished
    assert source.drain() == b""


def test_everything_can_be_given_again(path, source) -> None:
    grow(path, ROWS + b"1\tbo")
    assert source.drain() == ROWS
    source.rewind()
    assert source.drain() == ROWS
    grow(path, b"ard\tA 1\n")
    assert source.drain() == b"1\tboard\tA 1\n"


@pytest.mark.parametrize("content", [b"", HEADER[:5], b"another file\n"])
def test_what_is_no_recording_is_not_followed(tmp_path, content) -> None:
    path = tmp_path / "x.tsv"
    path.write_bytes(content)
    with pytest.raises(RecordingError, match="not a recording"):
        FollowSource(path).start()


def test_a_missing_file_is_not_followed(tmp_path) -> None:
    with pytest.raises(RecordingError, match="no such file"):
        FollowSource(tmp_path / "x.tsv").start()


# -- what may become of the file -----------------------------------------------------------


@pytest.mark.skipif(os.name != "posix", reason="Windows keeps open files from being deleted")
def test_a_deleted_file_is_waited_for_and_found_again(path, source, clock) -> None:
    grow(path, ROWS)
    source.drain()
    content = path.read_bytes()
    path.unlink()
    assert source.status.state == "open"  # not looked for at every call
    looked(source, clock)
    assert source.status.state == "lost"
    assert "deleted" in source.status.reason
    assert not source.finished
    looked(source, clock)
    assert source.status.losses == 1
    path.write_bytes(content + b"9\tboard\tA 9\n")
    looked(source, clock)
    assert (source.status.state, source.status.reason) == ("open", "")
    assert source.drain() == b"9\tboard\tA 9\n"


@pytest.mark.skipif(os.name != "posix", reason="Windows keeps open files from being replaced")
def test_a_longer_copy_put_in_its_place_is_gone_on_with(path, source, clock, tmp_path) -> None:
    grow(path, ROWS)
    source.drain()
    copy = tmp_path / "copy"
    copy.write_bytes(path.read_bytes() + b"8\tboard\tA 8\n")
    copy.replace(path)
    looked(source, clock)
    assert source.drain() == b"8\tboard\tA 8\n"
    assert source.status.state == "open"


@pytest.mark.parametrize("other", [HEADER, HEADER + ROWS.replace(b"A 399", b"B 399") + ROWS])
def test_another_file_in_its_place_ends_it(path, source, clock, tmp_path, other) -> None:
    grow(path, ROWS)
    source.drain()
    copy = tmp_path / "copy"
    copy.write_bytes(other)
    copy.replace(path)
    looked(source, clock)
    assert source.finished
    assert source.status.state == "failed"
    assert "replaced by another file" in source.status.reason
    assert "follow that file instead" in source.status.reason
    grow(path, ROWS)
    assert looked(source, clock) == b""
    source.stop()
    assert source.status.state == "failed"


def test_a_cut_file_ends_it(path, source) -> None:
    grow(path, ROWS)
    source.drain()
    os.truncate(path, len(HEADER) + 20)
    assert source.drain() == b""
    assert source.finished
    assert "was shortened" in source.status.reason


def test_a_file_that_was_written_anew_ends_it_and_gives_no_row(path, source) -> None:
    grow(path, ROWS)
    source.drain()
    path.write_bytes(HEADER + ROWS.replace(b"A", b"B") + b"1\tboard\tB 1\n")
    assert source.drain() == b""
    assert source.finished
    assert "overwritten" in source.status.reason


def test_a_file_that_cannot_be_read_is_tried_again(path, source, monkeypatch) -> None:
    grow(path, ROWS)

    def fail(_: int) -> os.stat_result:
        raise OSError(5, "Input/output error")

    with monkeypatch.context() as patch:
        patch.setattr(os, "fstat", fail)
        assert source.drain() == b""
        assert source.status.state == "lost"
        assert "Input/output error" in source.status.reason
    assert source.drain() == ROWS
    assert source.status.state == "open"
