"""Compute speeds and their uncertainties from transits, for one shot or for millions of shots.

The mean speed between the gates is V = d·(1 + θ²/6) / (Δ/(1 + ε) − δ), with gate spacing d,
tilt limit θ, transit by the board's clock Δ, relative error of the counter's frequency ε, and
delay difference δ (gate B minus gate A). From V, `PathMotion` computes the speed of the body
midway between the gates, with drag and gravity.

One pair of edges (one edge per gate) measures the transit of the body's front or of its back. A
ball that crosses the two beams at different distances from its middle makes the transit of one
end too long, and the transit of the other end too short by the same time. The mean of the two
transits is correct. On a path with a slope the module uses the mean of v².

A shot has exactly the same result alone and together with millions of shots.
"""

import math
from collections.abc import Sequence
from dataclasses import dataclass, replace
from functools import cached_property, partial

import numpy as np

from chrono.arrays.array_types import Bytes, Floats, Ints, Places
from chrono.measuring.coverage_interval import (
    CoverageTable,
    coverage_half_width,
    quotient_half_width,
    with_normal,
)
from chrono.measuring.error_budget import (
    Budget,
    Contribution,
    Input,
    bounce_inputs,
    combined_uncertainty,
    effective_dof,
    expanded_uncertainty,
    latency_input,
    normal,
    rate_input,
    spacing_input,
    tilt,
    triangular,
    trip_inputs,
    two_pair,
)
from chrono.measuring.path_motion import PathMotion
from chrono.processor.shot_records import ABSENT, EdgesUsed, Shots
from chrono.rigs.rig_model import Rig


@dataclass(frozen=True, eq=False)
class Measured:
    """
    Columns of measured shots, with one element per shot.

    A value that cannot be measured is NaN.

    Attributes
    ----------
    speed_mps : ndarray of float64, shape (N,)
        Speed [m/s].
    u_mps, U95_mps : ndarray of float64, shape (N,)
        Combined standard uncertainty, and half-width of the 95 % interval [m/s].
    u_random_mps, u_shared_mps : ndarray of float64, shape (N,)
        The random and the shared part of `u_mps` [m/s].
    transit_s : ndarray of float64, shape (N,)
        Transit by the board's clock [s].
    body_length_m, length_a_m, length_b_m : ndarray of float64, shape (N,)
        Mean of the known lengths, and length at each gate (speed times blocking time) [m].
    companion_speed_mps : ndarray of float64, shape (N,)
        Speed of the first companion [m/s].
    bounce_s : ndarray of float64, shape (N,)
        Part of the transit's standard uncertainty that bounce and late lines cause [s].
    skew_s : ndarray of float64, shape (N,)
        Half of (leading minus trailing transit) [s]. NaN if one of the transits was not
        measured.
    """

    speed_mps: Floats
    u_mps: Floats
    U95_mps: Floats
    u_random_mps: Floats
    u_shared_mps: Floats
    transit_s: Floats
    body_length_m: Floats
    length_a_m: Floats
    length_b_m: Floats
    companion_speed_mps: Floats
    bounce_s: Floats
    skew_s: Floats


def join_measured(pieces: Sequence[Measured]) -> Measured:
    """Join the columns of several `Measured` objects, in the given order."""
    if len(pieces) == 1:
        return pieces[0]
    names = Measured.__dataclass_fields__
    return Measured(
        **{n: np.concatenate([np.zeros(0), *(getattr(p, n) for p in pieces)]) for n in names}
    )


STEEP = 0.02
"""If the relative uncertainty of a transit is above this value, the coverage factor is computed
from the quotient path/time.
"""

_NODES_PER_DECADE = 10
_DECADES = 2, 4
"""Range of the coverage table, in decades below and above a middle transit. At the middle
transit, the uncertainties of timing and length are equally important.
"""


