"""From transits to speeds with their uncertainties, for one shot or for millions.

v = d·(1 + θ²/6) / (Δ/(1 + ε) − δ), with the spacing d, the tilt limit θ, the transit Δ by the
board's clock, the relative error ε of the counter's frequency and the latency δ of gate B
less that of gate A. It is the speed of the body's middle midway between the gates; drag
makes d/Δ differ from it by less than (κd)²/24 in relative terms.

One pair of edges times the front or the back of the body instead (`SinglePairCorrection`).
The front is midway while the middle is still half a length short of it, where drag has slowed
the body less. So the speed of the middle, midway, is that of the front times 1 − κℓ/2, and
that of the back times 1 + κℓ/2. A ball that crosses the two beams at different distances from
its axis shows each another chord; half their difference is added to the path of the one edge
and taken from that of the other. The mean of two pairs is free of both.

First order is linear in the inputs. When few ticks fit in the transit the true
distribution is skewed; there the interval is that of the quotient itself, and the hard
one-tick limits stand beside it.
Every operation is elementwise and correctly rounded, so one shot alone and the same shot
among millions give the same bits.
"""

import math
from collections.abc import Sequence
from dataclasses import dataclass, replace
from functools import cached_property, partial

import numpy as np
import numpy.typing as npt

from chrono.arrays.array_types import Bytes, Floats, Places
from chrono.measuring.body_in_air import DRAG_COEFFICIENT_RELATIVE_U, ball_in_air
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
    chords,
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
from chrono.physics.sphere_drag import (
    FLAT_COEFFICIENT,
    FLAT_COEFFICIENT_RELATIVE_U,
    reynolds_number,
    sphere_drag_bounds,
)
from chrono.processor.shot_records import EdgesUsed, Shots, blocking_ticks
from chrono.rigs.rig_model import Rig


@dataclass(frozen=True, eq=False)
class Measured:
    """
    Columns of measured shots, one element per shot; NaN where not measurable.

    Attributes
    ----------
    speed_mps : ndarray of float64, shape (N,)
        Speed [m/s].
    u_mps, U95_mps : ndarray of float64, shape (N,)
        Combined standard uncertainty; half-width of the interval that holds 95 % [m/s].
    u_random_mps, u_shared_mps : ndarray of float64, shape (N,)
        The two parts of `u_mps` [m/s].
    transit_s : ndarray of float64, shape (N,)
        Transit by the board's clock [s].
    body_length_m : ndarray of float64, shape (N,)
        Speed times the mean blocking time of the gates that have one [m].
    companion_speed_mps : ndarray of float64, shape (N,)
        Speed of the first companion [m/s].
    bounce_s : ndarray of float64, shape (N,)
        Part of the transit's standard uncertainty from bounce and late lines [s].
    """

    speed_mps: Floats
    u_mps: Floats
    U95_mps: Floats
    u_random_mps: Floats
    u_shared_mps: Floats
    transit_s: Floats
    body_length_m: Floats
    companion_speed_mps: Floats
    bounce_s: Floats


def join_measured(pieces: Sequence[Measured]) -> Measured:
    """Return the columns of all pieces, one after the other."""
    if len(pieces) == 1:
        return pieces[0]
    names = Measured.__dataclass_fields__
    return Measured(
        **{n: np.concatenate([np.zeros(0), *(getattr(p, n) for p in pieces)]) for n in names}
    )


CHORDS = "chords"
SLOWING = "drag in the body"

_SPEEDS_MPS = np.geomspace(0.1, 2000.0, 600)
_MOST_SLOWING = 5.0
"""A body of which less than a hundredth of the speed is left after half its length."""
_SIGNS = np.array([0.0, 0.0, -1.0, 1.0])
"""By `EdgesUsed`: the front is ahead of the middle, the back behind it."""


