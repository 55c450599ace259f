"""Summarize a recording: statistics of setups and shots, jitter, and slope of the path."""

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass

import numpy as np

from chrono.arrays.array_types import Bools, Floats
from chrono.measuring.energy_results import Motion, motion_of
from chrono.measuring.error_budget import Input, chords
from chrono.measuring.length_trends import (
    LengthTrend,
    SeenLengths,
    drift_in_time,
    growth_with_speed,
)
from chrono.measuring.measured_slope import MeasuredSlope, measured_slope
from chrono.measuring.muzzle_speed import MuzzleSpeed, muzzle_of
from chrono.measuring.scatter import Drift, Scatter, drift_of, scatter_of
from chrono.measuring.series_statistics import (
    Sample,
    Series,
    of_several_parts,
    s_within_parts,
    series_of,
)
from chrono.measuring.speed import Measured
from chrono.measuring.timing_jitter import (
    BlockedLengths,
    TimingJitter,
    blocking_of,
    has_clean_lengths,
    tells_timing,
    timing_scatter,
)
from chrono.processor.shot_records import EdgesUsed
from chrono.rigs.rig_model import Rig
from chrono.session.operator_records import Setup
from chrono.session.recording_loader import LoadedRecording
from chrono.session.session import Session

MOST = 0.5
"""More than this fraction of the shots counts as "most shots"."""

NOISE_BESIDE_BOUNCES = 2.0
"""Scatter of all shots because of noise, divided by the u of a typical bounce. This is about
the largest value in simulations of beam, comparator and noise in two bands (0.6 … 2.1)."""

MOST_SHOTS = 20_000
"""Number of recent shots that are used. More shots are not necessary."""
SIGMAS = 2.6
"""Number of standard uncertainties of the drag that may explain a change of the lengths. The
uncertainty of the drag has no hard limits."""
SLOPE_SHOTS = 1_000
"""Number of recent shots that are used for the slope. The dashboard computes the slope after
each shot."""


def timing_of(session: Session) -> TimingJitter | None:
    """Compute the jitter from the counted shots of the present counter; None if unknown."""
    part = _last_part(session)
    measured = session.measured(part)
    chosen = _of_this_counter(session, part, measured) & tells_timing(session.log.shots[part])
    if not chosen.any():
        return None
    shots, speed_mps = session.log.shots[part][chosen], measured.speed_mps[chosen]
    model, setups = session.model, session.log.setup[part][chosen]
    transit_s = measured.transit_s[chosen]
    return timing_scatter(
        (shots["trail"] - shots["lead"]) * model.unit_s + model.expected_apart(transit_s),
        transit_s,
        setups.astype(np.intp),
        _chord_u(session, setups.tolist()) / speed_mps,
        tick_s=model.tick_s,
        stated_s=model.jitter.u,
    )


def lengths_of(session: Session) -> dict[str, BlockedLengths]:
    """Return the body lengths that the gates measured, by setup, in order of first use."""
    part = _last_part(session)
    shots, measured = session.log.shots[part], session.measured(part)
    counted = session.are_counted(shots, measured.speed_mps)
    found = {}
    for name in session.setups.names:
        chosen = counted & session.setups.named(name)[session.log.setup[part]]
        declared_m = session.setups.last(name).body.get("length_m", session.rig.body.length_m)
        blocking = blocking_of(
            measured.length_a_m[chosen], measured.length_b_m[chosen], declared_m
        )
        if blocking is not None:
            found[name] = blocking
    return found