@dataclass(frozen=True)
class SpeedModel:
    """
    A model of one rig that computes speeds from transits, with their uncertainties.

    Attributes
    ----------
    unit_s : float
        Time of one counter unit [s].
    tick_s : float
        Smallest step of a timestamp [s].
    spacing_m : float
        Distance between the gates [m].
    path_factor : float
        Mean factor by which tilt lengthens the path, 1 + θ²/6.
    rate_error : float
        ε, relative error of the counter's frequency.
    latency_s : float
        δ, delay of gate B minus delay of gate A [s].
    spacing, trips, tilt, rate, latency : Input
        The shared inputs. `trips` is empty if the spacing includes the trip positions.
    jitter : Input
        Jitter of one timestamp.
    motion : PathMotion
        Motion of the body between the gates.
    """

    unit_s: float
    tick_s: float
    spacing_m: float
    path_factor: float
    rate_error: float
    latency_s: float
    spacing: Input
    trips: tuple[Input, ...]
    tilt: Input
    rate: Input
    latency: Input
    jitter: Input
    motion: PathMotion

    @classmethod
    def from_rig(cls, rig: Rig) -> "SpeedModel":
        """
        Create the model of a rig.

        If the rig has calibration results, they replace the stated tolerances.
        """
        gates, calibration = rig.gates, rig.calibration
        motion = PathMotion.from_rig(rig)
        return cls(
            unit_s=rig.clock.unit_s,
            tick_s=rig.clock.tick_s,
            spacing_m=rig.spacing_m,
            path_factor=motion.path_factor,
            rate_error=calibration.rate_error,
            latency_s=calibration.latency_difference_s,
            spacing=spacing_input(rig),
            trips=trip_inputs(rig),
            tilt=tilt("tilt of the path", gates.tilt_limit_rad),
            rate=rate_input(rig),
            latency=latency_input(rig),
            jitter=normal("jitter", rig.clock.jitter_s, nature="random", unit="s"),
            motion=motion,
        )

    def make_ready(self) -> None:
        """Compute the coverage factors before the first shot; this takes about 0.1 s."""
        for used in (EdgesUsed.BOTH, EdgesUsed.LEAD):
            self._coverage[used].work_out_all()

    def true_transit(self, transit_s: float) -> float:
        """Correct a transit [s] for the error of the clock and the latencies of the gates."""
        return transit_s / (1 + self.rate_error) - self.latency_s

    def board_transit(self, speed_mps: float, edges_used: int = EdgesUsed.BOTH) -> float:
        """Return the transit [s] that the board's clock measures for a body's speed [m/s]."""
        mean_mps = float(self.motion.mean_speed(speed_mps, edges_used))
        true_s = self.spacing_m * self.path_factor / mean_mps
        return (true_s + self.latency_s) * (1 + self.rate_error)

    def speed(
        self, transit_s: float, edges_used: int = EdgesUsed.BOTH, skew_s: float | None = None
    ) -> float:
        """
        Return the speed [m/s] for a transit by the board's clock [s].

        If the transit after all corrections is not above zero, the speed is infinite.
        """
        true_s = self.true_transit(transit_s)
        if not true_s > 0:
            return math.inf
        mean = np.array([self.spacing_m * self.path_factor / true_s])
        skew = self._skew(transit_s, skew_s)
        return float(self.motion.speed(mean, np.array([true_s]), edges_used, skew)[0])

    def expected_apart(self, transit_s: Floats) -> Floats:
        """Return leading transit minus trailing transit [s], as expected from gravity."""
        true_s = transit_s / (1 + self.rate_error) - self.latency_s
        mean = self.spacing_m * self.path_factor / true_s
        return 2 * self.motion.expected_skew(mean) * transit_s

    def _skew(self, transit_s: float, skew_s: float | None) -> float | None:
        return None if skew_s is None or math.isnan(skew_s) else skew_s / transit_s

    def contributions(
        self,
        transit_s: float,
        edges_used: int,
        bounce_s: float = 0.0,
        skew_s: float | None = None,
    ) -> tuple[Contribution, ...]:
        """
        Return what each input adds to the uncertainty of a speed.

        Parameters
        ----------
        transit_s : float
            Transit by the board's clock [s].
        edges_used : int
            An `EdgesUsed` other than NONE.
        bounce_s : float, optional
            Standard uncertainty of the transit from bounce and late lines [s].
        skew_s : float, optional
            Half of (leading minus trailing transit) [s]. If it was not measured, the value
            expected for the body is used.

        Raises
        ------
        ValueError
            The corrected transit is not above zero, or no edges were used.
        """
        true_s = self.true_transit(transit_s)
        if not true_s > 0 or edges_used == EdgesUsed.NONE:
            raise ValueError(
                "the transit must be above zero, and at least one pair of edges must be used"
            )
        v, rate = self.speed(transit_s, edges_used, skew_s), 1 + self.rate_error
        mean, skew = self.spacing_m * self.path_factor / true_s, self._skew(transit_s, skew_s)
        shares = self.motion.shares(np.array([mean]), np.array([true_s]), edges_used, skew)
        by_length = v / self.spacing_m * float(np.ravel(shares.path)[0])
        by_time = v * float(np.ravel(shares.transit)[0])
        return (
            Contribution(self.spacing, by_length),
            *(
                Contribution(trip, by_length + side * self.motion.acceleration_mps2 / (2 * v))
                for trip, side in zip(self.trips, (-1, 1), strict=False)
            ),
            Contribution(self.tilt, by_length * self.spacing_m / self.path_factor),
            *self.motion.contributions(v, mean, true_s, edges_used, skew),
            Contribution(self.rate, by_time * transit_s / (true_s * rate * rate)),
            Contribution(self.latency, by_time / true_s),
            *(
                Contribution(i, -by_time / (true_s * rate))
                for i in (*self._timing(edges_used), *bounce_inputs(bounce_s))
            ),
        )

    def U95(self, speed_mps: float, edges_used: int = EdgesUsed.BOTH) -> float:  # noqa: N802
        """Return U95 [m/s] at a speed [m/s]."""
        transit_s = self.board_transit(speed_mps, edges_used)
        return coverage_half_width(self.contributions(transit_s, edges_used))

    def coverage_factor(self, transit_s: float, edges_used: int) -> float:
        """Return the coverage factor U95/u for a transit that the board measured [s]."""
        true_s = np.array([self.true_transit(transit_s)])
        return float(self._coverage[edges_used].factor(true_s)[0])

    def _timing(self, edges_used: int) -> tuple[Input, ...]:
        """Return the random errors of a transit: the rounding to ticks, and the jitter."""
        if edges_used == EdgesUsed.BOTH:
            tick = two_pair("tick, two pairs", self.tick_s, nature="random", unit="s")
            return tick, self.jitter
        both_stamps = replace(self.jitter, u=self.jitter.u * math.sqrt(2))
        tick = triangular("tick", self.tick_s, nature="random", unit="s")
        return tick, both_stamps

    @cached_property
    def u_timing_s(self) -> dict[int, float]:
        """Standard uncertainty of a transit from tick and jitter [s], for each `EdgesUsed`."""
        return {
            used: math.sqrt(sum(i.u**2 for i in self._timing(used)))
            for used in (EdgesUsed.BOTH, EdgesUsed.LEAD, EdgesUsed.TRAIL)
        }

    @cached_property
    def u_length(self) -> float:
        """Standard uncertainty of the path (spacing, trips, tilt), divided by the path."""
        along = sum(i.u**2 for i in (self.spacing, *self.trips)) / self.spacing_m**2
        return math.sqrt(along + (self.tilt.u / self.path_factor) ** 2)

    @property
    def u_trips_m(self) -> float:
        """Combined standard uncertainty of the places where the two gates trip [m]."""
        return math.sqrt(sum(trip.u**2 for trip in self.trips))

    @cached_property
    def u_chords(self) -> float:
        """Relative u of the speed from off-centre balls, if only one pair of edges is used."""
        chord = self.motion.chords
        return chord.u / self.spacing_m if chord else 0.0

    @cached_property
    def _coverage(self) -> "dict[int, CoverageTable]":
        return {
            used: _coverage_table(self, used)
            for used in (EdgesUsed.BOTH, EdgesUsed.LEAD, EdgesUsed.TRAIL)
        }


