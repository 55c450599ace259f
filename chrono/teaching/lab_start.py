"""What a lab begins with: a recording's gates and shots, a rig, or the usual bench."""

from collections.abc import Sequence
from dataclasses import dataclass, replace
from datetime import datetime
from pathlib import Path

import numpy as np

from chrono.measuring.measurement_plan import edges_timed
from chrono.rigs.rig_model import Rig
from chrono.session.recording_loader import LoadedRecording, read_recording
from chrono.session.session import Session
from chrono.session.shot_log import ShotRow
from chrono.teaching.error_lab import LabView
from chrono.teaching.guesses import Guess, guesses_path, settings_of
from chrono.teaching.lab_bench import USUAL, Bench, bench_of_rig, bench_of_shot

SHOWN_SHOTS = 500
"""Shots of a recording that can be gone through, the last ones."""


@dataclass(frozen=True, eq=False)
class LabStart:
    """
    What a lab begins with.

    Attributes
    ----------
    bench : Bench
    title : str
        Whose gates these are.
    guesses : Path
        Where estimates are kept.
    recording : str or None
        The recording's name.
    session : Session or None
        Its session.
    shots : sequence of ShotRow
        Its last shots with a speed.
    recorded : LoadedRecording or None
        The recording, where it was read for the lab.
    """

    bench: Bench
    title: str
    guesses: Path
    recording: str | None = None
    session: Session | None = None
    shots: Sequence[ShotRow] = ()
    recorded: LoadedRecording | None = None

    def with_bench(self, bench: Bench) -> "LabStart":
        """Return the same with another bench."""
        return replace(self, bench=bench)

    def bench_of(self, place: int) -> Bench:
        """Return the bench at which the shot at a place was clocked."""
        assert self.session is not None, "only a session has shots"
        return bench_of_shot(self.session, self.shots[place])

    def estimate(self, seen: LabView, who: str, guess_mps: float, place: int | None) -> Guess:
        """Return an estimate of what a bench shows, of a shot's place among `shots` or none."""
        return Guess(
            who=who,
            guess_mps=guess_mps,
            U95_mps=seen.budget.U95_mps,
            speed_mps=seen.budget.speed_mps,
            recording=self.recording,
            shot=None if place is None else self.shots[place].number,
            settings=settings_of(seen.bench),
            time=datetime.now().astimezone().isoformat(timespec="seconds"),
        )


def start_of(file: Path | None, rig: Rig | None) -> LabStart:
    """
    Return what a lab begins with.

    Parameters
    ----------
    file : Path or None
        A recording.
    rig : Rig or None
        Instead of the recorded one, or of the usual one.

    Raises
    ------
    ChronoError
        The recording cannot be read.
    """
    if file is None:
        bench = USUAL if rig is None else bench_of_rig(rig, USUAL.speed_mps, edges_timed(rig))
        return LabStart(bench, bench.base.name, guesses_path(None, Path.cwd()))
    recorded = read_recording(file, rig)
    return replace(start_of_session(recorded.session, file), recorded=recorded)


def start_of_session(session: Session, file: Path | None) -> LabStart:
    """
    Return what a lab of a session begins with: its gates at its middle speed.

    Parameters
    ----------
    session : Session
    file : Path or None
        Its recording.
    """
    count = len(session.log)
    rows = session.rows_of(slice(max(count - SHOWN_SHOTS, 0), count))
    shots = [row for row in rows if np.isfinite(row.speed_mps)]
    name = file.name if file else session.rig.name
    place = guesses_path(file, Path.cwd())
    if shots:
        middle = sorted(shots, key=lambda row: row.speed_mps)[len(shots) // 2]
        bench = bench_of_shot(session, middle)
    else:
        bench = bench_of_rig(session.rig, USUAL.speed_mps, edges_timed(session.rig))
    return LabStart(bench, name, place, file.name if file else None, session, shots)