@dataclass(frozen=True, eq=False)
class SinglePairCorrection:
    """
    What one pair of edges adds to the budget of one body.

    Attributes
    ----------
    chords : Input or None
        Difference of the half chords at both gates [m]; None where there is none.
    slowing : ndarray of float64, shape (M,)
        κℓ/2, relative, at the speeds of a table.
    slowing_u : ndarray of float64, shape (M,)
        Its standard uncertainty, relative to the speed.
    """

    chords: Input | None
    slowing: Floats
    slowing_u: Floats

    @classmethod
    def from_rig(cls, rig: Rig) -> "SinglePairCorrection":
        """Take body, air and aim from a rig."""
        body, gates = rig.body, rig.gates
        is_round = body.shape == "round" and gates.off_centre_m > 0
        chord = chords(CHORDS, body.diameter_m / 2, gates.off_centre_m) if is_round else None
        return cls(chord, *_slowing(rig))

    def factor(self, edge_mps: Floats, edges_used: npt.ArrayLike) -> Floats:
        """
        Return what the speeds of edges [m/s] must be multiplied by, elementwise.

        That is exp(∓κℓ/2), whose first order is 1 ∓ κℓ/2: above zero for the lightest body.
        """
        slowing = np.interp(edge_mps, _SPEEDS_MPS, self.slowing)
        return np.asarray(np.exp(_SIGNS[np.asarray(edges_used)] * slowing))

    def factor_u(self, edge_mps: Floats) -> Floats:
        """Return the standard uncertainty of that factor, elementwise."""
        return np.asarray(np.interp(edge_mps, _SPEEDS_MPS, self.slowing_u))

    def edge_speed(self, speed_mps: float, edges_used: int) -> float:
        """Return the speed of the edges [m/s] of a body with this speed at its middle."""
        edge = speed_mps
        for _ in range(8):  # the factor is within a few percent of 1 and hardly changes
            edge = speed_mps / float(self.factor(np.array([edge]), edges_used)[0])
        return edge

    def contributions(
        self, speed_mps: float, edge_mps: float, spacing_m: float, edges_used: int
    ) -> tuple[Contribution, ...]:
        """Return what the speed of a body [m/s] has from one pair of edges, if it has one."""
        if edges_used == EdgesUsed.BOTH:
            return ()
        u = float(self.factor_u(np.array([edge_mps]))[0])
        slowing = Contribution(normal(SLOWING, u), edge_mps)
        if self.chords is None:
            return (slowing,)
        return Contribution(self.chords, speed_mps / spacing_m), slowing


def _slowing(rig: Rig) -> tuple[Floats, Floats]:
    """Return κℓ/2 at the speeds of the table, and its standard uncertainty."""
    body, site = rig.body, rig.site
    air = {
        "temperature_k": site.temperature_k,
        "pressure_pa": site.pressure_pa,
        "humidity": site.humidity,
    }
    ball = ball_in_air(body.diameter_m, body.mass_kg, 1.0, **air)
    scale = ball.drag_per_coefficient_m * body.length_m / 2
    if body.shape == "flat":
        middle = np.full_like(_SPEEDS_MPS, FLAT_COEFFICIENT)
        of_drag = FLAT_COEFFICIENT_RELATIVE_U * middle
    else:
        unit = reynolds_number(1.0, body.diameter_m, ball.density_kgpm3, ball.viscosity_pas)
        low, high = sphere_drag_bounds(unit * _SPEEDS_MPS)
        middle = (low + high) / 2
        of_drag = np.hypot(DRAG_COEFFICIENT_RELATIVE_U * middle, (high - low) / math.sqrt(12))
    rest = combined_uncertainty(ball.drag_contributions[1:])
    slowing_u = scale * np.hypot(of_drag, rest * middle)
    return np.minimum(scale * middle, _MOST_SLOWING), slowing_u


STEEP = 0.02
"""Relative u of a transit above which the speed's error is not in proportion to its."""

_NODES_PER_DECADE = 10
_DECADES = 2.0
"""Reach of the coverage table on either side of the transit where timing and length weigh
the same; beyond it the smaller of them has under 1e-4 of the variance."""


