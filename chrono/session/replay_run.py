"""The runs that show a recording again: by its own time, or all at once.

What the operator says goes where `OperatorEdits` lets it go.
"""

from math import isfinite
from pathlib import Path
from typing import Any, ClassVar

import numpy as np

from chrono.reader.row_decoding import decode_rows
from chrono.reader.row_sources import ReplaySource
from chrono.session.run import FedRun, OperatorEdits, Run
from chrono.session.session import Session

SETTLE_S = 0.25
"""A shot that was stepped to is shown this much later, with all its edges [s]."""


class WholeRun(Run):
    """A recording whose session is complete: nothing more comes."""

    edits: OperatorEdits

    def __init__(self, path: Path, session: Session) -> None:
        super().__init__(session, path.name)
        self.edits = OperatorEdits(path)

    def record(self, origin: str, data: dict[str, Any]) -> None:
        """Add a record where the user agreed to, and take it in."""
        _append(self.edits, self.session, origin, data)


class ReplayRun(FedRun):
    """
    A recording played back by its own time.

    Parameters
    ----------
    path : Path
    whole : Session
        What `read_recording` made of it: the rig, the clock's rate, and what the operator
        says of shots before and after they were shown.
    pace : float
        Recorded seconds in a second.
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
        """The session with all shots, the ones still to come among them."""
        return self._whole

    @property
    def progress(self) -> float:
        """Part of the recorded time that has passed, 0 to 1."""
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
            If it is none.
        """
        super().start()
        self._begin_us = self.source.now_us()

    def record(self, origin: str, data: dict[str, Any]) -> None:
        """Add a record where the user agreed to, and take it in."""
        _append(self.edits, self._whole, origin, data)

    def step_to_next_shot(self) -> None:
        """Let time pass until one more shot is there, and hold it."""
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
        """How many shots there are by now, open ones among them."""
        return len(self.session.log) + len(self.session.open_rows())

    def previous_shot(self) -> int:
        """Return the number of the last shot read before the latest one, 1 at least."""
        read_us = self._whole.log.shots["host_us"][: self.shots_shown]
        before = np.flatnonzero(read_us < read_us[-1:])
        return int(before[-1]) + 1 if len(before) else 1

    def at_shot(self, number: int) -> "ReplayRun":
        """
        Return this replay as it is, paused, when a shot is the latest one.

        It reads the recording from its beginning; this run goes on as it is.
        """
        run = ReplayRun(self.edits.path, self._whole, self.source.pace or 1.0)
        run.start()
        run.edits, run.said = self.edits, self.said
        run.source.pause()
        run.source.release_until(self._moment_us(number))
        while not run.finished and run.source.is_due:
            run.step()
        return run

    def _moment_us(self, number: int) -> int:
        """Return when a shot had all its edges, and the next one none yet [us]."""
        read_us = self._whole.log.shots["host_us"]
        place = min(max(number, 1), len(read_us)) - 1
        moment_us = int(read_us[place] + SETTLE_S * 1e6)
        later = read_us[place + 1 :]
        later = later[later > read_us[place]] if len(later) else later
        return min(moment_us, int(later[0]) - 1) if len(later) else moment_us

    def _shots_with_speed(self) -> int:
        """Count the final shots, and the open ones that have a speed already."""
        session = self.session
        open_rows = session.open_rows()
        return len(session.log) + sum(isfinite(row.speed_mps) for row in open_rows)


def replay_run(path: Path, session: Session, pace: float | None) -> WholeRun | ReplayRun:
    """
    Make the run that shows a recording again.

    Parameters
    ----------
    path : Path
    session : Session
        What `read_recording` made of it: shown as it is when `pace` is None, else its shots
        come by the recorded time.
    pace : float or None
        Recorded seconds in a second; None for all at once.
    """
    return WholeRun(path, session) if pace is None else ReplayRun(path, session, pace)


def _shown(whole: Session) -> Session:
    """Return a session whose shots are still to come, with all that is known of them."""
    session = Session(whole.rig, fixed_rig=True, known=whole)
    session.use_host_rate(whole.host_rate)
    return session


def _append(edits: OperatorEdits, session: Session, origin: str, data: dict[str, Any]) -> None:
    row = edits.append(session.last_us, origin, data)
    session.feed(decode_rows(row, session.rig.lines))