def slope_of(session: Session) -> MeasuredSlope | None:
    """Compute how steep the body's path is, from the counted shots; None if unknown."""
    part = slice(max(len(session.log) - SLOPE_SHOTS, 0), len(session.log))
    shots, measured = session.log.shots[part], session.measured(part)
    chosen = _of_this_counter(session, part, measured) & tells_timing(shots)
    chosen &= (shots["block_a"] > 0) & (shots["block_b"] > 0)
    if not chosen.any():
        return None
    shots, model, rig = shots[chosen], session.model, session.rig
    kappa_per_m, kappa_u = model.motion.drag(measured.speed_mps[chosen])
    length_m = float(np.median(measured.body_length_m[chosen]))
    of_trips = 2 * rig.gates.trip_tolerance_m * math.sqrt(2 / 3)
    widths = _chord_u(session, session.log.setup[part][chosen].tolist())
    of_drag = float(np.max(kappa_per_m * kappa_u)) * model.spacing_m
    rate = 1 + model.rate_error
    lead_s, blocked_a_s, blocked_b_s = (
        shots[name] * model.unit_s / rate for name in ("lead", "block_a", "block_b")
    )
    return measured_slope(
        lead_s - model.latency_s,
        blocked_a_s,
        blocked_b_s,
        kappa_per_m * measured.speed_mps[chosen] ** 2,
        spacing_m=model.spacing_m,
        ratio_u=math.hypot(of_trips / length_m, float(np.max(widths)) / length_m, of_drag),
        stated=(*model.motion.stated_pull, model.motion.free_mps2),
    )


def trends_of(session: Session) -> tuple[LengthTrend, ...]:
    """Return how the measured lengths at each gate change with speed and with time."""
    part = _last_part(session)
    shots, measured = session.log.shots[part], session.measured(part)
    chosen = _of_this_counter(session, part, measured) & has_clean_lengths(shots)
    chosen &= np.isfinite(measured.length_a_m) & np.isfinite(measured.length_b_m)
    if not chosen.any():
        return ()
    model, speed_mps = session.model, measured.speed_mps[chosen]
    setups = session.log.setup[part][chosen]
    used, of_setup = np.unique(setups, return_inverse=True)
    bodies = [session.setups.body(int(place)) for place in used]
    body = np.array([bodies.index(each) for each in bodies])[of_setup]
    u_block_s = math.hypot(model.tick_s / math.sqrt(6), model.jitter.u * math.sqrt(2))
    kappa_per_m, kappa_u = model.motion.drag(speed_mps)
    path_m, (_, off_mps2) = model.motion.path_m, model.motion.stated_pull
    delay_s = math.sqrt(3) * model.latency.u
    found = []
    for gate, length_m in (("A", measured.length_a_m), ("B", measured.length_b_m)):
        length_m = length_m[chosen]
        seen = SeenLengths(
            gate,
            length_m,
            speed_mps,
            u_timing_m=speed_mps * u_block_s,
            u_speed_mps=measured.u_random_mps[chosen],
            allowed_m=(
                speed_mps * delay_s,
                length_m * speed_mps * delay_s / path_m,
                length_m * path_m / 2 * off_mps2 / speed_mps**2,
                length_m * path_m / 2 * SIGMAS * kappa_per_m * kappa_u,
            ),
            reach_m=max(_reach(session.rig, dict(each)) for each in bodies),
            drift_m=session.rig.gates.trip_tolerance_m,
        )
        found += [growth_with_speed(seen, body), drift_in_time(seen, of_setup)]
    return tuple(each for each in found if each is not None)


def _of_this_counter(session: Session, part: slice, measured: Measured) -> Bools:
    """Return True for each counted shot that was measured with the present counter."""
    shots = session.log.shots[part]
    chosen = session.are_counted(shots, measured.speed_mps)
    places = session.counters.at(shots["key"])
    return chosen & np.array([session.counters.is_last(int(place)) for place in places], bool)


def _last_part(session: Session) -> slice:
    return slice(max(len(session.log) - MOST_SHOTS, 0), len(session.log))


def _chord_u(session: Session, setups: list[int]) -> Floats:
    """Return u of the length difference between gates A and B for each shot [m], shape (N,)."""
    widths = {
        place: _length_u(session.rig, dict(session.setups.body(place))) for place in set(setups)
    }
    return np.array([widths[place] for place in setups])