@dataclass(frozen=True)
class SpeedModel:
    """
    What turns transits into speeds: estimates and inputs of one rig.

    Attributes
    ----------
    unit_s : float
        Time that one counter unit stands for [s].
    tick_s : float
        Quantisation step of a timestamp [s].
    spacing_m : float
        Distance of the gates [m].
    path_factor : float
        Mean lengthening of the path by tilt, 1 + θ²/6.
    rate_error : float
        ε, relative error of the counter's frequency.
    latency_s : float
        δ, delay of gate B less that of gate A [s].
    spacing, trips, tilt, rate, latency : Input
        The shared inputs; `trips` is empty when the spacing covers where the gates trip.
    jitter : Input
        Of one timestamp.
    one_pair : SinglePairCorrection
        What a shot timed by one pair of edges owes to the body.
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
    one_pair: SinglePairCorrection

    @classmethod
    def from_rig(cls, rig: Rig) -> "SpeedModel":
        """Make the model of a rig; calibration results replace the stated tolerances."""
        gates, calibration = rig.gates, rig.calibration
        return cls(
            unit_s=rig.clock.unit_s,
            tick_s=rig.clock.tick_s,
            spacing_m=rig.spacing_m,
            path_factor=1 + gates.tilt_limit_rad**2 / 6,
            rate_error=calibration.rate_error,
            latency_s=calibration.latency_difference_s,
            spacing=spacing_input(rig),
            trips=trip_inputs(rig),
            tilt=tilt("tilt of the path", gates.tilt_limit_rad),
            rate=rate_input(rig),
            latency=latency_input(rig),
            jitter=normal("jitter", rig.clock.jitter_s, nature="random", unit="s"),
            one_pair=SinglePairCorrection.from_rig(rig),
        )

    def make_ready(self) -> None:
        """Work out the coverage now: it takes 0.3 s, and else the first shot waits for it."""
        for table in (self._both_coverage, self._single_coverage):
            table.work_out_all()

    def true_transit(self, transit_s: float) -> float:
        """Return a transit [s] free of the clock's error and the gates' latencies."""
        return transit_s / (1 + self.rate_error) - self.latency_s

    def board_transit(self, speed_mps: float, edges_used: int = EdgesUsed.BOTH) -> float:
        """Return the transit by the board's clock [s] of a body at this speed [m/s]."""
        edge_mps = self.one_pair.edge_speed(speed_mps, edges_used)
        true_s = self.spacing_m * self.path_factor / edge_mps
        return (true_s + self.latency_s) * (1 + self.rate_error)

    def speed(self, transit_s: float, edges_used: int = EdgesUsed.BOTH) -> float:
        """Return the speed [m/s] for a transit by the board's clock [s]; inf below zero."""
        edge_mps = self._edge_speed(transit_s)
        if not math.isfinite(edge_mps) or edges_used == EdgesUsed.BOTH:
            return edge_mps
        return edge_mps * float(self.one_pair.factor(np.array([edge_mps]), edges_used)[0])

    def _edge_speed(self, transit_s: float) -> float:
        true_s = self.true_transit(transit_s)
        return self.spacing_m * self.path_factor / true_s if true_s > 0 else math.inf

    def contributions(
        self, transit_s: float, edges_used: int, bounce_s: float = 0.0
    ) -> tuple[Contribution, ...]:
        """
        Return every contribution to the speed, with its analytic sensitivity.

        Parameters
        ----------
        transit_s : float
            Transit by the board's clock [s].
        edges_used : int
            An `EdgesUsed` other than NONE.
        bounce_s : float, optional
            Standard uncertainty of the transit from bounce and late lines [s].

        Raises
        ------
        ValueError
            The transit leaves no positive time of flight, or no edges were used.
        """
        true_s = self.true_transit(transit_s)
        if not true_s > 0 or edges_used == EdgesUsed.NONE:
            raise ValueError("a transit above zero and the edges used are needed")
        edge, v, rate = (
            self._edge_speed(transit_s),
            self.speed(transit_s, edges_used),
            1 + self.rate_error,
        )
        by_length = v / self.spacing_m
        return (
            Contribution(self.spacing, by_length),
            *(Contribution(trip, by_length) for trip in self.trips),
            Contribution(self.tilt, v / self.path_factor),
            *self.one_pair.contributions(v, edge, self.spacing_m, edges_used),
            Contribution(self.rate, v * transit_s / (true_s * rate * rate)),
            Contribution(self.latency, v / true_s),
            *(
                Contribution(i, -v / (true_s * rate))
                for i in (*self._timing(edges_used), *bounce_inputs(bounce_s))
            ),
        )

    def U95(self, speed_mps: float, edges_used: int = EdgesUsed.BOTH) -> float:  # noqa: N802
        """Return U95 [m/s] at a speed [m/s], without the table; for planning."""
        transit_s = self.board_transit(speed_mps, edges_used)
        return coverage_half_width(self.contributions(transit_s, edges_used))

    def coverage_factor(self, transit_s: float, edges_used: int) -> float:
        """Return U95/u_c for one transit by the board's clock [s], from the table."""
        true_s = np.array([self.true_transit(transit_s)])
        return float(self._coverage(edges_used).factor(true_s)[0])

    def _timing(self, edges_used: int) -> tuple[Input, ...]:
        """
        Return the random inputs of a transit: quantisation and jitter.

        Each timestamp is uniform over one tick, so a difference of two is triangular over
        ± one tick; for the mean of two pairs see `two_pair`. That takes the phase of the
        trailing edges to be free; where the blocking time is the same few ticks in every
        shot, both pairs err alike. Over all speeds the interval holds 95 % even so, of shots
        of one speed 60 … 100 %; the hard limits of one tick are what is certain of each.
        """
        if edges_used == EdgesUsed.BOTH:
            tick = two_pair("tick, two pairs", self.tick_s, nature="random", unit="s")
            return tick, self.jitter
        both_stamps = replace(self.jitter, u=self.jitter.u * math.sqrt(2))
        tick = triangular("tick", self.tick_s, nature="random", unit="s")
        return tick, both_stamps

    @cached_property
    def u_timing_s(self) -> dict[int, float]:
        """Standard uncertainty of a transit from tick and jitter, by `EdgesUsed` [s]."""
        return {
            used: math.sqrt(sum(i.u**2 for i in self._timing(used)))
            for used in (EdgesUsed.BOTH, EdgesUsed.LEAD, EdgesUsed.TRAIL)
        }

    @cached_property
    def u_length(self) -> float:
        """Relative standard uncertainty of the path: spacing, trip positions, tilt."""
        along = sum(i.u**2 for i in (self.spacing, *self.trips)) / self.spacing_m**2
        return math.sqrt(along + (self.tilt.u / self.path_factor) ** 2)

    @cached_property
    def u_chords(self) -> float:
        """Relative standard uncertainty of the path of one pair of edges from chords."""
        chord = self.one_pair.chords
        return chord.u / self.spacing_m if chord else 0.0

    def _coverage(self, edges_used: int) -> "CoverageTable":
        return self._both_coverage if edges_used == EdgesUsed.BOTH else self._single_coverage

    @cached_property
    def _both_coverage(self) -> "CoverageTable":
        return _coverage_table(self, EdgesUsed.BOTH)

    @cached_property
    def _single_coverage(self) -> "CoverageTable":
        return _coverage_table(self, EdgesUsed.LEAD)


