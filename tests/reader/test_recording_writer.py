"""Writing a recording: nothing overwritten, nothing lost, whatever the disk does."""

import errno
import os
import resource
import signal
import subprocess
import sys
import threading
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from itertools import pairwise
from pathlib import Path

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from row_kit import edge, row

from chrono.errors import RecordingError
from chrono.reader.file_io import free_name
from chrono.reader.recording_reader import RecordingReader
from chrono.reader.recording_writer import RecordingWriter, WrittenHistory
from chrono.reader.row_decoding import decode_rows
from chrono.rigs.line_kinds import PLAIN

HEADER = b"host_us\torigin\tline\n"
FILE = row(0, b'{"format": 1}', b"file")
RIG = row(0, b'{"name": "a"}', b"rig")
EDGES = [row(10 * number, edge(number, "A", number % 2, 100 * number)) for number in range(50)]


class Clock:
    """A clock that stands until it is set."""

    now = 100.0

    def __call__(self) -> float:
        return self.now


class Disk:
    """Lets calls of the system fail for one file, as a disk does."""

    def __init__(self, path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
        self.failing: dict[str, int] = {}
        self.written: list[bytes] = []
        self.attempts = 0
        self.room: int | None = None
        self._file = (path.stat().st_dev, path.stat().st_ino)
        self._calls = {name: getattr(os, name) for name in ("write", "read", "fsync")}
        for name in self._calls:
            monkeypatch.setattr(os, name, self._wrapped(name))

    def _wrapped(self, name: str) -> Callable[..., object]:
        def call(fd: int, *rest: object) -> object:
            stat = os.fstat(fd)
            if (stat.st_dev, stat.st_ino) == self._file:
                if name in self.failing:
                    code = self.failing[name]
                    raise OSError(code, os.strerror(code))
                if name == "write":
                    self.attempts += 1
                    return self._write(fd, bytes(rest[0]))  # type: ignore[call-overload]
            return self._calls[name](fd, *rest)

        return call

    def _write(self, fd: int, data: bytes) -> int:
        if self.room is not None:
            if not self.room:
                raise OSError(errno.ENOSPC, os.strerror(errno.ENOSPC))
            data = data[: self.room]
            self.room -= len(data)
        self.written.append(data)
        done: int = self._calls["write"](fd, data)
        return done


def test_a_new_recording_has_its_header_and_rows_are_there_at_once(tmp_path: Path) -> None:
    path = tmp_path / "a.tsv"
    writer = RecordingWriter(path)
    assert path.read_bytes() == HEADER
    writer.append(FILE + EDGES[0])
    assert path.read_bytes() == HEADER + FILE + EDGES[0]
    writer.append(EDGES[1])
    assert path.read_bytes() == HEADER + FILE + EDGES[0] + EDGES[1]
    assert (writer.trouble, writer.pending_bytes) == (None, 0)
    writer.close()
    writer.close()


def test_a_new_recording_has_the_rights_of_any_new_file(tmp_path: Path) -> None:
    (tmp_path / "any").touch()
    RecordingWriter(tmp_path / "a.tsv").close()
    assert (tmp_path / "a.tsv").stat().st_mode == (tmp_path / "any").stat().st_mode


def test_a_name_that_exists_is_never_overwritten(tmp_path: Path) -> None:
    path = tmp_path / "a.tsv"
    path.write_bytes(b"precious")
    with pytest.raises(
        RecordingError, match=r"a\.tsv: this file exists already\n  do: choose another"
    ):
        RecordingWriter(path)
    (tmp_path / "link.tsv").symlink_to(path)
    with pytest.raises(RecordingError, match="exists already"):
        RecordingWriter(tmp_path / "link.tsv")
    assert path.read_bytes() == b"precious"


@pytest.mark.parametrize("name", ["no/such/a.tsv", "x" * 300, "a\0b"])
def test_a_name_that_cannot_be_created_is_told(tmp_path: Path, name: str) -> None:
    with pytest.raises(RecordingError, match="cannot be opened for writing: "):
        RecordingWriter(tmp_path / name)


def test_a_disk_full_from_the_start_is_told_and_leaves_no_file(tmp_path: Path) -> None:
    with (
        limited_file_size(5),
        pytest.raises(RecordingError, match=r"cannot be written: File.*\n  do: .* free space"),
    ):
        RecordingWriter(tmp_path / "a.tsv")
    assert list(tmp_path.iterdir()) == []


def test_a_second_writer_is_refused_until_the_first_is_closed(tmp_path: Path) -> None:
    path = tmp_path / "a.tsv"
    writer = RecordingWriter(path)
    with pytest.raises(
        RecordingError, match=r"a\.tsv: this file is being written by another program"
    ):
        RecordingWriter.reopen(path)
    program = (
        "import sys\nfrom chrono.reader.recording_writer import RecordingWriter\n"
        "from chrono.errors import RecordingError\n"
        "try: RecordingWriter.reopen(sys.argv[1])\n"
        "except RecordingError as refusal: print(refusal.message)"
    )
    command = [sys.executable, "-c", program, str(path)]
    assert (
        subprocess.check_output(command) == b"this file is being written by another program\n"
    )
    assert b"".join(RecordingReader(path)) == b""  # reading is no trouble
    writer.close()
    RecordingWriter.reopen(path).close()


def test_a_recording_opened_again_is_continued(tmp_path: Path) -> None:
    path = tmp_path / "a.tsv"
    first = RecordingWriter(path)
    first.append(FILE + EDGES[0])
    first.close()
    again = RecordingWriter.reopen(path)
    again.append(EDGES[1])
    again.close()
    assert path.read_bytes() == HEADER + FILE + EDGES[0] + EDGES[1]


def test_a_cut_recording_opened_again_keeps_its_bytes_and_the_cut_row_is_damage(
    tmp_path: Path,
) -> None:
    path = tmp_path / "a.tsv"
    last = row(7, b"A 123456")
    for length in range(1, len(last)):
        path.write_bytes(HEADER + FILE + last[:length])
        writer = RecordingWriter.reopen(path)
        writer.append(row(8, b"B 5"))
        writer.close()
        assert path.read_bytes().startswith(HEADER + FILE + last[:length])
        reader = RecordingReader(path)
        batch = decode_rows(b"".join(reader), PLAIN)
        assert reader.cut is None
        assert (batch.rows, batch.damaged) == (3, 1)
        assert batch.events.counter[-1] == 5


@pytest.mark.parametrize("content", [b"", b"host_us\torigin", b"time,speed\n"])
def test_what_is_no_recording_is_not_continued(tmp_path: Path, content: bytes) -> None:
    path = tmp_path / "a.tsv"
    path.write_bytes(content)
    with pytest.raises(RecordingError, match="is not a recording"):
        RecordingWriter.reopen(path)
    assert path.read_bytes() == content


def test_rows_are_confirmed_by_the_device_once_a_second_and_on_demand(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    clock = Clock()
    writer = RecordingWriter(tmp_path / "a.tsv", clock=clock)
    synced: list[int] = []
    monkeypatch.setattr(os, "fsync", synced.append)
    for _ in range(10):
        clock.now += 0.25
        writer.append(EDGES[0])
        writer.look_after()
    assert len(synced) == 2
    writer.sync()
    assert len(synced) == 3
    writer.sync()  # nothing new to confirm
    assert len(synced) == 3
    writer.close()


@contextmanager
def limited_file_size(size: int) -> Iterator[None]:
    """Let the kernel refuse files above `size` bytes, in the middle of a write if need be."""
    soft, hard = resource.getrlimit(resource.RLIMIT_FSIZE)
    before = signal.signal(signal.SIGXFSZ, signal.SIG_IGN)
    resource.setrlimit(resource.RLIMIT_FSIZE, (size, hard))
    try:
        yield
    finally:
        resource.setrlimit(resource.RLIMIT_FSIZE, (soft, hard))
        signal.signal(signal.SIGXFSZ, before)


@pytest.mark.parametrize("room", range(0, 90, 7))
def test_a_full_disk_delays_rows_and_loses_none(tmp_path: Path, room: int) -> None:
    clock, path = Clock(), tmp_path / "a.tsv"
    writer = RecordingWriter(path, clock=clock)
    everything = HEADER + EDGES[0] + EDGES[1] + EDGES[2] + EDGES[3]
    with limited_file_size(len(HEADER) + room):
        for number in range(3):
            writer.append(EDGES[number])
        on_disk = path.read_bytes()
        assert on_disk == everything[: len(HEADER) + room]
        assert writer.trouble == "File too large"
        assert writer.pending_bytes == len(b"".join(EDGES[:3])) - room
    clock.now += 1.0
    writer.append(EDGES[3])
    assert (writer.trouble, writer.pending_bytes) == (None, 0)
    assert path.read_bytes() == everything
    writer.close()


def test_a_disk_in_trouble_is_tried_once_a_second(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    clock, path = Clock(), tmp_path / "a.tsv"
    writer = RecordingWriter(path, clock=clock)
    disk = Disk(path, monkeypatch)
    disk.room = 3
    for _ in range(40):
        clock.now += 0.125
        writer.append(EDGES[0])
        assert writer.trouble == "No space left on device"
    assert b"".join(disk.written) == EDGES[0][:3]
    assert disk.attempts == 2 + 4  # the first fills the disk; one more each second
    disk.room = None
    clock.now += 1.0
    writer.sync()
    assert writer.trouble is None
    assert path.read_bytes() == HEADER + EDGES[0] * 40
    writer.close()


def test_for_a_file_that_is_gone_a_new_one_is_tried_once_a_second(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    clock, path = Clock(), tmp_path / "a.tsv"
    writer = RecordingWriter(path, clock=clock)
    writer.append(EDGES[0])
    writer.sync()
    tried_s: list[float] = []

    def refuse(_: Path) -> None:
        tried_s.append(clock.now)
        raise RecordingError("this file cannot be opened for writing")

    with monkeypatch.context() as patched:
        patched.setattr(writer, "move_to", refuse)
        path.unlink()
        for _ in range(40):
            clock.now += 0.125
            writer.append(EDGES[1])
        assert writer.trouble is not None
        assert writer.trouble.endswith("no new file can be written")
    assert len(tried_s) >= 4
    assert all(later - before >= 1.0 for before, later in pairwise(tried_s))
    clock.now += 1.0
    writer.append(EDGES[2])
    assert writer.trouble is None
    assert writer.path.read_bytes() == HEADER + EDGES[0] + EDGES[1] * 40 + EDGES[2]
    writer.close()


@settings(max_examples=60, deadline=None)
@given(rooms=st.lists(st.integers(0, 120), min_size=1, max_size=40))
def test_whatever_the_disk_takes_the_file_is_a_prefix_and_in_the_end_whole(
    tmp_path_factory: pytest.TempPathFactory, rooms: list[int]
) -> None:
    path = tmp_path_factory.mktemp("disk") / "a.tsv"
    clock = Clock()
    writer = RecordingWriter(path, clock=clock)
    everything = HEADER
    with pytest.MonkeyPatch.context() as monkeypatch:
        disk = Disk(path, monkeypatch)
        for number, room in enumerate(rooms):
            disk.room = room
            clock.now += 0.7
            everything += EDGES[number % 50]
            writer.append(EDGES[number % 50])
            on_disk = path.read_bytes()
            assert on_disk == everything[: len(on_disk)]
            assert writer.pending_bytes == len(everything) - len(on_disk)
            assert (writer.trouble is None) == (not writer.pending_bytes)
        disk.room = None
        clock.now += 1.0
        writer.close()
    assert path.read_bytes() == everything


def test_rows_that_the_device_did_not_confirm_are_written_again(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    clock, path = Clock(), tmp_path / "a.tsv"
    writer = RecordingWriter(path, clock=clock)
    writer.append(EDGES[0])
    writer.sync()
    disk = Disk(path, monkeypatch)
    writer.append(EDGES[1])
    disk.failing["fsync"] = errno.EIO
    writer.sync()
    assert writer.trouble == "Input/output error"
    assert writer.pending_bytes == len(EDGES[1])
    disk.failing.clear()
    clock.now += 1.0
    writer.append(EDGES[2])
    assert disk.written == [EDGES[1], EDGES[1] + EDGES[2]]
    assert path.read_bytes() == HEADER + EDGES[0] + EDGES[1] + EDGES[2]
    writer.close()


def pulled(tmp_path: Path, clock: Clock, disk_of: Callable[[Path], Disk]) -> RecordingWriter:
    """Return a writer with confirmed and unconfirmed rows whose stick was pulled."""
    stick = tmp_path / "stick"
    stick.mkdir()
    writer = RecordingWriter(stick / "a.tsv", clock=clock)
    writer.append(FILE + RIG + EDGES[0])
    writer.sync()
    disk = disk_of(stick / "a.tsv")
    writer.append(EDGES[1])
    disk.failing = dict.fromkeys(("write", "read", "fsync"), errno.EIO)
    stick.rename(tmp_path / "pulled")
    clock.now += 1.0
    writer.append(EDGES[2])
    assert writer.trouble is not None
    return writer


def test_a_stick_put_back_gets_what_it_missed(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    clock = Clock()
    writer = pulled(tmp_path, clock, lambda path: Disk(path, monkeypatch))
    clock.now += 1.0
    writer.append(EDGES[3])
    assert writer.trouble == "No such file or directory"
    confirmed = HEADER + FILE + RIG + EDGES[0]
    (tmp_path / "stick").mkdir()
    path = tmp_path / "stick" / "a.tsv"
    path.write_bytes(confirmed + EDGES[1][:10])  # what the pull let through
    clock.now += 1.0
    writer.append(EDGES[4])
    assert writer.trouble is None
    assert path.read_bytes() == confirmed + b"".join(EDGES[1:5])
    writer.close()


def test_another_file_under_the_same_name_is_left_alone(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    clock = Clock()
    writer = pulled(tmp_path, clock, lambda path: Disk(path, monkeypatch))
    other = HEADER + row(0, b'{"format": 1, "another": true}', b"file") * 20
    (tmp_path / "stick").mkdir()
    path = tmp_path / "stick" / "a.tsv"
    path.write_bytes(other)
    clock.now += 1.0
    writer.append(EDGES[3])
    assert writer.trouble == "another file has replaced this recording"
    assert path.read_bytes() == other
    with pytest.raises(RecordingError, match=r"bytes could not be written: .*\n  do: "):
        writer.close()
    writer.move_to(tmp_path / "b.tsv")
    writer.close()


def test_a_second_place_gets_the_whole_recording(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    clock, path = Clock(), tmp_path / "a.tsv"
    writer = RecordingWriter(path, clock=clock)
    writer.append(FILE + EDGES[0])
    writer.sync()
    Disk(path, monkeypatch).failing["write"] = errno.ENOSPC
    writer.append(EDGES[1])
    assert writer.trouble is not None
    writer.move_to(tmp_path / "b.tsv")
    assert (writer.trouble, writer.pending_bytes) == (None, 0)
    assert writer.path == tmp_path / "b.tsv"
    writer.append(EDGES[2])
    writer.close()
    assert path.read_bytes() == HEADER + FILE + EDGES[0]
    assert writer.path.read_bytes() == HEADER + FILE + EDGES[0] + EDGES[1] + EDGES[2]


def test_a_second_place_is_complete_though_the_first_cannot_be_read(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    writer = pulled(tmp_path, Clock(), lambda path: Disk(path, monkeypatch))
    writer.move_to(tmp_path / "b.tsv")
    writer.append(EDGES[3])
    writer.close()
    assert writer.path.read_bytes() == HEADER + FILE + RIG + b"".join(EDGES[:4])


def test_a_second_place_that_does_not_do_changes_nothing(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    clock, path = Clock(), tmp_path / "a.tsv"
    writer = RecordingWriter(path, clock=clock)
    disk = Disk(path, monkeypatch)
    disk.failing["write"] = errno.ENOSPC
    writer.append(EDGES[0])
    (tmp_path / "b.tsv").write_bytes(b"precious")
    for name in ("b.tsv", "no/such/dir.tsv"):
        with pytest.raises(RecordingError):
            writer.move_to(tmp_path / name)
    with (
        limited_file_size(10),
        pytest.raises(RecordingError, match=r"cannot be written.*\n  do: "),
    ):
        writer.move_to(tmp_path / "c.tsv")
    assert sorted(child.name for child in tmp_path.iterdir()) == ["a.tsv", "b.tsv"]
    assert (tmp_path / "b.tsv").read_bytes() == b"precious"
    assert (writer.path, writer.pending_bytes) == (path, len(EDGES[0]))
    disk.failing.clear()
    writer.close()
    assert path.read_bytes() == HEADER + EDGES[0]


def deleted(path: Path) -> str:
    path.unlink()
    return "was deleted or moved"


def moved(path: Path) -> str:
    path.rename(path.with_name("elsewhere.tsv"))
    return "was deleted or moved"


def replaced(path: Path) -> str:
    path.with_suffix(".new").write_bytes(path.read_bytes())
    path.with_suffix(".new").replace(path)
    return "was replaced"


def cut(path: Path) -> str:
    os.truncate(path, 40)
    return "was shortened"


def saved_in_an_editor(path: Path) -> str:
    path.write_bytes(path.read_bytes().replace(b"squash", b"tennis"))
    return "was overwritten"


@pytest.mark.parametrize("harm", [deleted, moved, replaced, cut, saved_in_an_editor])
@pytest.mark.parametrize("rows_come", [True, False])
def test_a_file_that_somebody_takes_away_is_noticed_and_left_for_a_whole_one(
    tmp_path: Path, harm: Callable[[Path], str], rows_come: bool
) -> None:
    clock, path = Clock(), tmp_path / "a.tsv"
    writer = RecordingWriter(path, clock=clock)
    rows = FILE + row(0, b'{"name": "squash ball"}', b"rig") + EDGES[0]
    writer.append(rows)
    writer.sync()
    what = harm(path)
    theirs = path.read_bytes() if path.exists() else None
    for _ in range(2):
        clock.now += 1.0
        if rows_come:
            writer.append(EDGES[1])
            rows += EDGES[1]
        else:
            writer.look_after()

    assert writer.path == tmp_path / "a-2.tsv"
    assert writer.path.read_bytes() == HEADER + rows
    assert (writer.trouble, writer.pending_bytes) == (None, 0)
    assert len(writer.moves) == 1
    assert what in writer.moves[0]
    assert "a-2.tsv" in writer.moves[0]
    assert (path.read_bytes() if path.exists() else None) == theirs, "theirs is left alone"
    writer.append(EDGES[2])
    writer.close()
    assert writer.path.read_bytes() == HEADER + rows + EDGES[2]


def test_a_folder_that_is_deleted_sends_the_recording_to_the_spare_one(tmp_path: Path) -> None:
    clock, folder, spare = Clock(), tmp_path / "day", tmp_path / "home"
    folder.mkdir()
    spare.mkdir()
    (spare / "a-2.tsv").write_text("taken")
    writer = RecordingWriter(folder / "a.tsv", clock=clock, spare=spare)
    writer.append(FILE + EDGES[0])
    writer.sync()
    (folder / "a.tsv").unlink()
    folder.rmdir()
    clock.now += 1.0
    writer.append(EDGES[1])
    writer.close()
    assert writer.path == spare / "a-3.tsv"
    assert writer.path.read_bytes() == HEADER + FILE + EDGES[0] + EDGES[1]


def test_without_any_place_rows_wait_until_there_is_one(tmp_path: Path) -> None:
    clock, folder = Clock(), tmp_path / "day"
    folder.mkdir()
    writer = RecordingWriter(folder / "a.tsv", clock=clock)
    writer.append(FILE + EDGES[0])
    writer.sync()
    (folder / "a.tsv").unlink()
    folder.rmdir()
    clock.now += 1.0
    writer.append(EDGES[1])
    assert writer.trouble is not None
    assert "no new file can be written" in writer.trouble
    with pytest.raises(RecordingError, match="could not be written"):
        writer.close()
    folder.mkdir()
    clock.now += 1.0
    writer.append(EDGES[2])
    writer.close()
    assert writer.path.read_bytes() == HEADER + FILE + b"".join(EDGES[:3])


@pytest.mark.parametrize("call", ["write", "fsync"])
def test_a_full_disk_lets_the_spare_folder_take_over_at_once(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, call: str
) -> None:
    spare, path = tmp_path / "home", tmp_path / "a.tsv"
    spare.mkdir()
    writer = RecordingWriter(path, clock=Clock(), spare=spare)
    Disk(path, monkeypatch).failing[call] = errno.ENOSPC
    writer.append(EDGES[0])
    writer.sync()
    assert (writer.trouble, writer.pending_bytes) == (None, 0)
    assert writer.path == spare / "a-2.tsv"
    assert writer.path.read_bytes() == HEADER + EDGES[0]
    assert "No space left" in writer.moves[0]
    writer.close()


def test_what_neither_the_disk_nor_the_spare_folder_takes_waits_in_memory(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    clock, path = Clock(), tmp_path / "a.tsv"
    writer = RecordingWriter(path, clock=clock, spare=tmp_path / "not there")
    disk = Disk(path, monkeypatch)
    disk.failing["write"] = errno.ENOSPC
    writer.append(EDGES[0])
    assert (writer.path, writer.pending_bytes) == (path, len(EDGES[0]))
    assert writer.trouble == "No space left on device"
    disk.failing.clear()
    clock.now += 1.0
    writer.append(EDGES[1])
    assert (writer.trouble, writer.moves) == (None, [])
    assert path.read_bytes() == HEADER + EDGES[0] + EDGES[1]
    writer.close()


class HeldSync:
    """A sync that takes until the test lets it go, and may fail then."""

    def __init__(self, monkeypatch: pytest.MonkeyPatch) -> None:
        self.begun, self.let_go = threading.Event(), threading.Event()
        self.failure: OSError | None = None
        monkeypatch.setattr(os, "fsync", self._sync)

    def _sync(self, fd: int) -> None:
        self.begun.set()
        assert self.let_go.wait(10.0)
        if self.failure is not None:
            raise self.failure


@pytest.fixture
def syncing(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> Iterator[tuple[RecordingWriter, HeldSync, threading.Thread]]:
    """Give a writer whose device is just confirming the first row."""
    writer = RecordingWriter(tmp_path / "a.tsv", clock=Clock())
    writer.append(EDGES[0])
    with pytest.MonkeyPatch.context() as patched:
        held = HeldSync(patched)
        thread = threading.Thread(target=writer.sync)
        thread.start()
        assert held.begun.wait(10.0)
        yield writer, held, thread
        held.let_go.set()
        thread.join()
    writer.close()


def test_rows_are_written_while_the_device_confirms_older_ones(
    syncing: tuple[RecordingWriter, HeldSync, threading.Thread],
) -> None:
    writer, held, thread = syncing
    writer.append(EDGES[1])
    assert writer.path.read_bytes() == HEADER + EDGES[0] + EDGES[1]
    assert (writer.trouble, writer.pending_bytes) == (None, 0)
    held.let_go.set()
    thread.join()
    writer.append(EDGES[2])
    assert writer.path.read_bytes() == HEADER + b"".join(EDGES[:3])
    writer.move_to(writer.path.with_name("b.tsv"))
    assert writer.path.read_bytes() == HEADER + b"".join(EDGES[:3])


def test_what_the_device_does_not_confirm_is_written_again_with_what_came_meanwhile(
    syncing: tuple[RecordingWriter, HeldSync, threading.Thread],
) -> None:
    writer, held, thread = syncing
    writer.append(EDGES[1])
    held.failure = OSError(errno.EIO, os.strerror(errno.EIO))
    held.let_go.set()
    thread.join()
    assert writer.trouble == "Input/output error"
    assert writer.pending_bytes == len(EDGES[0] + EDGES[1])
    held.failure = None
    os.truncate(writer.path, len(HEADER))  # the system forgot what it could not store
    writer.close()
    assert writer.path.read_bytes() == HEADER + EDGES[0] + EDGES[1]


def test_a_file_given_up_while_its_device_confirms_it_says_nothing_of_the_new_one(
    syncing: tuple[RecordingWriter, HeldSync, threading.Thread],
) -> None:
    writer, held, thread = syncing
    held.failure = OSError(errno.EIO, os.strerror(errno.EIO))
    with pytest.MonkeyPatch.context() as patched:
        patched.setattr(os, "fsync", lambda fd: None)
        writer.move_to(writer.path.with_name("b.tsv"))
        writer.append(EDGES[1])
    held.let_go.set()
    thread.join()
    assert (writer.trouble, writer.pending_bytes) == (None, 0)
    assert writer.path.read_bytes() == HEADER + EDGES[0] + EDGES[1]
    held.failure = None


def test_a_file_given_up_again_and_again_gets_one_number(tmp_path: Path) -> None:
    clock = Clock()
    writer = RecordingWriter(tmp_path / "m1.tsv", clock=clock)
    writer.append(EDGES[0])
    writer.sync()
    for _ in range(3):
        writer.path.rename(tmp_path / "away.tsv")
        clock.now += 1.0
        writer.look_after()
    assert writer.path == tmp_path / "m1-2.tsv"
    (tmp_path / "m1.tsv").write_bytes(b"")
    writer.path.with_name("m1-3.tsv").write_bytes(b"")
    assert free_name(tmp_path, tmp_path / "m1-3.tsv") == tmp_path / "m1-4.tsv"
    assert free_name(tmp_path, tmp_path / "run-7.tsv") == tmp_path / "run-7-2.tsv"
    assert free_name(tmp_path, tmp_path / "m1-101112.tsv") == tmp_path / "m1-101112-2.tsv"
    writer.close()


def test_the_history_gives_back_what_it_took() -> None:
    history, taken = WrittenHistory(), b""
    for size in (0, 1, 100, 70_000, 3):
        piece = bytes(range(256)) * (size // 256) + b"x" * (size % 256)
        history.add(piece)
        taken += piece
        assert b"".join(history.pieces()) == taken


def test_rows_after_closing_are_a_mistake(tmp_path: Path) -> None:
    writer = RecordingWriter(tmp_path / "a.tsv")
    writer.close()
    with pytest.raises(ValueError, match="closed"):
        writer.append(EDGES[0])


def test_a_killed_program_has_written_every_row_that_it_told(tmp_path: Path) -> None:
    program = (
        "import sys\nfrom chrono.reader.recording_rows import board_row\n"
        "from chrono.reader.recording_writer import RecordingWriter\n"
        "writer = RecordingWriter(sys.argv[1])\nnumber = 0\n"
        "while True:\n"
        "    writer.append(board_row(number, b'A %d' % number))\n"
        "    print(number, flush=True)\n"
        "    number += 1"
    )
    for kill in range(4):
        path = tmp_path / f"{kill}.tsv"
        command = [sys.executable, "-c", program, str(path)]
        with subprocess.Popen(command, stdout=subprocess.PIPE, text=True) as process:
            assert process.stdout is not None
            told = [process.stdout.readline() for _ in range(1 + 300 * kill)]
            process.kill()
            told += process.stdout.readlines()
        last = int(told[-1] if told[-1].endswith("\n") else told[-2])
        counters = [decode_rows(block, PLAIN).events.counter for block in RecordingReader(path)]
        assert [int(value) for block in counters for value in block][: last + 1] == list(
            range(last + 1)
        )
