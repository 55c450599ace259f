"""Compute from the last shots what they say about the rig: jitter, lengths, slope, clock."""

import math
from collections.abc import Mapping
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from chrono.arrays.array_types import Bools, Floats
from chrono.clock.clock_rate import HOST_RATE_TOLERANCE, ShotRate
from chrono.measuring.error_budget import Input, chords, stated_rate
from chrono.measuring.length_trends import (
    LengthTrend,
    SeenLengths,
    drift_in_time,
    growth_with_speed,
)
from chrono.measuring.measured_slope import MeasuredSlope, measured_slope
from chrono.measuring.speed import Measured
from chrono.measuring.timing_jitter import (
    BlockedLengths,
    TimingJitter,
    blocking_of,
    has_clean_lengths,
    tells_timing,
    timing_scatter,
)
from chrono.processor.shot_records import EdgesUsed, Shots
from chrono.rigs.rig_model import Rig
from chrono.session.operator_records import Body
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


MOST_RATE = 20.0
"""If the counter seems to run faster or slower than this factor, the lines did not come in real
time: a program sent them at once, for example."""

READ_LATE_S = 0.2
"""The delays with which the computer reads lines usually differ by less than this [s]."""


@dataclass(frozen=True, eq=False)
class RecentShots:
    """
    The last shots of a session with their measured values, N shots.

    Attributes
    ----------
    session : Session
    shots : Shots, shape (N,)
    setup : ndarray of int32, shape (N,)
        Place of each shot's setup in the list of setups.
    measured : Measured, shape (N,)
    counted : ndarray of bool, shape (N,)
        True for each shot that counts in the statistics.
    timed : ndarray of bool, shape (N,)
        True for each counted shot that was measured with the present counter.
    """

    session: Session
    shots: Shots
    setup: npt.NDArray[np.int32]
    measured: Measured
    counted: Bools
    timed: Bools

    @classmethod
    def of(cls, session: Session, most: int = MOST_SHOTS) -> "RecentShots":
        """Measure the last shots of a session, at most `most`."""
        log = session.log
        part = slice(max(len(log) - most, 0), len(log))
        shots, measured = log.shots[part], session.measured(part)
        counted = session.are_counted(shots, measured.speed_mps)
        is_present = session.counters.at(shots["key"]) == session.counters.place
        return cls(session, shots, log.setup[part], measured, counted, counted & is_present)


@dataclass(frozen=True)
class RigEvidence:
    """
    What the counted shots say about the rig.

    Attributes
    ----------
    timing : TimingJitter or None
        Jitter of one edge; None if unknown.
    lengths : dict of str to BlockedLengths
        Body lengths that the gates measured, by setup, in order of first use.
    slope : MeasuredSlope or None
        Slope of the path; None if unknown.
    trends : tuple of LengthTrend
        How the body lengths at each gate change with speed and with time; empty if unknown.
    rate : ShotRate or None
        The counter's rate, compared with the computer's clock; None if unknown.
    """

    timing: TimingJitter | None
    lengths: dict[str, BlockedLengths]
    slope: MeasuredSlope | None
    trends: tuple[LengthTrend, ...]
    rate: ShotRate | None


def rig_evidence(recent: RecentShots) -> RigEvidence:
    """Return what the counted shots say about the rig."""
    return RigEvidence(
        _timing(recent),
        _lengths(recent),
        slope_of(recent),
        trends_of(recent),
        rate_of(recent),
    )


def rate_of(recent: RecentShots) -> ShotRate | None:
    """
    Compare the counter with the computer's clock, from the times at which shots were read.

    Each shot of the first half is compared with a shot of the second half. The median of these
    comparisons does not change if a few lines were read late. The beats give a far more exact
    rate, see `ClockTracker`, but reading them takes longer.

    Returns
    -------
    ShotRate or None
        None for fewer than four shots, for lines without a counter, for lines that did not come
        in real time, and if the rig takes the rate from the beats.
    """
    session = recent.session
    stated, tolerance = stated_rate(session.rig)
    shots = recent.shots[recent.timed]
    half = len(shots) // 2
    if half < 2 or session.rig.lines.is_interval or math.isinf(tolerance):
        return None
    board_s = shots["key"] * session.model.unit_s / (1 + stated)
    host_s = shots["host_us"] * 1e-6
    span_s = float(np.median(host_s[-half:] - host_s[:half]))
    if not span_s > 0:
        return None
    ahead_s = board_s - host_s
    gained_s = float(np.median(ahead_s[-half:] - ahead_s[:half]))
    off = gained_s / span_s
    if not 1 / MOST_RATE < 1 + off < MOST_RATE:
        return None
    limit = tolerance + HOST_RATE_TOLERANCE + READ_LATE_S / span_s
    return ShotRate(off, tolerance, limit, session.rig.lines.has_beats)


