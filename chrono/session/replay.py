"""The runs that show a recording again: by its own time, or all at once.

What the operator says goes where `Edits` lets it go.
"""

from math import isfinite
from pathlib import Path
from typing import Any

from chrono.reader.decoder import decode_rows
from chrono.reader.source import ReplaySource
from chrono.session.edits import Edits
from chrono.session.run import FedRun, Run
from chrono.session.session import Session

SETTLE_S = 0.25
"""A shot that was stepped to is shown this much later, with all its edges [s]."""


class WholeRun(Run):
    """A recording whose session is complete: nothing more comes."""

    edits: Edits

    def __init__(self, path: Path, session: Session) -> None:
        super().__init__(session, path.name)
        self.edits = Edits(path)

    def record(self, origin: str, data: dict[str, Any]) -> None:
        """Add a record where the user agreed to, and take it in."""
        _append(self.edits, self.session, origin, data)


class ReplayRun(FedRun):
    """A recording played back by its own time."""

    source: ReplaySource
    edits: Edits

    def __init__(self, path: Path, session: Session, pace: float) -> None:
        super().__init__(ReplaySource(path, pace), session, path.name)
        self.edits = Edits(path)

    def record(self, origin: str, data: dict[str, Any]) -> None:
        """Add a record where the user agreed to, and take it in."""
        _append(self.edits, self.session, origin, data)

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
        What `read_recording` made of it: shown as it is when `pace` is None, else only
        its rig and its clock's rate are used and the shots come by the recorded time.
    pace : float or None
        Recorded seconds in a second; None for all at once.
    """
    if pace is None:
        return WholeRun(path, session)
    shown = Session(session.rig, fixed_rig=True)
    shown.use_host_rate(session.host_rate)
    return ReplayRun(path, shown, pace)


def _append(edits: Edits, session: Session, origin: str, data: dict[str, Any]) -> None:
    row = edits.append(_last_host_us(session), origin, data)
    session.feed(decode_rows(row, session.rig.lines))


def _last_host_us(session: Session) -> int:
    shots = session.log.shots
    return int(shots["host_us"][-1]) if len(shots) else 0