def _length_u(rig: Rig, own: Mapping[str, float]) -> float:
    """
    Return the standard uncertainty of the difference of the lengths at gates A and B [m].

    If a beam does not cross the middle of a ball, the gate measures less than the diameter. If
    the end faces of a flat body are tilted, the measured length depends on the tilt (`_lean`).
    """
    return 2 * _chords(rig, own).u * _lean(rig) if rig.gates.off_centre_m else 0.0


def _reach(rig: Rig, own: Mapping[str, float]) -> float:
    """Return the half-width of a measured length if bodies are off-centre or tilted [m]."""
    return _chords(rig, own).half_width * _lean(rig) if rig.gates.off_centre_m else 0.0


def _chords(rig: Rig, own: Mapping[str, float]) -> Input:
    radius_m = own.get("diameter_m", rig.body.diameter_m) / 2
    return chords("", radius_m, rig.gates.off_centre_m)


def _lean(rig: Rig) -> float:
    return 1.0 if rig.body.shape == "round" else math.sin(rig.gates.tilt_limit_rad)


@dataclass(frozen=True)
class GateScatter:
    """
    Scatter that the gates may add to the speeds of a setup.

    Attributes
    ----------
    chords_mps : float
        Standard deviation of the speeds if each body crosses the beams at a different height
        [m/s]. It is 0 unless most shots were timed by only one pair of edges.
    bounced, shots : int
        Number of shots with a bounced edge, and number of all shots.
    noise_mps : float
        Scatter of all shots because of the noise that made some edges bounce [m/s]; 0 if fewer
        than two shots have a bounced edge.
    """

    chords_mps: float
    bounced: int
    shots: int
    noise_mps: float


def gate_scatter_of(session: Session, name: str, mean_mps: float) -> GateScatter:
    """Return the scatter that the gates may add to the speeds of a setup."""
    part = _last_part(session)
    shots, measured = session.log.shots[part], session.measured(part)
    chosen = session.are_counted(shots, measured.speed_mps)
    chosen &= session.setups.named(name)[session.log.setup[part]]
    part_of_transit = (measured.bounce_s / measured.transit_s)[chosen]
    shots = shots[chosen]
    body = session.setups.last(name).body
    is_single = np.mean(shots["used"] != EdgesUsed.BOTH) > MOST if len(shots) else False
    chord_m = _length_u(session.rig, body) / 2 if is_single else 0.0
    by_bounce = part_of_transit[shots["bounce"] > 0]
    noise = NOISE_BESIDE_BOUNCES * float(np.median(by_bounce)) if len(by_bounce) > 1 else 0.0
    return GateScatter(
        mean_mps * chord_m / session.rig.spacing_m,
        len(by_bounce),
        len(shots),
        mean_mps * noise,
    )


@dataclass(frozen=True)
class SetupSummary:
    """
    The results of the counted shots of one setup.

    Attributes
    ----------
    setup : Setup
        The last setup that was entered with this name.
    series : Series or None
        Statistics of the shots; None if no shot is counted.
    scatter : Scatter or None
        Scatter of the shots; None for fewer than two shots.
    motion : Motion or None
        Motion of the body at the mean speed; None if no shot is counted.
    mouth : MuzzleSpeed or None
        Mean speed at the launcher's mouth; None if unknown.
    blocking : BlockedLengths or None
        Body lengths that the gates measured; None if no shot blocked both gates.
    hidden : GateScatter or None
        Scatter that the gates may add to the random part of the shots.
    """

    setup: Setup
    series: Series | None
    scatter: Scatter | None
    motion: Motion | None
    mouth: MuzzleSpeed | None
    blocking: BlockedLengths | None = None
    hidden: GateScatter | None = None