def measure(shots: Shots, model: SpeedModel) -> Measured:
    """
    Compute the speeds and uncertainties of shots.

    Parameters
    ----------
    shots : structured ndarray of `SHOT_DTYPE`, shape (N,)
        Shots in counter units. Pass millions of shots in blocks: the function needs about
        twenty columns of float64 at a time.
    model : SpeedModel
        The rig's model.

    Returns
    -------
    Measured
        Speeds and uncertainties.
    """
    used = np.ascontiguousarray(shots["used"])
    single = np.flatnonzero(used != EdgesUsed.BOTH)
    transit_s = _transit_ticks(shots, used, single) * model.unit_s
    rate = 1 + model.rate_error
    true_s = transit_s / rate - model.latency_s
    true_s[~(true_s > 0)] = np.nan
    skew_s = _skew_ticks(shots, used) * model.unit_s
    bounce_s = np.asarray(shots["bounce"], np.float64) * model.unit_s
    parts = np.full((4, len(shots)), np.nan)
    for one in (EdgesUsed.BOTH, EdgesUsed.LEAD, EdgesUsed.TRAIL):
        places = (used == one).nonzero()[0]
        if len(places):
            transit, skew = true_s[places], None
            if one == EdgesUsed.BOTH and not model.motion.is_level:
                skew = skew_s[places] / np.where(np.isnan(transit), np.nan, transit_s[places])
            parts[:, places] = _measure_alike(transit, bounce_s[places], skew, one, model)
    speed, u_random, u_shared, factors = parts
    u = np.sqrt(u_random * u_random + u_shared * u_shared)
    bounced = bounce_s.nonzero()[0]
    if bounced.size:
        share = u_random[bounced] * bounce_s[bounced] / u[bounced]
        share /= _timing_u(bounce_s, used, model)[bounced]
        factors[bounced] = with_normal(factors[bounced], share)
    blocked = (_blocking_ticks(shots[gate]) * model.unit_s / rate for gate in _BLOCKS)
    length_a, length_b = model.motion.lengths(speed, *blocked)
    return Measured(
        speed_mps=speed,
        u_mps=u,
        U95_mps=factors * u,
        u_random_mps=u_random,
        u_shared_mps=u_shared,
        transit_s=transit_s,
        body_length_m=_mean_length(length_a, length_b),
        length_a_m=length_a,
        length_b_m=length_b,
        companion_speed_mps=_companion_speed(shots, model),
        bounce_s=bounce_s,
        skew_s=skew_s,
    )


