"""Compute what the error lab shows: an error budget, repeated shots, errors at many speeds.

The first settings of the lab come from a recording or a rig, or are the usual settings.
"""

from collections import Counter
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace
from datetime import datetime
from pathlib import Path

import numpy as np

from chrono.arrays.array_types import Floats
from chrono.measuring.coverage_interval import cumulative
from chrono.measuring.error_budget import BOUNCE, Budget, Input, triangular, two_pair
from chrono.measuring.improvements import GROUPS, group_shares, input_group
from chrono.measuring.measurement_plan import edges_timed
from chrono.measuring.speed import SpeedModel, shot_budget
from chrono.processor.shot_records import EdgesUsed
from chrono.rigs.rig_model import Rig
from chrono.session.recording_loader import LoadedRecording, read_recording
from chrono.session.session import Session
from chrono.session.shot_log import ShotRow
from chrono.teaching.guesses import Guess, guesses_path, settings_of
from chrono.teaching.lab_bench import USUAL, VALUES, Bench, bench_of_rig, bench_of_shot
from chrono.teaching.repeated_shots import RepeatedShots, repeat_shots, step_errors

CURVE_POINTS = 120
STEP_TRANSITS = 20_000
STEP_BINS = 40


@dataclass(frozen=True, eq=False)
class ErrorCurves:
    """
    The relative standard uncertainty of the speed, computed for a range of speeds.

    Attributes
    ----------
    speed_mps : ndarray of float64, shape (N,)
        Speeds [m/s], in ascending order.
    parts : mapping
        For each group of errors that are not 0: u divided by the speed, shape (N,).
    whole : ndarray of float64, shape (N,)
        The combined value of all groups.
    """

    speed_mps: Floats
    parts: Mapping[str, Floats]
    whole: Floats


@dataclass(frozen=True, eq=False)
class StepErrors:
    """
    The errors of a measured transit that are caused only by counting whole ticks.

    Attributes
    ----------
    edges : ndarray of float64, shape (M + 1,)
        Limits of M intervals of the error [ticks].
    counted, expected : ndarray of float64, shape (M,)
        Number of transits in each interval, as counted and as expected by theory. All
        intervals together have `STEP_TRANSITS` transits.
    sd : float
        Standard deviation of the errors [ticks].
    sd_expected : float
        Standard deviation of the errors as expected by theory [ticks].
    """

    edges: Floats
    counted: Floats
    expected: Floats
    sd: float
    sd_expected: float


@dataclass(frozen=True, eq=False)
class LabView:
    """
    All results that the error lab shows for its settings.

    Attributes
    ----------
    bench : Bench
    seed : int
        Seed of the random numbers for the gates' errors and the random errors.
    model : SpeedModel
    transit_s : float
        The transit that an error-free board would measure [s].
    budget : Budget
    shares : mapping
        Share of the variance for each group, the largest first.
    repeated : RepeatedShots
    curves : ErrorCurves
    steps : StepErrors
    """

    bench: Bench
    seed: int
    model: SpeedModel
    transit_s: float
    budget: Budget
    shares: Mapping[str, float]
    repeated: RepeatedShots
    curves: ErrorCurves
    steps: StepErrors

    @property
    def rung_s(self) -> float:
        """Smallest step of a measured transit [s]: one tick, or half a tick for two pairs."""
        both = self.bench.edges == EdgesUsed.BOTH
        return self.bench.tick_s / (2 if both else 1)

    @property
    def rules(self) -> tuple[str, float]:
        """The group of errors that causes the largest share of the variance, and this share."""
        return next(iter(self.shares.items()))

    @property
    def tick_rules_from_mps(self) -> float:
        """Lowest speed with half of the variance from the tick [m/s]; NaN if there is none."""
        tick, whole = self.curves.parts.get("tick"), self.curves.whole
        if tick is None:
            return float("nan")
        share = (tick / whole) ** 2
        over = np.flatnonzero(share >= 0.5)
        if not len(over):
            return float("nan")
        first = int(over[0])
        near = slice(max(first - 1, 0), first + 1)
        return float(np.interp(0.5, share[near], self.curves.speed_mps[near]))

    @property
    def held(self) -> int:
        """Number of simulated shots whose measured speed ± U95 contains the true speed."""
        repeated = self.repeated
        off = np.abs(repeated.measured.speed_mps - repeated.true_mps)
        return int((off <= repeated.measured.U95_mps).sum())


def look(bench: Bench, seed: int = 0) -> LabView:
    """Compute all results of the error lab; this takes less than a second."""
    model = SpeedModel.from_rig(bench.rig)
    transit_s = model.board_transit(bench.speed_mps, bench.edges)
    budget = shot_budget(model, transit_s, bench.edges, bench.bounce_s)
    return LabView(
        bench=bench,
        seed=seed,
        model=model,
        transit_s=transit_s,
        budget=budget,
        shares=group_shares(budget.contributions),
        repeated=repeat_shots(bench, model, seed),
        curves=_error_curves(model, bench),
        steps=_step_errors(bench, model, seed),
    )


