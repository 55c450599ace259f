"""The difference of the two gates' delays from shots before and after exchanging the sensors.

Reversal: the delay difference δ (gate B minus gate A) lengthens the transit before the
exchange and shortens it by as much after it. Half the difference of the two levels is δ.
With the blocking times each shot tells its own speed, so that the launcher's scatter and
drift drop out; without them both series must come from one and the same launching.
"""

from dataclasses import dataclass
from math import sqrt

import numpy as np
from scipy.special import stdtr

from chrono.errors import CalibrationError
from chrono.measuring.budget import (
    Contribution,
    combined_uncertainty,
    effective_dof,
    normal,
    rectangular,
)
from chrono.measuring.combined import (
    MIN_REPEATS,
    Combined,
    Floats,
    combine,
    mean_input,
    rig_changes,
)
from chrono.units import format_value

SUSPICIOUS = 0.01
"""A check that goes wrong by chance once in a hundred calibrations is told."""

LARGE_PART = 0.05
"""A delay difference of more than this part of the transit is hardly one of the sensors."""


@dataclass(frozen=True)
class SwapResult:
    """
    The difference of the gates' delays.

    Attributes
    ----------
    difference_s : float
        Delay of gate B minus that of gate A, as the sensors sit now [s].
    uncertainty : Combined
        Of that difference [s].
    before, after : int
        Shots before and after the exchange.
    by_blocking : bool
        Whether each shot's own speed was taken from its blocking times.
    doubt : str
        Why the sensors may not have been exchanged as told, empty if nothing speaks for that.
    notes : tuple of str
        What else the user should know about it.
    """

    difference_s: float
    uncertainty: Combined
    before: int
    after: int
    by_blocking: bool
    doubt: str
    notes: tuple[str, ...]


def swap_calibration(
    before_s: Floats,
    after_s: Floats,
    *,
    blocking_before_s: Floats | None = None,
    blocking_after_s: Floats | None = None,
    trip_difference_s: float = 0.0,
    left_exchanged: bool = False,
) -> SwapResult:
    """
    Return the difference of the two gates' delays.

    Parameters
    ----------
    before_s, after_s : ndarray of float64, shape (N,) and (M,)
        Transits before and after the sensors were exchanged, corrected for the clock's rate
        but for no delay [s]; NaN where a shot has none.
    blocking_before_s, blocking_after_s : ndarray of float64, optional
        Mean of the blocking times at A and B of the same shots [s].
    trip_difference_s : float, optional
        Half-width of the time that a difference of the trip positions takes, if the slits
        moved with the sensors [s]: it cannot be told from a delay. 0 when they stayed.
    left_exchanged : bool, optional
        The sensors stay as they were after the exchange; otherwise they are put back.

    Returns
    -------
    SwapResult

    Raises
    ------
    CalibrationError
        Too few shots on a side, or one series given twice.
    """
    before, after = _pairs(before_s, blocking_before_s), _pairs(after_s, blocking_after_s)
    _refuse(before, after)
    by_blocking = blocking_before_s is not None and blocking_after_s is not None
    level = _by_blocking(before, after) if by_blocking else _by_means(before, after)
    difference_s, contributions = level
    trip = Contribution(rectangular("trip positions", trip_difference_s, unit="s"), 1.0)
    uncertainty = combine([*contributions, trip])
    return SwapResult(
        difference_s=-difference_s if left_exchanged else difference_s,
        uncertainty=uncertainty,
        before=len(before),
        after=len(after),
        by_blocking=by_blocking,
        doubt=_doubt(abs(difference_s), uncertainty.U95, float(np.mean(before[:, 0]))),
        notes=_notes(before, after, by_blocking),
    )


def swap_report(result: SwapResult) -> tuple[str, ...]:
    """Return the result as lines for the user."""
    value_us, u95_us = result.difference_s * 1e6, result.uncertainty.U95 * 1e6
    method = "each shot's speed from its blocking times" if result.by_blocking else "means"
    return (
        f"gate B answers {format_value(abs(value_us), u95_us)} ± "
        f"{format_value(u95_us, u95_us)} us {'later' if value_us >= 0 else 'sooner'} "
        "than gate A (95 % coverage)",
        f"from {result.before} shots before and {result.after} after the exchange ({method})",
        *([result.doubt] if result.doubt else []),
        *result.notes,
    )


def swap_changes(result: SwapResult, date: str) -> dict[str, object]:
    """Return the keys of the rig file that take up the result, with day and evidence."""
    return rig_changes(
        "latency",
        f"{result.difference_s * 1e6:.5f} us",
        f"{result.uncertainty.u * 1e6:.5f} us",
        result.uncertainty.dof,
        date,
        "sensors exchanged: " + "; ".join(swap_report(result)),
    )


def _pairs(transit_s: Floats, blocking_s: Floats | None) -> Floats:
    """Transit and blocking time of the shots that have both, shape (N, 2)."""
    columns = (transit_s, np.zeros_like(transit_s) if blocking_s is None else blocking_s)
    table = np.column_stack(columns).astype(np.float64)
    kept: Floats = table[np.isfinite(table).all(axis=1)]
    return kept


