"""Show a recording: all at once, with its recorded timing, or while another program writes it.

A `FollowRun` first reads all rows in the file, and then each new row. It never writes to the
recording. The operator must enter setups and marks in the program that records the board.
"""

import time
from collections.abc import Callable
from math import isfinite
from pathlib import Path
from typing import Any, ClassVar

import numpy as np

from chrono.arrays import machine_code
from chrono.arrays.events import Batch
from chrono.errors import RecordingError
from chrono.processor.rig_rules import HOST_TOLERANCE_S, Rules
from chrono.reader.file_io import size_of
from chrono.reader.recording_rows import HEADER
from chrono.reader.row_decoding import decode_rows
from chrono.reader.row_sources import FollowSource, ReplaySource, row_host_us
from chrono.rigs.rig_file import rig_from_record
from chrono.rigs.rig_model import Rig
from chrono.session.observer import Observer
from chrono.session.recording_loader import first_rig, telling_where
from chrono.session.run import SILENCE_EVERY_S, FedRun, OperatorEdits, Run
from chrono.session.session import Session
from chrono.session.troubles import RateUnknown, RowCut, SourceFailed, Trouble

SETTLE_S = 0.25
"""Time between a shot and the pause after it [s], so that all edges of the shot have come."""


class WholeRun(Run):
    """A recording that the program shows completely at once. No more rows come."""

    edits: OperatorEdits

    def __init__(self, path: Path, session: Session) -> None:
        super().__init__(session, path.name)
        self.edits = OperatorEdits(path)

    def record(self, origin: str, data: dict[str, Any]) -> None:
        """Store an entry of the operator in the session and in the file that the user chose."""
        _append(self.edits, self.session, origin, data)


class ReplayRun(FedRun):
    """
    A recording that the program plays with the recorded timing.

    Parameters
    ----------
    path : Path
    whole : Session
        The session from `read_recording`. It contains the rig, the clock's rate, and all
        entries of the operator.
    pace : float
        Speed of the replay: recorded seconds per real second.
    """

    replayed: ClassVar[bool] = True
    source: ReplaySource
    edits: OperatorEdits

    def __init__(self, path: Path, whole: Session, pace: float) -> None:
        super().__init__(ReplaySource(path, pace), _shown(whole), path.name)
        self.edits = OperatorEdits(path)
        self._whole = whole
        self._begin_us = 0

    @property
    def recorded(self) -> Session:
        """The session with all shots, including shots that the replay has not shown yet."""
        return self._whole

    @property
    def progress(self) -> float:
        """Fraction of the recorded time that the replay has played, 0 to 1."""
        span_us = self._whole.last_us - self._begin_us
        if self.finished or span_us <= 0:
            return 1.0
        return min(max((self.source.now_us() - self._begin_us) / span_us, 0.0), 1.0)

    def start(self) -> None:
        """
        Open the recording.

        Raises
        ------
        RecordingError
            If the file is not a recording.
        """
        super().start()
        self._begin_us = self.source.now_us()

    def record(self, origin: str, data: dict[str, Any]) -> None:
        """Store an entry of the operator in the session and in the file that the user chose."""
        _append(self.edits, self._whole, origin, data)

    def step_to_next_shot(self) -> None:
        """Play to the next shot, then pause."""
        if self.finished:
            return
        source, wanted = self.source, self._shots_with_speed() + 1
        source.pause()
        while source.next_us is not None and self._shots_with_speed() < wanted:
            source.release_until(source.next_us)
            self.step()
        source.release_until(source.now_us() + int(SETTLE_S * 1e6))
        self.step()

    @property
    def shots_shown(self) -> int:
        """Number of shots that the replay has shown, including unfinished shots."""
        return len(self.session.log) + len(self.session.open_rows())

    def previous_shot(self) -> int:
        """Return the number of the shot before the latest shot; the smallest result is 1."""
        read_us = self._whole.log.shots["host_us"][: self.shots_shown]
        before = np.flatnonzero(read_us < read_us[-1:])
        return int(before[-1]) + 1 if len(before) else 1

    def at_shot(self, number: int) -> "ReplayRun":
        """Return a new replay of the recording that is paused just after shot `number`."""
        run = ReplayRun(self.edits.path, self._whole, self.source.pace or 1.0)
        run.start()
        run.edits, run.said = self.edits, self.said
        run.source.pause()
        run.source.release_until(self._moment_us(number))
        while not run.finished and run.source.is_due:
            run.step()
        return run

    def _moment_us(self, number: int) -> int:
        """
        Return a time after the last edge of shot `number` and before the next shot [us].

        If there is no shot, return 0, the time before the first row.
        """
        read_us = self._whole.log.shots["host_us"]
        if not len(read_us):
            return 0
        place = min(max(number, 1), len(read_us)) - 1
        moment_us = int(read_us[place] + SETTLE_S * 1e6)
        later = read_us[place + 1 :]
        later = later[later > read_us[place]] if len(later) else later
        return min(moment_us, int(later[0]) - 1) if len(later) else moment_us

    def _shots_with_speed(self) -> int:
        """Count the finished shots, and the unfinished shots that already have a speed."""
        session = self.session
        open_rows = session.open_rows()
        return len(session.log) + sum(isfinite(row.speed_mps) for row in open_rows)


def replay_run(path: Path, session: Session, pace: float | None) -> WholeRun | ReplayRun:
    """
    Return a run that shows a recording: at once, or with the recorded timing.

    Parameters
    ----------
    path : Path
    session : Session
        The session from `read_recording`.
    pace : float or None
        Recorded seconds per real second; None to show everything at once.
    """
    return WholeRun(path, session) if pace is None else ReplayRun(path, session, pace)


def _shown(whole: Session) -> Session:
    """Return a session without shots, but with all entries of the operator."""
    session = Session(whole.last_rig, fixed_rig=True, known=whole)
    session.use_host_rate(whole.host_rate, whole.counters.place)
    return session


def _append(edits: OperatorEdits, session: Session, origin: str, data: dict[str, Any]) -> None:
    row = edits.append(session.last_us, origin, data)
    session.feed(decode_rows(row, session.rig.lines))


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