@dataclass(frozen=True)
class SessionTotals:
    """
    The results of all counted shots in a session.

    Attributes
    ----------
    series : Series
        Statistics of all counted shots, see `of_several_parts`.
    slowest, fastest : int
        Numbers of the slowest and the fastest shot.
    drift : Drift or None
        Common drift of the speeds in all setups. Each setup has its own mean.
    s_within_mps : float
        Standard deviation within the setups [m/s]; NaN if no setup has two shots.
    within_dof : int
        Degrees of freedom of `s_within_mps`.
    """

    series: Series
    slowest: int
    fastest: int
    drift: Drift | None
    s_within_mps: float
    within_dof: int


@dataclass(frozen=True, eq=False)
class Summary:
    """
    The summary of a recording.

    Attributes
    ----------
    recorded : LoadedRecording
    counted : int
        Number of shots that enter the statistics.
    setups : tuple of SetupSummary
        The setups with shots, in order of first use.
    whole : SessionTotals or None
        Results of all counted shots; None if no shot is counted.
    timing : TimingJitter or None
        Jitter of one edge, computed from the shots; None if unknown.
    slope : MeasuredSlope or None
        Slope of the path, computed from the shots; None if unknown.
    trends : tuple of LengthTrend
        How the body lengths at each gate change with speed and with time; empty if unknown.
    """

    recorded: LoadedRecording
    counted: int
    setups: tuple[SetupSummary, ...]
    whole: SessionTotals | None
    timing: TimingJitter | None
    slope: MeasuredSlope | None
    trends: tuple[LengthTrend, ...] = ()


def summary_of(recorded: LoadedRecording) -> Summary:
    """Return the summary of a recording that was read to the end."""
    session = recorded.session
    used = {session.setups.name(int(i)) for i in np.unique(session.log.setup)}
    names = [name for name in session.setups.names if name in used]
    samples = [session.sample(name) for name in names]
    lengths = lengths_of(session)
    setups = tuple(
        _setup(session, name, sample, lengths.get(name))
        for name, sample in zip(names, samples, strict=True)
    )
    counted = [sample for sample in samples if sample is not None]
    number = sum(len(sample.number) for sample in counted)
    by_shots = timing_of(session), slope_of(session), trends_of(session)
    return Summary(recorded, number, setups, _whole(counted), *by_shots)


def _setup(
    session: Session, name: str, sample: Sample | None, blocking: BlockedLengths | None
) -> SetupSummary:
    setup = session.setups.last(name)
    series = series_of(sample) if sample is not None else None
    if sample is None or series is None:
        return SetupSummary(setup, None, None, None, None)
    return SetupSummary(
        setup,
        series,
        scatter_of(sample),
        motion_of(series, session.rig, setup.body),
        muzzle_of(series, session.rig, setup.body),
        blocking,
        gate_scatter_of(session, name, series.mean_mps),
    )


def _whole(samples: Sequence[Sample]) -> SessionTotals | None:
    """Return one result for all setups together; None if no shot is counted."""
    if not samples:
        return None
    every = joined(samples)
    series = series_of(every)
    assert series is not None, "a sample has shots"
    slowest, fastest = (int(every.number[f(every.speed_mps)]) for f in (np.argmin, np.argmax))
    within = s_within_parts([each.speed_mps for each in samples])
    if len(samples) > 1:
        series = of_several_parts(series, *within, every.shared)
    return SessionTotals(series, slowest, fastest, drift_of(samples), *within)


def joined(samples: Sequence[Sample]) -> Sample:
    """Join the samples of a session into one sample, in the order of the shots."""
    if len(samples) == 1:
        return samples[0]
    order = np.argsort(np.concatenate([each.number for each in samples]))
    number, *columns = (
        np.concatenate([getattr(each, name) for each in samples])[order]
        for name in ("number", "speed_mps", "u_random_mps", "u_shared_mps", "U95_mps")
    )
    speed, random, shared, expanded = columns
    return Sample(number, speed, random, shared, expanded, samples[0].shared)
