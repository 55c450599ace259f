"""A slow disk, and one that stands still: nothing is lost, and nobody waits for it."""

import os
import threading
from collections import Counter
from pathlib import Path

import pytest
from waiting import PATIENCE_S

from chrono.reader import file_io
from chrono.reader.recording_writer import RecordingWriter
from chrono.session.live_run import LiveRun, live_run
from chrono.session.recording_loader import read_recording

PORT = "virtual://two-bands?seed=5&speedup={}&shots={}"
BYTES_PER_S, SYNC_S = 1_000_000, 0.1
TURNS = 10
"""So many turns go on while the disk stands still."""


class SlowDisk:
    """Takes 1 MB/s. One write and one sync stand still until they are let go."""

    def __init__(self, patch: pytest.MonkeyPatch) -> None:
        self._write, self._sync = file_io.write_some, os.fsync
        self._waited = threading.Event()  # never set: a pause that holds no lock
        self._bytes = 0
        self._goes_on = {"write": threading.Event(), "sync": threading.Event()}
        self.standing = ""
        """What stands still: "write", "sync" or nothing."""
        self.was_given_up = False
        """Nobody let the disk go: a turn waited for it."""
        patch.setattr(file_io, "write_some", self.write)
        patch.setattr(os, "fsync", self.sync)

    def write(self, fd: int, offset: int, rows: memoryview) -> int:
        self._bytes += len(rows)
        if self._bytes > 500:
            self._stand_still("write")
        self._waited.wait(len(rows) / BYTES_PER_S)
        return self._write(fd, offset, rows)

    def sync(self, fd: int) -> None:
        self._stand_still("sync")
        self._waited.wait(SYNC_S)
        self._sync(fd)

    def _stand_still(self, what: str) -> None:
        if not self._goes_on[what].is_set():
            self.standing = what
            if not self._goes_on[what].wait(PATIENCE_S):
                self.was_given_up = True
                self.let_go("write")
                self.let_go("sync")
            self.standing = ""

    def let_go(self, what: str) -> None:
        """Let the writes or the syncs go on."""
        self._goes_on[what].set()

    @property
    def has_stood(self) -> bool:
        """A write and a sync have stood still, and both were let go."""
        return all(each.is_set() for each in self._goes_on.values())


def drive(run: LiveRun, path: Path, shots: int, disk: SlowDisk, stall_s: float) -> None:
    """Drive a run to its end; let rows wait so long [s] for the disk, and turns go on."""
    shown, turns = 0, Counter[str]()
    while len(run.session.log) < shots or not disk.has_stood:
        run.step()
        assert not disk.was_given_up
        what = disk.standing
        turns[what] += 1
        if what and turns[what] >= TURNS and (what == "sync" or run.waiting_s > stall_s):
            disk.let_go(what)
        if len(run.session.log) > shown:
            shown = len(run.session.log)
            assert path.read_bytes().count(b"\tE ") >= 4 * shown, "shown before it is written"


@pytest.mark.parametrize(
    ("stall_s", "speedup", "shots"),
    [(0.6, 1000, 5), pytest.param(10.0, 60, 40, marks=pytest.mark.long)],
)
def test_a_disk_that_stands_still_loses_no_line_and_holds_up_no_turn(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, stall_s: float, speedup: int, shots: int
) -> None:
    path = tmp_path / "slow.tsv"
    run = live_run(PORT.format(speedup, shots), None, path)
    run.start()
    run.session.make_ready()
    disk = SlowDisk(monkeypatch)
    drive(run, path, shots, disk, stall_s)
    assert run.close() == []
    assert run.session.processor.tally.lost_lines == 0
    again = read_recording(path).session
    assert len(again.log) == shots
    assert again.log.shots.tobytes() == run.session.log.shots.tobytes()


def test_a_recording_that_is_closed_while_the_disk_stands_still_is_whole(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    path = tmp_path / "slow.tsv"
    run = live_run(PORT.format(1000, 6), None, path)
    disk = SlowDisk(monkeypatch)
    run.start()
    while not run.waiting_s > 0.2:
        run.step()
    disk.let_go("sync")
    threading.Timer(0.3, disk.let_go, ["write"]).start()
    run.close()
    assert isinstance(run.writer, RecordingWriter)
    lines = path.read_bytes().count(b"\tboard\t")
    assert lines == run.status.lines