_BLOCKS = "block_a", "block_b"


def _measure_alike(
    true_s: Floats, bounce_s: Floats, skew: Floats | None, used: EdgesUsed, model: SpeedModel
) -> tuple[Floats, Floats, Floats, Floats]:
    """Return speed, random u, shared u and coverage factor of shots that use the same edges."""
    motion, rate = model.motion, 1 + model.rate_error
    mean = (model.spacing_m * model.path_factor) / true_s
    if skew is not None and (unknown := np.isnan(skew)).any():
        expected = motion.expected_skew(mean)
        skew = np.where(unknown, expected, skew)
    speed = motion.speed(mean, true_s, used, skew)
    shares = motion.shares(mean, true_s, used, skew)
    timing_s = np.hypot(model.u_timing_s[used], bounce_s)
    u_random = speed * shares.transit * (timing_s / rate) / true_s
    by_path = shares.path * model.u_length
    by_rate = model.rate.u / rate * ((true_s + model.latency_s) / true_s)
    by_clock = shares.transit**2 * (by_rate**2 + (model.latency.u / true_s) ** 2)
    of_motion = motion.u(speed, shares, mean, used)
    of_middle = motion.acceleration_mps2 / (2 * speed**2) * model.u_trips_m
    u_shared = speed * np.sqrt(by_path**2 + of_middle**2 + by_clock + of_motion**2)
    return speed, np.abs(u_random), u_shared, model._coverage[used].factor(true_s)


def _skew_ticks(shots: Shots, used: Bytes) -> Floats:
    """Return half of (leading transit minus trailing transit), or NaN if an edge is missing."""
    lead, trail = (np.ascontiguousarray(shots[name]) for name in ("lead", "trail"))
    skew: Floats = (lead - trail) / 2
    skew[(used != EdgesUsed.BOTH) | (shots["block_a"] == ABSENT)] = np.nan
    return skew


def _blocking_ticks(ticks: Ints) -> Floats:
    return np.where(ticks == ABSENT, np.nan, ticks)


def _mean_length(length_a: Floats, length_b: Floats) -> Floats:
    """Return the mean of the known lengths, or NaN if both lengths are unknown."""
    mean = (length_a + length_b) / 2
    mean = np.where(np.isnan(length_b), length_a, mean)
    return np.where(np.isnan(length_a), length_b, mean)