def measure(shots: Shots, model: SpeedModel) -> Measured:
    """
    Measure shots.

    Parameters
    ----------
    shots : structured ndarray of `SHOT_DTYPE`, shape (N,)
        Shots in counter units. Give millions in blocks to bound the memory: some twenty
        columns of float64 are alive at a time.
    model : SpeedModel
        The rig's.

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
    speed = (model.spacing_m * model.path_factor) / true_s
    bounce_s = np.asarray(shots["bounce"], np.float64) * model.unit_s
    bounced = bounce_s.nonzero()[0]
    u_random = speed * (_timing_u(bounce_s, bounced, single, model) / rate) / true_s
    u_shared = speed * _shared_relative_u(true_s, model)
    if single.size:
        _correct_single(speed, u_random, u_shared, single, used, model)
    u = np.sqrt(u_random * u_random + u_shared * u_shared)
    factors = _coverage_factors(true_s, single, model)
    if bounced.size:
        share = (speed * (bounce_s / rate) / true_s)[bounced] / u[bounced]
        factors[bounced] = with_normal(factors[bounced], share)
    return Measured(
        speed_mps=speed,
        u_mps=u,
        U95_mps=factors * u,
        u_random_mps=u_random,
        u_shared_mps=u_shared,
        transit_s=transit_s,
        body_length_m=speed * (blocking_ticks(shots) * model.unit_s) / rate,
        companion_speed_mps=_companion_speed(shots, model),
        bounce_s=bounce_s,
    )


def _correct_single(
    speed: Floats,
    u_random: Floats,
    u_shared: Floats,
    single: Places,
    used: Bytes,
    model: SpeedModel,
) -> None:
    """Turn the speed of one pair of edges into that of the body's middle, in place."""
    edge = speed[single]
    factor = model.one_pair.factor(edge, used[single])
    speed[single] = edge * factor
    random, shared = u_random[single] * factor, u_shared[single] * factor
    by_chords = speed[single] * model.u_chords
    by_slowing = edge * model.one_pair.factor_u(edge)
    u_random[single] = random
    u_shared[single] = np.sqrt(shared**2 + by_chords**2 + by_slowing**2)


