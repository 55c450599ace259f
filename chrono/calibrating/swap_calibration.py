"""Compute the delay difference of the gates from shots before and after a sensor exchange.

The user launches shots, exchanges the sensors of the two gates, and launches more shots. The
delay difference δ (gate B minus gate A) makes the transits before the exchange longer, and the
transits after the exchange shorter. The blocking times give the speed of each shot, so a launch
speed that changes from shot to shot causes no error. Without blocking times, the user must
launch all shots in exactly the same way.
"""

from dataclasses import dataclass
from enum import Enum, auto
from math import inf, sqrt

import numpy as np
import scipy

from chrono.arrays.array_types import Floats
from chrono.errors import CalibrationError
from chrono.measuring.calibration_uncertainty import (
    MIN_REPEATS,
    CombinedUncertainty,
    combine,
    mean_input,
)
from chrono.measuring.error_budget import (
    Contribution,
    combined_uncertainty,
    effective_dof,
    rectangular,
    triangular,
)

SUSPICIOUS = 0.01
"""A check is reported if the probability of its result by chance is below this value."""

FAR_BEYOND = 3.0
"""If a delay difference is this many times the rig's value, it probably has another cause than
the sensors."""


class SwapDoubt(Enum):
    """Why the result of a calibration with exchanged sensors may be wrong."""

    FAR_BEYOND = auto()
    """The difference is far larger than the value in the rig."""
    TOO_WIDE = auto()
    """The uncertainty is larger than the value in the rig."""
    NO_DIFFERENCE = auto()
    """The 95 % interval of the difference includes 0."""


class SwapNote(Enum):
    """A value that changed or drifted, although it should stay constant."""

    SCATTER_CHANGED = auto()
    DRIFT_BEFORE = auto()
    DRIFT_AFTER = auto()
    SPEED_CHANGED = auto()


@dataclass(frozen=True)
class SwapResult:
    """
    The difference of the gates' delays, from shots before and after a sensor exchange.

    Attributes
    ----------
    difference_s : float
        Delay of gate B minus delay of gate A, with the sensors in their present places [s].
    uncertainty : CombinedUncertainty
        Uncertainty of the difference [s].
    before, after : int
        Number of shots before and after the exchange.
    by_blocking : bool
        True if the speed of each shot was taken from its blocking times.
    stated_s : float
        Half-width of the difference that the rig states [s].
    doubt : SwapDoubt or None
        None if there is no reason for doubt.
    notes : tuple of SwapNote
        Other facts that the user should know.
    """

    difference_s: float
    uncertainty: CombinedUncertainty
    before: int
    after: int
    by_blocking: bool
    stated_s: float
    doubt: SwapDoubt | None
    notes: tuple[SwapNote, ...]


def swap_calibration(
    before_s: Floats,
    after_s: Floats,
    *,
    blocking_before_s: Floats | None = None,
    blocking_after_s: Floats | None = None,
    trip_difference_s: float = 0.0,
    hysteresis_s: float = 0.0,
    blocking_offset_s: float = 0.0,
    stated_s: float = inf,
    left_exchanged: bool = False,
) -> SwapResult:
    """
    Return the difference of the two gates' delays.

    Parameters
    ----------
    before_s, after_s : ndarray of float64, shape (N,) and (M,)
        Transits before and after the exchange of the sensors [s], corrected for the clock's
        rate but not for delays; NaN if a shot has no transit.
    blocking_before_s, blocking_after_s : ndarray of float64, optional
        Mean of the blocking times at A and B for the same shots [s].
    trip_difference_s : float, optional
        Half-width of the time that a difference of the trip positions causes, if the slits
        moved with the sensors [s]; 0 if the slits stayed in place.
    hysteresis_s : float, optional
        Hysteresis makes a comparator trip later. Half-width of the difference between both
        comparators [s].
    blocking_offset_s : float, optional
        Half-width of an error of blocking times that does not depend on the speed [s].
    stated_s : float, optional
        Half-width of the difference that the rig states [s]. A result is in doubt if its
        uncertainty is larger, or if it is far outside.
    left_exchanged : bool, optional
        True if the sensors now stay exchanged; False if they were put back.

    Returns
    -------
    SwapResult

    Raises
    ------
    CalibrationError
        If there are too few shots before or after, or if both series are the same.
    """
    before, after = _pairs(before_s, blocking_before_s), _pairs(after_s, blocking_after_s)
    _refuse(before, after)
    by_blocking = blocking_before_s is not None and blocking_after_s is not None
    difference_s, contributions = (
        _by_blocking(before, after, blocking_offset_s)
        if by_blocking
        else _by_means(before, after)
    )
    # each gate is anywhere within its limits, so the difference is triangular
    places = (("hysteresis", hysteresis_s), ("trip positions", trip_difference_s))
    moved = [Contribution(triangular(name, half, unit="s"), 1.0) for name, half in places]
    uncertainty = combine([*contributions, *moved])
    return SwapResult(
        difference_s=-difference_s if left_exchanged else difference_s,
        uncertainty=uncertainty,
        before=len(before),
        after=len(after),
        by_blocking=by_blocking,
        stated_s=stated_s,
        doubt=_doubt(abs(difference_s), uncertainty.U95, stated_s),
        notes=_notes(before, after, by_blocking),
    )