def _by_means(before: Floats, after: Floats) -> tuple[float, list[Contribution]]:
    """Half the difference of the mean transits; type A of both, combined as by Welch."""
    sides = (before[:, 0], after[:, 0])
    names = ("scatter before the exchange", "scatter after the exchange")
    return float(np.mean(sides[0]) - np.mean(sides[1])) / 2, [
        Contribution(mean_input(name, side, "s"), 0.5)
        for name, side in zip(names, sides, strict=True)
    ]


def _by_blocking(before: Floats, after: Floats) -> tuple[float, list[Contribution]]:
    """
    Half the distance of two parallel lines, transit over blocking time.

    Analysis of covariance: transit = k·blocking + c ± δ with one slope k for both series.
    """
    side = np.concatenate([np.ones(len(before)), -np.ones(len(after))])
    transit, blocking = np.concatenate([before, after]).T
    design = np.column_stack([side, np.ones_like(side), blocking])
    solution, _, rank, _ = np.linalg.lstsq(design / np.abs(design).max(axis=0), transit)
    if rank < 3:
        return _by_means(before, after)
    solution /= np.abs(design).max(axis=0)
    dof = len(transit) - 3
    residual = transit - design @ solution
    variance = float(residual @ residual) / dof
    centred = blocking - np.where(side > 0, before[:, 1].mean(), after[:, 1].mean())
    gap = float(before[:, 1].mean() - after[:, 1].mean())
    inverse = (1 / len(before) + 1 / len(after) + gap**2 / float(centred @ centred)) / 4
    scatter = normal(
        "scatter about the common line", sqrt(variance * inverse), dof=dof, unit="s"
    )
    flattened = _flattening(float(solution[2]), gap, variance, float(centred @ centred) / dof)
    return float(solution[0]), [
        Contribution(scatter, 1.0),
        Contribution(normal("change of speed", flattened, unit="s"), 1.0),
    ]


def _flattening(slope: float, gap_s: float, variance: float, blocking_variance: float) -> float:
    """
    Return the standard uncertainty that a change of the mean speed brings [s].

    Scatter of the blocking times themselves makes the slope too flat, by no more than the
    residual variance over that of slope·blocking; the shift is that part of the gap. Since
    it may well be all of it, it counts as one standard uncertainty.
    """
    part = min(1.0, variance / (slope**2 * blocking_variance)) if slope else 1.0
    return abs(slope * gap_s) / 2 * part


def _refuse(before: Floats, after: Floats) -> None:
    fewest = min(len(before), len(after))
    if fewest < MIN_REPEATS:
        raise CalibrationError(
            f"{len(before)} usable shots before and {len(after)} after the exchange, "
            f"at least {MIN_REPEATS} of each are needed",
            hint="take ten shots, exchange the two sensors, take ten more",
        )
    if len(before) == len(after) and np.array_equal(
        np.sort(before, axis=0), np.sort(after, axis=0)
    ):
        raise CalibrationError(
            "the shots before and after the exchange are the same ones",
            hint="name a recording, or setups, from before and from after the exchange",
        )


def _doubt(difference_s: float, u95_s: float, transit_s: float) -> str:
    if difference_s <= u95_s:
        return "no difference seen: the sensors are alike within this, or were not exchanged"
    if difference_s > LARGE_PART * transit_s:
        return "a large part of the transit: were gates or launcher moved as well?"
    return ""


def _notes(before: Floats, after: Floats, by_blocking: bool) -> tuple[str, ...]:
    notes = []
    if not by_blocking and _spread_p(before[:, 0], after[:, 0]) < SUSPICIOUS:
        notes.append("the scatter changed with the exchange: was the launching the same?")
    for name, series in (("before", before), ("after", after)):
        if not by_blocking and _trend_p(series[:, 0]) < SUSPICIOUS:
            notes.append(f"the transits {name} the exchange drift: the launcher is not steady")
    if by_blocking and _welch_p(before[:, 1], after[:, 1]) < SUSPICIOUS:
        notes.append(
            "the speed changed with the exchange: one and the same launching narrows this"
        )
    return tuple(notes)


def _spread_p(first: Floats, second: Floats) -> float:
    """Probability of spreads that differ so much by chance (Brown and Forsythe, 1974)."""
    deviations = [np.abs(side - np.median(side)) for side in (first, second)]
    return _welch_p(*deviations)


def _welch_p(first: Floats, second: Floats) -> float:
    """Two-sided probability of so large a difference of two means by chance (Welch, 1947)."""
    parts = [Contribution(mean_input("", side), 1.0) for side in (first, second)]
    u = combined_uncertainty(parts)
    if u == 0:
        return 1.0 if np.mean(first) == np.mean(second) else 0.0
    t = float(np.mean(first) - np.mean(second)) / u
    return float(2 * stdtr(effective_dof(parts), -abs(t)))


def _trend_p(series: Floats) -> float:
    """Two-sided probability of so steep a trend by chance (t-test of the slope)."""
    order = np.arange(len(series)) - (len(series) - 1) / 2
    deviation = series - np.mean(series)
    total = float(deviation @ deviation)
    if total == 0:
        return 1.0
    r2 = min(float(order @ deviation) ** 2 / float(order @ order) / total, 1 - 1e-12)
    dof = len(series) - 2
    return float(2 * stdtr(dof, -sqrt(dof * r2 / (1 - r2))))
