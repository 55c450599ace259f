"""Show a recording again, either with its recorded timing or all at once."""

from math import isfinite
from pathlib import Path
from typing import Any, ClassVar

import numpy as np

from chrono.reader.row_decoding import decode_rows
from chrono.reader.row_sources import ReplaySource
from chrono.session.run import FedRun, OperatorEdits, Run
from chrono.session.session import Session

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
