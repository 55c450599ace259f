"""Plan a measurement: compute a speed's error budget, and find rigs with a small error."""

import itertools
from dataclasses import dataclass, replace

import numpy as np
import scipy

from chrono.arrays.array_types import Floats
from chrono.errors import OptionError
from chrono.measuring.error_budget import Budget, rectangular
from chrono.measuring.improvements import (
    CERAMIC_TOLERANCE,
    CRYSTAL_TOLERANCE,
    Improvement,
    farther_gates,
    group_shares,
    improvements,
)
from chrono.measuring.monte_carlo import MAX_TRIALS, MonteCarlo, simulate_shot
from chrono.measuring.speed import SpeedModel, shot_budget
from chrono.processor.shot_records import EdgesUsed
from chrono.rigs.rig_model import Rig
from chrono.units import speed_in

SPACINGS_M = (0.1, 0.2, 0.3, 0.5, 1.0, 2.0)
TICKS_S = (62.5e-9, 0.5e-6, 4e-6)
"""Ticks to compare [s]: input capture at 16 MHz, a timer with 0.5 us steps, and `micros()` at
16 MHz.
"""
CLOCKS = {"crystal": CRYSTAL_TOLERANCE, "ceramic": CERAMIC_TOLERANCE}
"""Half-width of the rate error for each kind of clock."""

_SLOWEST_MPS = 1e-3
_PROBES = 24


@dataclass(frozen=True)
class PlanOption:
    """
    One way to build the rig, and its uncertainty.

    Attributes
    ----------
    spacing_m, tick_s : float
        Gate spacing [m] and step of the timestamps [s].
    clock : str
        One of `CLOCKS`.
    U95_relative : float
        U95 divided by the speed.
    reaches : bool
        True if `U95_relative` is at most the allowed error.
    leading : str
        The group of inputs with the largest share of the variance.
    leading_share : float
        Share of this group in the combined variance.
    """

    spacing_m: float
    tick_s: float
    clock: str
    U95_relative: float
    reaches: bool
    leading: str
    leading_share: float


@dataclass(frozen=True, eq=False)
class ErrorCurve:
    """Relative U95 as a function of speed: two arrays of float64, shape (N,)."""

    speed_mps: Floats
    U95_relative: Floats


def plan_options(
    model: SpeedModel, speed_mps: float, within: float, edges_used: int = EdgesUsed.BOTH
) -> tuple[PlanOption, ...]:
    """
    Return all combinations of gate spacing, tick and clock.

    The combinations with at most the allowed error come first.

    Parameters
    ----------
    model : SpeedModel
        Model of the rig; it contains the tolerances that do not change.
    speed_mps : float
        Speed to measure [m/s].
    within : float
        Allowed U95 divided by the speed, 0 … 1.
    edges_used : int, optional
        An `EdgesUsed`.

    Raises
    ------
    OptionError
        The allowed error is not between 0 and 1.
    """
    _check(within)
    options = [
        _option(model, speed_mps, within, edges_used, *choice)
        for choice in itertools.product(SPACINGS_M, TICKS_S, CLOCKS)
    ]
    return tuple(sorted(options, key=lambda o: (not o.reaches, o.spacing_m, o.U95_relative)))


def leading_group(
    model: SpeedModel, speed_mps: float, edges_used: int = EdgesUsed.BOTH
) -> tuple[str, float]:
    """Return the group of inputs with the largest share of the variance, and this share."""
    shares = group_shares(
        model.contributions(model.board_transit(speed_mps, edges_used), edges_used)
    )
    return next(iter(shares.items()))


