"""Before the first shot: what a rig makes of a speed, and what would make it better.

Each is computed once, as a frozen result that text and JSON only show.
"""

from dataclasses import dataclass

from chrono.measuring.advice import Improvement, farther_gates, improvements
from chrono.measuring.budget import Budget
from chrono.measuring.montecarlo import MAX_TRIALS, MonteCarlo, simulate_shot
from chrono.measuring.plan import (
    Curve,
    Option,
    error_curve,
    highest_speed,
    leading_group,
    plan_options,
    round_values,
)
from chrono.measuring.speed import SpeedModel, shot_budget
from chrono.processor.table import EdgesUsed
from chrono.rigs.file import Rig
from chrono.units import speed_in

DIGITS = 2
"""Digits of the uncertainty that the Monte Carlo comparison is made to (JCGM 101, 7.9.2)."""

STRETCH = 10
"""The curve goes beyond the rig's fastest by no more than this: nobody clocks that."""


@dataclass(frozen=True)
class SpeedBudget:
    """
    What a speed's uncertainty is made of.

    Attributes
    ----------
    rig : Rig
        The rig that would clock it.
    model : SpeedModel
    speed_mps, transit_s : float
        The speed [m/s], and the transit that the board would tell [s].
    edges_used : EdgesUsed
        Whether both pairs of edges are timed.
    budget : Budget
        The combined uncertainty and its parts, first order and by the whole distribution.
    trials : MonteCarlo
        The same by simulation.
    improvements : tuple of Improvement
        What would lessen it, by group.
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
    Return what the uncertainty of a speed is made of.

    Parameters
    ----------
    rig : Rig
        The rig that would clock it.
    speed_mps : float
        The speed [m/s].
    edges_used : int, optional
        An `EdgesUsed`; None for what the rig's lines tell.
    max_trials : int, optional
        Bound on the Monte Carlo trials.
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
    Which gates, ticks and clocks reach a wanted error.

    Attributes
    ----------
    rig : Rig
        Gives the tolerances that stay as they are, and is judged itself.
    model : SpeedModel
    speed_mps, within : float
        Speed to be clocked [m/s], wanted U95 over the speed.
    options : tuple of Option
        Spacings, ticks and clocks, with what each reaches.
    U95_relative : float
        What the rig itself reaches at the speed.
    leading : str
        Group of inputs with the largest share of the rig's variance.
    leading_share : float
    highest_mps : float or None
        Up to which speed the rig keeps what is wanted [m/s]; None if at none.
    curve : Curve
        U95 over the speed, over the rig's window.
    """

    rig: Rig
    model: SpeedModel
    speed_mps: float
    within: float
    options: tuple[Option, ...]
    U95_relative: float
    leading: str
    leading_share: float
    highest_mps: float | None
    curve: Curve


def plan_for(rig: Rig, speed_mps: float, within: float) -> Plan:
    """
    Return which rigs clock a speed within a relative U95.

    Parameters
    ----------
    rig : Rig
        Gives the tolerances that stay as they are, and is judged itself.
    speed_mps : float
        Speed to be clocked [m/s].
    within : float
        Wanted U95 over the speed, 0 … 1.

    Raises
    ------
    OptionError
        The wanted error is not between 0 and 1.
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
    """Return the edges that a shot of the rig is timed by: plain lines may tell no level."""
    return EdgesUsed.BOTH if rig.lines == "framed" else EdgesUsed.LEAD


def _improvements(
    rig: Rig, model: SpeedModel, speed_mps: float, edges_used: int
) -> tuple[Improvement, ...]:
    """Return the improvements by group, and wider spacing where it is not among them."""
    found = improvements(model, speed_mps, edges_used, beats=rig.lines == "framed")
    wider = farther_gates(model, speed_mps, edges_used)
    return found if wider.advice in [i.advice for i in found] else (*found, wider)


def _curve(rig: Rig, model: SpeedModel, highest_mps: float | None) -> Curve:
    """Return the curve over the rig's window, stretched to where the wanted error is met."""
    window, unit = rig.window, rig.speed_unit
    met = min(highest_mps or 0.0, STRETCH * window.fastest_mps)
    ends = [speed_in(unit, v) for v in (window.slowest_mps, max(window.fastest_mps, met))]
    return error_curve(model, round_values(*ends) / speed_in(unit, 1.0), edges_timed(rig))
