"""Which gates, ticks and clocks reach a wanted uncertainty, before anything is built."""

import itertools
from dataclasses import dataclass, replace

import numpy as np
import scipy

from chrono.arrays.array_types import Floats
from chrono.errors import OptionError
from chrono.measuring.advice import CERAMIC_TOLERANCE, CRYSTAL_TOLERANCE, group_shares
from chrono.measuring.budget import rectangular
from chrono.measuring.speed import SpeedModel
from chrono.processor.table import EdgesUsed

SPACINGS_M = (0.1, 0.2, 0.3, 0.5, 1.0, 2.0)
TICKS_S = (62.5e-9, 0.5e-6, 4e-6)
"""Input capture at 16 MHz; a timer in steps of 0.5 us; `micros()` on a 16 MHz board."""
CLOCKS = {"crystal": CRYSTAL_TOLERANCE, "ceramic": CERAMIC_TOLERANCE}
"""Half-width of the rate error by kind of clock."""

_SLOWEST_MPS = 1e-3


@dataclass(frozen=True)
class Option:
    """
    One way to build the rig.

    Attributes
    ----------
    spacing_m, tick_s : float
        Gate spacing [m] and step of the timestamps [s].
    clock : str
        One of `CLOCKS`.
    U95_relative : float
        U95 over the speed.
    reaches : bool
        That is within the wanted error.
    leading : str
        The group of inputs with the largest share, and
    leading_share : float
        its share of the combined variance.
    """

    spacing_m: float
    tick_s: float
    clock: str
    U95_relative: float
    reaches: bool
    leading: str
    leading_share: float


@dataclass(frozen=True, eq=False)
class Curve:
    """Relative U95 over speed: two arrays of float64, shape (N,)."""

    speed_mps: Floats
    U95_relative: Floats


def plan_options(
    model: SpeedModel, speed_mps: float, within: float, edges_used: int = EdgesUsed.BOTH
) -> tuple[Option, ...]:
    """
    Return every combination of spacing, tick and clock, those that reach it first.

    Parameters
    ----------
    model : SpeedModel
        Gives the tolerances that stay as they are.
    speed_mps : float
        Speed to be clocked [m/s].
    within : float
        Wanted U95 over the speed, 0 … 1.
    edges_used : int, optional
        An `EdgesUsed`.

    Raises
    ------
    OptionError
        The wanted error is not between 0 and 1.
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
    """Return the group of inputs with the largest share of the variance, and that share."""
    shares = group_shares(
        model.contributions(model.board_transit(speed_mps, edges_used), edges_used)
    )
    return next(iter(shares.items()))


def highest_speed(
    model: SpeedModel, within: float, edges_used: int = EdgesUsed.BOTH
) -> float | None:
    """
    Return the highest speed [m/s] that the rig clocks within a relative U95.

    The relative U95 grows with the speed, from what the lengths and the clock leave to
    what the timing adds. At most the speed whose transit is one tick is returned.

    Returns
    -------
    float or None
        None when the rig's lengths or clock alone exceed it, at any speed.

    Raises
    ------
    OptionError
        The wanted error is not between 0 and 1.
    """
    _check(within)

    def excess(log_speed: float) -> float:
        speed_mps = float(np.exp(log_speed))
        return model.U95(speed_mps, edges_used) / speed_mps - within

    fastest = np.log(model.spacing_m / model.tick_s)
    slowest = np.log(_SLOWEST_MPS)
    if excess(slowest) > 0:
        return None
    if excess(fastest) <= 0:
        return float(np.exp(fastest))
    return float(np.exp(scipy.optimize.brentq(excess, slowest, fastest, rtol=1e-10)))


def error_curve(
    model: SpeedModel, speed_mps: Floats, edges_used: int = EdgesUsed.BOTH
) -> Curve:
    """Return the relative U95 at the speeds."""
    return Curve(speed_mps, np.array([model.U95(float(v), edges_used) / v for v in speed_mps]))


def round_values(lowest: float, highest: float) -> Floats:
    """Return both ends and, between them, the steps 1, 2, 5, 10, 20, … of every decade."""
    decades = np.arange(np.floor(np.log10(lowest)), np.ceil(np.log10(highest)) + 1)
    steps = np.multiply.outer(10.0**decades, (1.0, 2.0, 5.0)).ravel()
    between = steps[(steps > 1.001 * lowest) & (steps < 0.999 * highest)]
    return np.array([lowest, *between, highest])


def _check(within: float) -> None:
    if not 0 < within < 1:
        hint = 'write a part of the speed between 0 % and 100 %, such as "0.5 %"'
        raise OptionError(
            f"an uncertainty within {100 * within:g} % is no goal", where="--within", hint=hint
        )


def _option(
    model: SpeedModel,
    speed_mps: float,
    within: float,
    edges_used: int,
    spacing_m: float,
    tick_s: float,
    clock: str,
) -> Option:
    rate = rectangular(model.rate.name, CLOCKS[clock])
    built = replace(model, spacing_m=spacing_m, tick_s=tick_s, rate=rate, rate_error=0.0)
    relative = built.U95(speed_mps, edges_used) / speed_mps
    leading, share = leading_group(built, speed_mps, edges_used)
    return Option(spacing_m, tick_s, clock, relative, relative <= within, leading, share)
