"""A slow disk, and one that stands still: nothing is lost, and nobody waits for it."""

import os
import threading
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
    """Takes 1 MB/s and confirms late. One write stands still until it is let go."""

    def __init__(self, patch: pytest.MonkeyPatch) -> None:
        self._write, self._sync = file_io.write_some, os.fsync
        self._waited = threading.Event()  # never set: a pause that holds no lock
        self._bytes = 0
        self._goes_on = threading.Event()
        self.stands_still = False
        self.was_given_up = False
        """Nobody let the disk go: a turn waited for it."""
        patch.setattr(file_io, "write_some", self.write)
        patch.setattr(os, "fsync", self.sync)

    def write(self, fd: int, offset: int, rows: memoryview) -> int:
        self._bytes += len(rows)
        if self._bytes > 500 and not self._goes_on.is_set():
            self.stands_still = True
            self.was_given_up = not self._goes_on.wait(PATIENCE_S)
            self.stands_still = False
        self._waited.wait(len(rows) / BYTES_PER_S)
        return self._write(fd, offset, rows)

    def sync(self, fd: int) -> None:
        self._waited.wait(SYNC_S)
        self._sync(fd)

    def let_go(self) -> None:
        """Let the disk go on."""
        self._goes_on.set()


def drive(run: LiveRun, path: Path, shots: int, disk: SlowDisk, stall_s: float) -> None:
    """Drive a run to its end; let rows wait so long [s] for the disk, and turns go on."""
    shown = turns = 0
    while len(run.session.log) < shots:
        run.step()
        turns += disk.stands_still
        if turns >= TURNS and run.waiting_s > stall_s:
            disk.let_go()
        if len(run.session.log) > shown:
            shown = len(run.session.log)
            assert path.read_bytes().count(b"\tE ") >= 4 * shown, "shown before it is written"
    assert turns >= TURNS


@pytest.mark.parametrize(
    ("stall_s", "speedup", "shots"),
    [(0.3, 1000, 5), pytest.param(10.0, 60, 40, marks=pytest.mark.long)],
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
    assert not disk.was_given_up
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
    threading.Timer(0.3, disk.let_go).start()
    run.close()
    assert isinstance(run.writer, RecordingWriter)
    lines = path.read_bytes().count(b"\tboard\t")
    assert lines == run.status.lines