def shot_budget(
    model: SpeedModel, transit_s: float, edges_used: int, bounce_s: float = 0.0
) -> Budget:
    """
    Return the error budget of one shot.

    Parameters
    ----------
    model : SpeedModel
        The rig's.
    transit_s : float
        Transit by the board's clock [s].
    edges_used : int
        An `EdgesUsed`: both pairs of edges average their quantisation, one does not.
    bounce_s : float, optional
        Standard uncertainty of the transit from bounce and late lines [s].

    Raises
    ------
    ValueError
        The transit leaves no positive time of flight, or no edges were used.
    """
    contributions = model.contributions(transit_s, edges_used, bounce_s)
    u = combined_uncertainty(contributions)
    factor = model.coverage_factor(transit_s, edges_used)
    if bounce_s > 0:
        share = contributions[-1].u_out / u
        factor = float(with_normal(np.array([factor]), np.array([share]))[0])
    return Budget(
        speed_mps=model.speed(transit_s, edges_used),
        contributions=contributions,
        u_mps=u,
        u_random_mps=_part(contributions, "random"),
        u_shared_mps=_part(contributions, "shared"),
        dof=effective_dof(contributions),
        U95_mps=factor * u,
        U95_first_order_mps=expanded_uncertainty(contributions),
        lowest_mps=model.speed(transit_s + model.tick_s, edges_used),
        highest_mps=model.speed(transit_s - model.tick_s, edges_used),
    )


def _part(contributions: tuple[Contribution, ...], nature: str) -> float:
    return combined_uncertainty(c for c in contributions if c.input.nature == nature)


def _coverage_table(model: SpeedModel, edges_used: int) -> CoverageTable:
    """Tabulate the factor about the transit where timing and length weigh the same."""
    u_time = math.hypot(model.u_timing_s[edges_used], model.latency.u)
    u_ratio = math.hypot(model.u_length, model.rate.u)
    if edges_used != EdgesUsed.BOTH:
        u_ratio = math.hypot(u_ratio, model.u_chords)
    middle = u_time / (u_ratio or STEEP) if u_time > 0 else 1.0
    count = round(2 * _DECADES * _NODES_PER_DECADE) + 1
    transits = middle * np.logspace(-_DECADES, _DECADES, count)
    return CoverageTable(transits, partial(_coverage_factor, model, edges_used))


def _coverage_factor(model: SpeedModel, edges_used: int, true_s: float) -> float:
    board_s = (true_s + model.latency_s) * (1 + model.rate_error)
    contributions = model.contributions(board_s, edges_used)
    u = combined_uncertainty(contributions)
    if math.hypot(model.u_timing_s[edges_used], model.latency.u) > STEEP * true_s:
        return quotient_half_width(contributions, model.speed(board_s, edges_used)) / u
    return coverage_half_width(contributions) / u


def _transit_ticks(shots: Shots, used: Bytes, single: Places) -> Floats:
    """
    Return the transit that was used [counter units], NaN where there is none.

    `single` holds the places of the shots that have not two pairs of edges.
    """
    lead, trail = (np.ascontiguousarray(shots[name]) for name in ("lead", "trail"))
    transit: Floats = (lead + trail) / 2
    transit[single] = np.nan
    for one, edge in ((EdgesUsed.LEAD, lead), (EdgesUsed.TRAIL, trail)):
        places = single[used[single] == one]
        transit[places] = edge[places]
    return transit


def _timing_u(bounce_s: Floats, bounced: Places, single: Places, model: SpeedModel) -> Floats:
    u_s = np.full(len(bounce_s), model.u_timing_s[EdgesUsed.BOTH])
    u_s[single] = model.u_timing_s[EdgesUsed.LEAD]
    if bounced.size:
        u_s[bounced] = np.sqrt(u_s[bounced] ** 2 + bounce_s[bounced] ** 2)
    return u_s


def _shared_relative_u(true_s: Floats, model: SpeedModel) -> Floats:
    by_rate = model.rate.u / (1 + model.rate_error) * ((true_s + model.latency_s) / true_s)
    by_latency = model.latency.u / true_s
    return np.sqrt(model.u_length**2 + by_rate * by_rate + by_latency * by_latency)


def _coverage_factors(true_s: Floats, single: Places, model: SpeedModel) -> Floats:
    factors = model._coverage(EdgesUsed.BOTH).factor(true_s)
    if single.size:
        factors[single] = model._coverage(EdgesUsed.LEAD).factor(true_s[single])
    return factors


def _companion_speed(shots: Shots, model: SpeedModel) -> Floats:
    transit_s = np.asarray(shots["companion"], np.float64) * model.unit_s
    if np.isnan(transit_s).all():
        return transit_s
    true_s = transit_s / (1 + model.rate_error) - model.latency_s
    true_s[~(true_s > 0)] = np.nan
    return np.asarray((model.spacing_m * model.path_factor) / true_s, np.float64)
