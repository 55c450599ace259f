"""A slow disk, and one that stands still: nothing is lost, and nobody waits for it."""

import os
import threading
import time
from pathlib import Path

import pytest

from chrono.reader import file_io
from chrono.reader.recording_writer import RecordingWriter
from chrono.session.live_run import LiveRun, live_run
from chrono.session.recording_loader import read_recording

PORT = "virtual://two-bands?seed=5&speedup={}&shots={}"
BYTES_PER_S = 1_000_000


class SlowDisk:
    """Takes 1 MB/s, confirms late, and stands still once for some seconds."""

    def __init__(self, patch: pytest.MonkeyPatch, stall_s: float, sync_s: float) -> None:
        self._write, self._sync = file_io.write_some, os.fsync
        self._stall_s, self._sync_s = stall_s, sync_s
        self._waited = threading.Event()  # never set: a pause that holds no lock
        self._bytes = 0
        patch.setattr(file_io, "write_some", self.write)
        patch.setattr(os, "fsync", self.sync)

    def write(self, fd: int, offset: int, rows: memoryview) -> int:
        self._bytes += len(rows)
        if self._bytes > 500 and self._stall_s:
            stall_s, self._stall_s = self._stall_s, 0.0
            self._waited.wait(stall_s)
        self._waited.wait(len(rows) / BYTES_PER_S)
        return self._write(fd, offset, rows)

    def sync(self, fd: int) -> None:
        self._waited.wait(self._sync_s)
        self._sync(fd)


def driven(run: LiveRun, path: Path, shots: int) -> tuple[float, float]:
    """Drive a run to its end; return the longest turn and the longest wait for the disk [s]."""
    longest_s = waited_s = 0.0
    shown = 0
    while len(run.session.log) < shots:
        begun_s = time.monotonic()
        run.step()
        longest_s = max(longest_s, time.monotonic() - begun_s)
        waited_s = max(waited_s, run.waiting_s)
        if len(run.session.log) > shown:
            shown = len(run.session.log)
            assert path.read_bytes().count(b"\tE ") >= 4 * shown, "shown before it is written"
    return longest_s, waited_s


@pytest.mark.parametrize(
    ("stall_s", "sync_s", "speedup", "shots"),
    [(0.6, 0.3, 1000, 5), pytest.param(10.0, 1.5, 60, 40, marks=pytest.mark.long)],
)
def test_a_disk_that_stands_still_loses_no_line_and_holds_up_no_turn(
    tmp_path: Path,
    monkeypatch: pytest.MonkeyPatch,
    stall_s: float,
    sync_s: float,
    speedup: int,
    shots: int,
) -> None:
    path = tmp_path / "slow.tsv"
    run = live_run(PORT.format(speedup, shots), None, path)
    run.start()
    run.session.make_ready()
    SlowDisk(monkeypatch, stall_s, sync_s)
    longest_s, waited_s = driven(run, path, shots)
    assert run.close() == []
    assert waited_s > 0.8 * stall_s
    assert longest_s < stall_s / 2
    assert run.session.processor.tally.lost_lines == 0
    again = read_recording(path).session
    assert len(again.log) == shots
    assert again.log.shots.tobytes() == run.session.log.shots.tobytes()


def test_a_recording_that_is_closed_while_the_disk_stands_still_is_whole(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    path = tmp_path / "slow.tsv"
    run = live_run(PORT.format(1000, 6), None, path)
    SlowDisk(monkeypatch, 0.5, 0.1)
    run.start()
    while not run.waiting_s > 0.2:
        run.step()
    run.close()
    assert isinstance(run.writer, RecordingWriter)
    lines = path.read_bytes().count(b"\tboard\t")
    assert lines == run.status.lines
