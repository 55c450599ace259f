"""Follow a recording while another program writes it.

The run first reads all rows in the file, and then each new row. The run never writes to the
recording. The operator must enter setups and marks in the program that records the board.
"""

import time
from collections.abc import Callable
from pathlib import Path
from typing import ClassVar

from chrono.arrays import machine_code
from chrono.arrays.events import Batch
from chrono.errors import RecordingError
from chrono.processor.rig_rules import HOST_TOLERANCE_S, Rules
from chrono.reader.file_io import size_of
from chrono.reader.recording_rows import HEADER
from chrono.reader.row_sources import FollowSource, row_host_us
from chrono.rigs.rig_file import rig_from_record
from chrono.rigs.rig_model import Rig
from chrono.session.observer import Observer
from chrono.session.recording_loader import first_rig, telling_where
from chrono.session.run import SILENCE_EVERY_S, FedRun
from chrono.session.session import Session
from chrono.session.troubles import RateUnknown, RowCut, SourceFailed, Trouble

COME_WITHIN_S = 0.2
"""Longest time between writing and reading a row, even on a busy computer [s]."""

BEGIN_WITHIN_S = 3.0
"""After a program has created a recording, it writes the rig within this time [s]."""

LONG_US = 3_600_000_000
"""After this time without rows, all shots are complete, with any board [us]."""

WHOLE_WITHIN_S = 1.0
"""If a row is still incomplete after this time, the row was cut off [s]."""

_LONGEST_BEGINNING = 4096 + len(HEADER)


class FollowRun(FedRun):
    """
    A run that reads a recording while another program writes it.

    Parameters
    ----------
    path : Path
    rig : Rig
        Measure with this rig until the recording states another rig.
    keeps_rig : bool
        True: use `rig`, even if the recording contains another rig.
    clock : callable, optional
        Function that returns a time in seconds. Only differences of these times are used.
    """

    near_launches: ClassVar[bool] = True
    followed: ClassVar[bool] = True
    takes_records: ClassVar[bool] = False
    source: FollowSource

    def __init__(
        self,
        path: Path,
        rig: Rig,
        keeps_rig: bool,
        clock: Callable[[], float] = time.monotonic,
    ) -> None:
        self.path = path
        self._keeps_rig = keeps_rig
        self._rig = self._stated = rig
        self._passed_us = 0
        self._silence_due_us = 0
        super().__init__(FollowSource(path, clock), Session(rig, fixed_rig=True), path.name)

    @property
    def unwritten(self) -> bool:
        """True if the program that writes the recording has probably stopped."""
        return self.source.unwritten

    def catch_up(self, told: Callable[[int], None] = lambda _: None) -> None:
        """
        Read all rows that the file contains.

        After each part of the file, call `told` with the number of bytes read so far.
        """
        while self._take_ready():
            told(self.status.bytes)

    def close(self) -> list[Trouble]:
        """Stop following the recording, and return all problems with the recording."""
        path, reason, troubles = str(self.path), self.status.reason, list[Trouble]()
        if reason:
            troubles.append(SourceFailed(path, reason, ended=False))
        unfinished, quiet_s = self.source.unfinished_bytes, self.source.quiet_s
        if unfinished and quiet_s > WHOLE_WITHIN_S:
            troubles.append(RowCut(path, unfinished))
        super().close()
        self.source.stop()
        troubles += self.session.lamps
        if self._rate_unknown:
            troubles.append(RateUnknown(self._rate_unknown))
        return troubles

    def _take(self, rows: bytes) -> Batch:
        if self._comes_late(rows):
            # Silence has closed shots that these rows belong to. A replay would not close them.
            self._begin(self._rig)
            rows = self.source.drain()
        with telling_where(self.path):
            batch = super()._take(rows)
            for record in batch.controls:
                if record.origin == "rig" and not self._keeps_rig:
                    self._stated = rig_from_record(record.data)
        self._observer.counter_rate.follow(self.now_us())
        return batch

    def _comes_late(self, rows: bytes) -> bool:
        """Return True if a new line belongs to a time that the program took for silence."""
        board = rows.find(b"\tboard\t")
        host_us = row_host_us(rows, rows.rfind(b"\n", 0, board) + 1) if board >= 0 else None
        return host_us is not None and host_us < self._passed_us

    def _wait(self) -> None:
        """Use the last rig in the recording; after a long silence, finish open shots."""
        if self._stated != self._rig:
            self._change_rig()
        now_us = self.now_us()
        if now_us >= self._silence_due_us:
            self._silence_due_us = now_us + int(SILENCE_EVERY_S * 1e6)
            if self.unwritten and self.session.processor.tally.edges:
                # No program writes any more, so open shots cannot change again.
                now_us += LONG_US
            self._pass_time(now_us - int(COME_WITHIN_S * 1e6))

    def _pass_time(self, host_us: int) -> None:
        self.session.pass_time(host_us)
        if host_us - self.source.last_us > HOST_TOLERANCE_S * 1e6:
            self._passed_us = host_us  # a shorter silence closes no shot

    def _change_rig(self) -> None:
        """Use the recording's last rig; if its rules for shots are new, form shots again."""
        before, self._rig = self._rig, self._stated
        if Rules.from_rig(before) == Rules.from_rig(self._rig):
            self.session.remeasure(self._rig)
            return
        self._begin(self._rig)
        self.catch_up()

    def _begin(self, rig: Rig) -> None:
        """Read the recording again from its first row."""
        self.source.rewind()
        self._passed_us = self._silence_due_us = 0
        self.session = Session(rig, fixed_rig=True)
        self._observer = Observer(self.session)

    def _finish(self) -> None:
        super()._finish()
        self._settle_clock()


def follow_run(path: Path, rig: Rig | None = None) -> FollowRun:
    """
    Return a `FollowRun`, which shows a recording while another program writes it.

    Parameters
    ----------
    path : Path
        The recording. If it is new, wait a moment until it contains its rig.
    rig : Rig, optional
        Measure with this rig, even if the recording contains another rig.

    Raises
    ------
    RecordingError
        If the file is not a recording, or if the file contains no rig and `rig` is None.
    """
    machine_code.prepare_loops(size_of(path))
    return FollowRun(path, rig or _begun_rig(path), rig is not None)


def _begun_rig(path: Path) -> Rig:
    """Return the first rig of a recording; if the recording is new, wait for its rig."""
    end_s = time.monotonic() + BEGIN_WITHIN_S
    while True:
        try:
            return first_rig(path)
        except RecordingError:
            is_new = size_of(path) < _LONGEST_BEGINNING and path.is_file()
            if not is_new or time.monotonic() > end_s:
                raise
        time.sleep(0.02)