def highest_speed(
    model: SpeedModel, within: float, edges_used: int = EdgesUsed.BOTH
) -> float | None:
    """
    Return the highest speed [m/s] at which U95 divided by the speed is at most `within`.

    The result is at most the gate spacing divided by one tick.

    Returns
    -------
    float or None
        None if the rig's U95 is too large at all speeds.

    Raises
    ------
    OptionError
        The allowed error is not between 0 and 1.
    """
    _check(within)

    def excess(log_speed: float) -> float:
        speed_mps = float(np.exp(log_speed))
        return model.U95(speed_mps, edges_used) / speed_mps - within

    fastest = np.log(model.spacing_m / model.tick_s)
    speeds = np.linspace(np.log(_SLOWEST_MPS), fastest, _PROBES)
    slowest = speeds[np.argmin([excess(speed) for speed in speeds])]
    if excess(slowest) > 0:
        return None
    if excess(fastest) <= 0:
        return float(np.exp(fastest))
    return float(np.exp(scipy.optimize.brentq(excess, slowest, fastest, rtol=1e-10)))


def error_curve(
    model: SpeedModel, speed_mps: Floats, edges_used: int = EdgesUsed.BOTH
) -> ErrorCurve:
    """Return the relative U95 for each speed."""
    return ErrorCurve(
        speed_mps, np.array([model.U95(float(v), edges_used) / v for v in speed_mps])
    )


def round_values(lowest: float, highest: float) -> Floats:
    """Return the lowest value, round values (1, 2, 5, 10, …) and the highest value."""
    decades = np.arange(np.floor(np.log10(lowest)), np.ceil(np.log10(highest)) + 1)
    steps = np.multiply.outer(10.0**decades, (1.0, 2.0, 5.0)).ravel()
    between = steps[(steps > 1.001 * lowest) & (steps < 0.999 * highest)]
    return np.array([lowest, *between, highest])


def _check(within: float) -> None:
    if not 0 < within < 1:
        hint = 'write a percentage between 0 % and 100 %, such as "0.5 %"'
        raise OptionError(
            f"the allowed error cannot be {100 * within:g} %", where="--within", hint=hint
        )


def _option(
    model: SpeedModel,
    speed_mps: float,
    within: float,
    edges_used: int,
    spacing_m: float,
    tick_s: float,
    clock: str,
) -> PlanOption:
    rate = rectangular(model.rate.name, CLOCKS[clock])
    built = replace(model, spacing_m=spacing_m, tick_s=tick_s, rate=rate, rate_error=0.0)
    relative = built.U95(speed_mps, edges_used) / speed_mps
    leading, share = leading_group(built, speed_mps, edges_used)
    return PlanOption(spacing_m, tick_s, clock, relative, relative <= within, leading, share)


DIGITS = 2
"""Number of digits of the uncertainty that the Monte Carlo comparison checks (JCGM 101, 7.9.2).
"""

STRETCH = 10
"""The error curve extends to at most this many times the rig's fastest speed."""


@dataclass(frozen=True)
class SpeedBudget:
    """
    The uncertainty of a speed, and the parts of this uncertainty.

    Attributes
    ----------
    rig : Rig
        The rig that would measure the speed.
    model : SpeedModel
    speed_mps, transit_s : float
        The speed [m/s], and the transit that the board would report [s].
    edges_used : EdgesUsed
        The edges that are timed: both pairs, or only one pair.
    budget : Budget
        The combined uncertainty and its parts.
    trials : MonteCarlo
        The uncertainty by simulation.
    improvements : tuple of Improvement
        Ways to reduce the uncertainty, by group.
    """

    rig: Rig
    model: SpeedModel
    speed_mps: float
    transit_s: float
    edges_used: EdgesUsed
    budget: Budget
    trials: MonteCarlo
    improvements: tuple[Improvement, ...]