def shot_budget(
    model: SpeedModel,
    transit_s: float,
    edges_used: int,
    bounce_s: float = 0.0,
    skew_s: float | None = None,
) -> Budget:
    """
    Return the error budget of one shot.

    Parameters
    ----------
    model : SpeedModel
        The rig's model.
    transit_s : float
        Transit by the board's clock [s].
    edges_used : int
        An `EdgesUsed`. Two pairs of edges have a smaller rounding error than one pair.
    bounce_s : float, optional
        Standard uncertainty of the transit from bounce and late lines [s].
    skew_s : float, optional
        See `Measured`. If it was not measured, the value expected for the body is used.

    Raises
    ------
    ValueError
        The corrected transit is not above zero, or no edges were used.
    """
    contributions = model.contributions(transit_s, edges_used, bounce_s, skew_s)
    u = combined_uncertainty(contributions)
    factor = model.coverage_factor(transit_s, edges_used)
    if bounce_s > 0:
        share = contributions[-1].u_out / u
        factor = float(with_normal(np.array([factor]), np.array([share]))[0])
    return Budget(
        speed_mps=model.speed(transit_s, edges_used, skew_s),
        contributions=contributions,
        u_mps=u,
        u_random_mps=_part(contributions, "random"),
        u_shared_mps=_part(contributions, "shared"),
        dof=effective_dof(contributions),
        U95_mps=factor * u,
        U95_first_order_mps=expanded_uncertainty(contributions),
        lowest_mps=model.speed(transit_s + model.tick_s, edges_used, skew_s),
        highest_mps=model.speed(transit_s - model.tick_s, edges_used, skew_s),
    )


def _part(contributions: tuple[Contribution, ...], nature: str) -> float:
    return combined_uncertainty(c for c in contributions if c.input.nature == nature)


def _coverage_table(model: SpeedModel, edges_used: int) -> CoverageTable:
    """Return a table of coverage factors for a range of transits (see `_DECADES`)."""
    u_time = math.hypot(model.u_timing_s[edges_used], model.latency.u)
    u_ratio = math.hypot(model.u_length, model.rate.u)
    if edges_used != EdgesUsed.BOTH:
        u_ratio = math.hypot(u_ratio, model.u_chords)
    middle = u_time / (u_ratio or STEEP) if u_time > 0 else 1.0
    places = np.arange(-_DECADES[0] * _NODES_PER_DECADE, _DECADES[1] * _NODES_PER_DECADE + 1)
    transits = middle * 10 ** (places / _NODES_PER_DECADE)
    return CoverageTable(transits, partial(_coverage_factor, model, edges_used))


def _coverage_factor(model: SpeedModel, edges_used: int, true_s: float) -> float:
    board_s = (true_s + model.latency_s) * (1 + model.rate_error)
    contributions = model.contributions(board_s, edges_used)
    u = combined_uncertainty(contributions)
    if math.hypot(model.u_timing_s[edges_used], model.latency.u) > STEEP * true_s:
        return quotient_half_width(contributions, model.speed(board_s, edges_used)) / u
    return coverage_half_width(contributions) / u


def _transit_ticks(shots: Shots, used: Bytes, single: Places) -> Floats:
    """Return the transit [counter units] of each shot, or NaN if there is no transit."""
    lead, trail = (np.ascontiguousarray(shots[name]) for name in ("lead", "trail"))
    transit: Floats = (lead + trail) / 2
    transit[single] = np.nan
    for one, edge in ((EdgesUsed.LEAD, lead), (EdgesUsed.TRAIL, trail)):
        places = single[used[single] == one]
        transit[places] = edge[places]
    return transit


def _timing_u(bounce_s: Floats, used: Bytes, model: SpeedModel) -> Floats:
    both, one = (model.u_timing_s[pairs] for pairs in (EdgesUsed.BOTH, EdgesUsed.LEAD))
    return np.hypot(np.where(used == EdgesUsed.BOTH, both, one), bounce_s)


def _companion_speed(shots: Shots, model: SpeedModel) -> Floats:
    transit_s = np.asarray(shots["companion"], np.float64) * model.unit_s
    if np.isnan(transit_s).all():
        return transit_s
    true_s = transit_s / (1 + model.rate_error) - model.latency_s
    true_s[~(true_s > 0)] = np.nan
    mean = np.asarray((model.spacing_m * model.path_factor) / true_s, np.float64)
    if model.motion.is_level:
        return mean
    # the drag of the companion is unknown, so only gravity is included
    return np.hypot(mean, model.motion.acceleration_mps2 * true_s / 2)