def _timing(recent: RecentShots) -> TimingJitter | None:
    """Compute the jitter from the counted shots of the present counter; None if unknown."""
    chosen = recent.timed & tells_timing(recent.shots)
    if not chosen.any():
        return None
    shots, model = recent.shots[chosen], recent.session.model
    transit_s, setups = recent.measured.transit_s[chosen], recent.setup[chosen]
    return timing_scatter(
        (shots["trail"] - shots["lead"]) * model.unit_s + model.expected_apart(transit_s),
        transit_s,
        setups.astype(np.intp),
        _chord_u(recent, chosen) / recent.measured.speed_mps[chosen],
        tick_s=model.tick_s,
        stated_s=model.jitter.u,
    )


def _lengths(recent: RecentShots) -> dict[str, BlockedLengths]:
    """Return the body lengths that the gates measured, by setup, in order of first use."""
    setups, measured = recent.session.setups, recent.measured
    in_rig_m = recent.session.rig.body.length_m
    lengths_m = np.array([setup.body.get("length_m", in_rig_m) for setup in setups.all()])
    found = {}
    for name in setups.names:
        last = recent.session.setups_with_shots(name)[-1]
        declared_m = last.body.get("length_m", in_rig_m)
        same = setups.named(name) & (lengths_m == declared_m)
        chosen = recent.counted & same[recent.setup]
        blocking = blocking_of(
            measured.length_a_m[chosen], measured.length_b_m[chosen], declared_m
        )
        if blocking is not None:
            found[name] = blocking
    return found


def slope_of(recent: RecentShots) -> MeasuredSlope | None:
    """Compute how steep the body's path is, from the counted shots; None if unknown."""
    shots, session = recent.shots, recent.session
    chosen = (
        recent.timed & tells_timing(shots) & (shots["block_a"] > 0) & (shots["block_b"] > 0)
    )
    chosen[:-SLOPE_SHOTS] = False
    if not chosen.any():
        return None
    shots, model, rig = shots[chosen], session.model, session.rig
    speed_mps = recent.measured.speed_mps[chosen]
    kappa_per_m, kappa_u = model.motion.drag(speed_mps)
    length_m = float(np.median(recent.measured.body_length_m[chosen]))
    of_trips = 2 * rig.gates.trip_tolerance_m * math.sqrt(2 / 3)
    widths = _chord_u(recent, chosen)
    of_drag = float(np.max(kappa_per_m * kappa_u)) * model.spacing_m
    rate = 1 + model.rate_error
    lead_s, blocked_a_s, blocked_b_s = (
        shots[name] * model.unit_s / rate for name in ("lead", "block_a", "block_b")
    )
    return measured_slope(
        lead_s - model.latency_s,
        blocked_a_s,
        blocked_b_s,
        kappa_per_m * speed_mps**2,
        spacing_m=model.spacing_m,
        ratio_u=math.hypot(of_trips / length_m, float(np.max(widths)) / length_m, of_drag),
        stated=(*model.motion.stated_pull, model.motion.free_mps2),
    )


def trends_of(recent: RecentShots) -> tuple[LengthTrend, ...]:
    """Return how the measured lengths at each gate change with speed and with time."""
    session, measured = recent.session, recent.measured
    chosen = recent.timed & has_clean_lengths(recent.shots)
    chosen &= np.isfinite(measured.length_a_m) & np.isfinite(measured.length_b_m)
    if not chosen.any():
        return ()
    model, speed_mps = session.model, measured.speed_mps[chosen]
    body, bodies = _bodies(recent, chosen)
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
        found += [
            growth_with_speed(seen, body),
            drift_in_time(seen, recent.setup[chosen].astype(np.intp)),
        ]
    return tuple(each for each in found if each is not None)


def _chord_u(recent: RecentShots, chosen: Bools) -> Floats:
    """Return u of the length difference between gates A and B for chosen shots [m]."""
    body, bodies = _bodies(recent, chosen)
    return np.array([_length_u(recent.session.rig, dict(each)) for each in bodies])[body]


def _bodies(recent: RecentShots, chosen: Bools) -> tuple[npt.NDArray[np.intp], list[Body]]:
    """Return the number of each chosen shot's body, and the list of all bodies, each once."""
    used, of_setup = np.unique(recent.setup[chosen], return_inverse=True)
    stated = [recent.session.setups.body(int(place)) for place in used]
    numbers = {each: number for number, each in enumerate(dict.fromkeys(stated))}
    return np.array([numbers[each] for each in stated])[of_setup], list(numbers)


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


def gate_scatter_of(recent: RecentShots, name: str, mean_mps: float) -> GateScatter:
    """Return the scatter that the gates may add to the speeds of a setup."""
    session, measured = recent.session, recent.measured
    chosen = recent.counted & session.setups.named(name)[recent.setup]
    part_of_transit = (measured.bounce_s / measured.transit_s)[chosen]
    shots = recent.shots[chosen]
    is_single = np.mean(shots["used"] != EdgesUsed.BOTH) > MOST if len(shots) else False
    chord_m = math.sqrt(np.mean(_chord_u(recent, chosen) ** 2)) / 2 if is_single else 0.0
    by_bounce = part_of_transit[shots["bounce"] > 0]
    noise = NOISE_BESIDE_BOUNCES * float(np.median(by_bounce)) if len(by_bounce) > 1 else 0.0
    return GateScatter(
        mean_mps * chord_m / session.rig.spacing_m,
        len(by_bounce),
        len(shots),
        mean_mps * noise,
    )