def _pairs(transit_s: Floats, blocking_s: Floats | None) -> Floats:
    """Return transit and blocking time of the shots that have both times, shape (N, 2)."""
    columns = (transit_s, np.zeros_like(transit_s) if blocking_s is None else blocking_s)
    table = np.column_stack(columns).astype(np.float64)
    kept: Floats = table[np.isfinite(table).all(axis=1)]
    return kept


def _by_means(before: Floats, after: Floats) -> tuple[float, list[Contribution]]:
    """Compute the delay difference from the mean transits before and after the exchange."""
    sides = (before[:, 0], after[:, 0])
    names = ("scatter before the exchange", "scatter after the exchange")
    return float(np.mean(sides[0]) - np.mean(sides[1])) / 2, [
        Contribution(mean_input(name, side, "s"), 0.5)
        for name, side in zip(names, sides, strict=True)
    ]


def _by_blocking(
    before: Floats, after: Floats, offset_s: float
) -> tuple[float, list[Contribution]]:
    """Compute the delay difference δ from the blocking times and the transits."""
    # blocking time/transit: γ·(1 − δ/transit) before the exchange, γ·(1 + δ/transit) after it
    ratios = [side[:, 1] / side[:, 0] for side in (before, after)]
    means = [float(np.mean(ratio)) for ratio in ratios]
    slowness = [1 / float(np.mean(side[:, 0])) for side in (before, after)]
    scale = 2 / ((means[0] + means[1]) * (slowness[0] + slowness[1]))
    names = ("scatter before the exchange", "scatter after the exchange")
    offset = rectangular("offset of the blocking times", offset_s, unit="s")
    return scale * (means[1] - means[0]), [
        *(
            Contribution(mean_input(name, ratio), scale)
            for name, ratio in zip(names, ratios, strict=True)
        ),
        Contribution(offset, scale * (slowness[1] - slowness[0])),
    ]


def _refuse(before: Floats, after: Floats) -> None:
    fewest = min(len(before), len(after))
    if fewest < MIN_REPEATS:
        raise CalibrationError(
            f"there are {len(before)} usable shots before the exchange of the sensors, and "
            f"{len(after)} after it; at least {MIN_REPEATS} shots of each are needed",
            hint="take ten shots, exchange the two sensors, and take ten more shots",
        )
    if len(before) == len(after) and np.array_equal(
        np.sort(before, axis=0), np.sort(after, axis=0)
    ):
        raise CalibrationError(
            "the same shots appear both before and after the exchange of the sensors",
            hint="give one recording or setup from before the exchange, and another recording "
            "or setup from after the exchange",
        )


def _doubt(difference_s: float, u95_s: float, stated_s: float) -> SwapDoubt | None:
    if difference_s > u95_s + FAR_BEYOND * stated_s:
        return SwapDoubt.FAR_BEYOND
    if u95_s > stated_s:
        return SwapDoubt.TOO_WIDE
    return SwapDoubt.NO_DIFFERENCE if difference_s <= u95_s else None


def _notes(before: Floats, after: Floats, by_blocking: bool) -> tuple[SwapNote, ...]:
    transits = before[:, 0], after[:, 0]
    if by_blocking:
        return (SwapNote.SPEED_CHANGED,) if _welch_p(*transits) < SUSPICIOUS else ()
    chances = {
        SwapNote.SCATTER_CHANGED: _spread_p(*transits),
        SwapNote.DRIFT_BEFORE: _trend_p(transits[0]),
        SwapNote.DRIFT_AFTER: _trend_p(transits[1]),
    }
    return tuple(note for note, p in chances.items() if p < SUSPICIOUS)


def _spread_p(first: Floats, second: Floats) -> float:
    """Return the p-value of the Brown-Forsythe test for equal scatter."""
    deviations = [np.abs(side - np.median(side)) for side in (first, second)]
    return _welch_p(*deviations)


def _welch_p(first: Floats, second: Floats) -> float:
    """Return the p-value of the test for equal means (Welch 1947)."""
    parts = [Contribution(mean_input("", side), 1.0) for side in (first, second)]
    u = combined_uncertainty(parts)
    if u == 0:
        return 1.0 if np.mean(first) == np.mean(second) else 0.0
    t = float(np.mean(first) - np.mean(second)) / u
    return float(2 * scipy.special.stdtr(effective_dof(parts), -abs(t)))


def _trend_p(series: Floats) -> float:
    """Return the probability that chance alone gives a trend this steep (t-test)."""
    order = np.arange(len(series)) - (len(series) - 1) / 2
    deviation = series - np.mean(series)
    total = float(deviation @ deviation)
    if total == 0:
        return 1.0
    r2 = min(float(order @ deviation) ** 2 / float(order @ order) / total, 1 - 1e-12)
    dof = len(series) - 2
    return float(2 * scipy.special.stdtr(dof, -sqrt(dof * r2 / (1 - r2))))