def _error_curves(model: SpeedModel, bench: Bench) -> ErrorCurves:
    slowest, *_, fastest = VALUES["speed_mps"]
    speeds = np.geomspace(slowest, fastest, CURVE_POINTS)
    variances = {group: np.zeros(CURVE_POINTS) for group in (*GROUPS, BOUNCE)}
    for i, speed_mps in enumerate(speeds):
        transit_s = model.board_transit(float(speed_mps), bench.edges)
        for part in model.contributions(transit_s, bench.edges, bench.bounce_s):
            variances[input_group(part)][i] += (part.u_out / speed_mps) ** 2
    parts = {group: np.sqrt(v) for group, v in variances.items() if v.any()}
    return ErrorCurves(speeds, parts, np.sqrt(sum(variances.values())))


def _step_errors(bench: Bench, model: SpeedModel, seed: int) -> StepErrors:
    found = step_errors(bench, model, seed, STEP_TRANSITS)
    edges = np.linspace(-1, 1, STEP_BINS + 1)
    counted, _ = np.histogram(found, edges)
    theory = step_input(bench.edges)
    expected = STEP_TRANSITS * np.diff(cumulative(theory, edges))
    return StepErrors(edges, counted.astype(float), expected, float(found.std()), theory.u)


def step_input(edges: EdgesUsed) -> Input:
    """Return the error from counting whole ticks, as an input of the error budget [ticks]."""
    if edges == EdgesUsed.BOTH:
        return two_pair("tick", 1.0)
    return triangular("tick", 1.0)


SHOWN_SHOTS = 500
"""The user can select only shots among this number of last shots of a recording."""


@dataclass(frozen=True, eq=False)
class LabStart:
    """
    The data with which the error lab begins: its settings, and the shots of a recording.

    Attributes
    ----------
    bench : Bench
    title : str
        Name of the rig or recording that gives the gates.
    guesses : Path
        File in which estimates are saved.
    recording : str or None
        The recording's name.
    session : Session or None
        The session of the recording.
    shots : sequence of ShotRow
        The last shots of the session that have a speed.
    recorded : LoadedRecording or None
        The recording, if it was read for the lab.
    """

    bench: Bench
    title: str
    guesses: Path
    recording: str | None = None
    session: Session | None = None
    shots: Sequence[ShotRow] = ()
    recorded: LoadedRecording | None = None

    def with_bench(self, bench: Bench) -> "LabStart":
        """Return a copy with other settings of the lab."""
        return replace(self, bench=bench)

    def bench_of(self, place: int) -> Bench:
        """Return settings with the rig and the speed of the shot at this index in `shots`."""
        assert self.session is not None, "the error lab was opened without a recording"
        return bench_of_shot(self.session, self.shots[place])

    def estimate(self, seen: LabView, who: str, guess_mps: float, place: int | None) -> Guess:
        """
        Return the ± that a user guessed, as a record for the file of guesses.

        `place` is the index of a shot in `shots`.
        """
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
    Return the data with which the error lab begins, from a recording or a rig.

    Parameters
    ----------
    file : Path or None
        A recording.
    rig : Rig or None
        Use this rig instead of the recorded rig or the usual rig.

    Raises
    ------
    ChronoError
        If the recording cannot be read.
    """
    if file is None:
        bench = USUAL if rig is None else bench_of_rig(rig, USUAL.speed_mps, edges_timed(rig))
        return LabStart(bench, bench.base.name, guesses_path(None, Path.cwd()))
    recorded = read_recording(file, rig)
    return replace(start_of_session(recorded.session, file), recorded=recorded)


def _speed_mps(row: ShotRow) -> float:
    return row.speed_mps


def start_of_session(session: Session, file: Path | None) -> LabStart:
    """
    Return the data with which the error lab begins: the gates of a session and a typical speed.

    The typical speed is the middle one of the sorted speeds of the setup with the most shots.

    Parameters
    ----------
    session : Session
    file : Path or None
        The recording of the session.
    """
    count = len(session.log)
    rows = session.rows_of(slice(max(count - SHOWN_SHOTS, 0), count))
    shots = [row for row in rows if np.isfinite(row.speed_mps)]
    name = file.name if file else session.rig.name
    place = guesses_path(file, Path.cwd())
    if shots:
        (setup, _), *_ = Counter(row.setup for row in shots).most_common()
        speeds = sorted((row for row in shots if row.setup == setup), key=_speed_mps)
        middle = speeds[len(speeds) // 2]
        bench = bench_of_shot(session, middle)
    else:
        bench = bench_of_rig(session.rig, USUAL.speed_mps, edges_timed(session.rig))
    return LabStart(bench, name, place, file.name if file else None, session, shots)