def budget_of_speed(
    rig: Rig,
    speed_mps: float,
    edges_used: int | None = None,
    max_trials: int = MAX_TRIALS,
) -> SpeedBudget:
    """
    Return the uncertainty of a speed, and the parts of this uncertainty.

    Parameters
    ----------
    rig : Rig
        The rig that would measure the speed.
    speed_mps : float
        The speed [m/s].
    edges_used : int, optional
        An `EdgesUsed`. By default, the edges that the rig's line format reports.
    max_trials : int, optional
        Largest number of Monte Carlo trials.
    """
    edges = edges_timed(rig) if edges_used is None else EdgesUsed(edges_used)
    model = SpeedModel.from_rig(rig)
    transit_s = model.board_transit(speed_mps, edges)
    return SpeedBudget(
        rig=rig,
        model=model,
        speed_mps=speed_mps,
        transit_s=transit_s,
        edges_used=edges,
        budget=shot_budget(model, transit_s, edges),
        trials=simulate_shot(model, transit_s, edges, digits=DIGITS, max_trials=max_trials),
        improvements=_improvements(rig, model, speed_mps, edges),
    )


@dataclass(frozen=True)
class Plan:
    """
    The error of a speed for each combination of gate spacing, tick and clock.

    Attributes
    ----------
    rig : Rig
        The rig with the tolerances that do not change. The rig itself is judged too.
    model : SpeedModel
    speed_mps, within : float
        Speed to measure [m/s], and allowed U95 divided by the speed.
    options : tuple of PlanOption
        All combinations, with the U95 of each combination.
    U95_relative : float
        U95 of the rig itself, divided by the speed.
    leading : str
        Group of inputs with the largest share of the rig's variance.
    leading_share : float
    highest_mps : float or None
        Highest speed at which the rig's error is small enough [m/s], or None.
    curve : ErrorCurve
        U95 divided by the speed, for speeds in the rig's window.
    """

    rig: Rig
    model: SpeedModel
    speed_mps: float
    within: float
    options: tuple[PlanOption, ...]
    U95_relative: float
    leading: str
    leading_share: float
    highest_mps: float | None
    curve: ErrorCurve


def plan_for(rig: Rig, speed_mps: float, within: float) -> Plan:
    """
    Find the rigs that measure a speed with a small enough relative U95.

    Parameters
    ----------
    rig : Rig
        The rig with the tolerances that do not change. The rig itself is judged too.
    speed_mps : float
        Speed to measure [m/s].
    within : float
        Allowed U95 divided by the speed, 0 … 1.

    Raises
    ------
    OptionError
        The allowed error is not between 0 and 1.
    """
    model, edges = SpeedModel.from_rig(rig), edges_timed(rig)
    options = plan_options(model, speed_mps, within, edges)
    leading, share = leading_group(model, speed_mps, edges)
    highest_mps = highest_speed(model, within, edges)
    return Plan(
        rig=rig,
        model=model,
        speed_mps=speed_mps,
        within=within,
        options=options,
        U95_relative=model.U95(speed_mps, edges) / speed_mps,
        leading=leading,
        leading_share=share,
        highest_mps=highest_mps,
        curve=_curve(rig, model, highest_mps),
    )


def edges_timed(rig: Rig) -> EdgesUsed:
    """
    Return the edges that the rig uses for timing.

    If a line does not state whether its gate is blocked, the rig uses only leading edges.
    """
    return EdgesUsed.BOTH if rig.lines.has_levels else EdgesUsed.LEAD


def _improvements(
    rig: Rig, model: SpeedModel, speed_mps: float, edges_used: int
) -> tuple[Improvement, ...]:
    """Return a way to improve the rig for each group of inputs, and a larger gate spacing."""
    found = improvements(model, speed_mps, edges_used, beats=rig.lines.has_beats)
    wider = farther_gates(model, speed_mps, edges_used)
    return found if wider.advice in [i.advice for i in found] else (*found, wider)


def _curve(rig: Rig, model: SpeedModel, highest_mps: float | None) -> ErrorCurve:
    """Return the relative U95 at the rig's speeds; the curve may extend to `highest_mps`."""
    window, unit = rig.window, rig.speed_unit
    met = min(highest_mps or 0.0, STRETCH * window.fastest_mps)
    ends = [speed_in(unit, v) for v in (window.slowest_mps, max(window.fastest_mps, met))]
    return error_curve(model, round_values(*ends) / speed_in(unit, 1.0), edges_timed(rig))
