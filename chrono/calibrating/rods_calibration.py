"""The effective spacing of the gates from two flat-ended rods of known lengths.

Blocking time over transit is length over spacing, whatever the speed; the difference of two
rods takes out by how much a gate stays blocked longer than a rod is long. No height, no
gravity and no reference clock are needed. A speed that grows or falls evenly is allowed for.
"""

import math
from dataclasses import dataclass
from enum import Enum

import numpy as np

from chrono.arrays.array_types import Floats
from chrono.errors import CalibrationError
from chrono.measuring.calibration_uncertainty import (
    MIN_REPEATS,
    CombinedUncertainty,
    combine,
    mean_input,
)
from chrono.measuring.error_budget import Contribution, Input, rectangular, tilt

LEAST_DIFFERENCE_M = 5e-3
"""Rods of more equal lengths tell nothing of the spacing."""

MOST_SPREAD = 0.01
"""Passes of one rod whose length over spacing scatters by more were tilted or jerked."""

MOST_CHANGE = 0.5
"""Logarithm of the speed at B over that at A: more was no even motion."""

LIKELY_EXTRA_M, MOST_EXTRA_M = 1.5e-3, 5e-3
"""How much longer or shorter than the rod a gate may stay blocked [m]. The cause is a threshold
that is not at half the light. Beyond the first limit the result is in doubt: a threshold far
off, a wrong length, or ends that are not flat. Beyond the second one they are other rods
(common practice, no source)."""

EXCHANGED, SAME = 0.9, 0.1
"""Ratios of the seen lengths: as the stated ones, the other way round, within a tenth; or equal
within a tenth of what they should differ by."""

AS_DECLARED = 0.1
"""A body has the declared length if the gates saw that within a tenth."""

FAR_OFF = 0.25
"""Gates stand as far apart as stated within a quarter (a rig's tolerance is no wider)."""


@dataclass(frozen=True)
class Passes:
    """
    Passes of one rod.

    Attributes
    ----------
    length_m : float
        Of the rod [m].
    transit_s, blocking_a_s, blocking_b_s : ndarray of float64, shape (N,)
        Mean transit of both pairs of edges, and blocking times [s]; NaN where one lacks.
    ball_m : float or None
        Length of the round body that the recording declares [m], None for a flat one.
    """

    length_m: float
    transit_s: Floats
    blocking_a_s: Floats
    blocking_b_s: Floats
    ball_m: float | None = None


class RodDoubt(Enum):
    """Why a spacing found by rods had better not be written."""

    FAR_OFF = "far off"
    """It lies beyond the tolerance of the stated one."""
    EXTRA = "extra"
    """The gates stay blocked for another length than the rods have."""
    BALLS = "balls"
    """Both recordings declare round bodies, and the gates saw such lengths."""


@dataclass(frozen=True)
class RodSetup:
    """
    What is known besides the rods.

    Attributes
    ----------
    spacing_m, spacing_tolerance_m, trip_tolerance_m : float
        As stated, its half-width, and that of where each gate trips [m].
    length_tolerance_m : float
        Half-width of each rod's length [m].
    tilt_limit_rad : float
        Largest angle between path and gates' axis [rad].
    latency : Input
        What is not known of the gates' delay difference [s].
    """

    spacing_m: float
    spacing_tolerance_m: float
    trip_tolerance_m: float
    length_tolerance_m: float
    tilt_limit_rad: float
    latency: Input


@dataclass(frozen=True)
class RodResult:
    """
    The effective spacing.

    Attributes
    ----------
    spacing_m : float
        Distance along the gates' axis between the places where they trip [m].
    uncertainty : CombinedUncertainty
        Of that spacing [m].
    extra_m : float
        How much longer than the rod a gate stays blocked, mean of both gates [m].
    stated_m : float
        Spacing as stated [m].
    passes : tuple of int
        Of the short and of the long rod.
    lengths_m : tuple of float
        Of the two rods [m].
    allowed_m : float
        By how much the found spacing may differ from the stated one [m]: the half-width of
        that, and at 95 % what the rods and the trip positions leave open.
    fitting_m : tuple of float
        Length that the short, or that the long rod would need for the stated spacing [m].
    doubt : RodDoubt or None
    """

    spacing_m: float
    uncertainty: CombinedUncertainty
    extra_m: float
    stated_m: float
    passes: tuple[int, int]
    lengths_m: tuple[float, float]
    allowed_m: float
    fitting_m: tuple[float, float]
    doubt: RodDoubt | None

    @property
    def deviation_m(self) -> float:
        """Spacing found less the stated one [m]."""
        return self.spacing_m - self.stated_m


def rod_calibration(short: Passes, long: Passes, setup: RodSetup) -> RodResult:
    """
    Return the effective spacing from the passes of two rods.

    Raises
    ------
    CalibrationError
        Too few passes, rods too alike, or passes that were tilted, jerked or accelerated.

    Notes
    -----
    With q = (length + extra)/spacing of each rod: spacing = (ℓ₂ − ℓ₁)/(q₂ − q₁) and
    extra = q₁·spacing − ℓ₁.
    """
    if long.length_m - short.length_m < LEAST_DIFFERENCE_M:
        raise CalibrationError(
            f"the rods differ by {(long.length_m - short.length_m) * 1e3:.3g} mm",
            hint="take a short and a long one, such as 40 mm and 120 mm, the short one first",
        )
    ratios = [_ratios(_whole(rod), rod.length_m) for rod in (short, long)]
    means = [float(np.mean(ratio)) for ratio in ratios]
    _refuse_exchanged(means, short.length_m, long.length_m, setup)
    path_m = (long.length_m - short.length_m) / (means[1] - means[0])
    extra_m = means[0] * path_m - short.length_m
    _refuse_other_rods(path_m, extra_m, setup)
    speeds = [path_m / float(np.nanmean(rod.transit_s)) for rod in (short, long)]
    contributions = _contributions(short, long, ratios, speeds, path_m, setup)
    spacing_m = path_m / (1 + setup.tilt_limit_rad**2 / 6)
    trip = [rectangular(f"trip of {gate}", setup.trip_tolerance_m, unit="m") for gate in "AB"]
    found = combine([*contributions, *(Contribution(each, 1.0) for each in trip)])
    allowed_m = setup.spacing_tolerance_m + found.U95
    growth_m = setup.spacing_m / spacing_m * (long.length_m - short.length_m)
    return RodResult(
        spacing_m=spacing_m,
        uncertainty=combine(contributions),
        extra_m=extra_m,
        stated_m=setup.spacing_m,
        passes=(len(ratios[0]), len(ratios[1])),
        lengths_m=(short.length_m, long.length_m),
        allowed_m=allowed_m,
        fitting_m=(long.length_m - growth_m, short.length_m + growth_m),
        doubt=_doubt((short, long), means, spacing_m - setup.spacing_m, allowed_m, extra_m),
    )


def _doubt(
    rods: tuple[Passes, Passes],
    means: list[float],
    deviation_m: float,
    allowed_m: float,
    extra_m: float,
) -> RodDoubt | None:
    path_m = (rods[1].length_m - rods[0].length_m) / (means[1] - means[0])
    if all(
        rod.ball_m is not None and abs(mean * path_m / rod.ball_m - 1) <= AS_DECLARED
        for rod, mean in zip(rods, means, strict=True)
    ):
        return RodDoubt.BALLS
    if abs(deviation_m) > allowed_m:
        return RodDoubt.FAR_OFF
    return RodDoubt.EXTRA if abs(extra_m) > LIKELY_EXTRA_M else None


def _whole(rod: Passes) -> Floats:
    """Transit and blocking times of the passes that have all three, shape (N, 3)."""
    table = np.column_stack([rod.transit_s, rod.blocking_a_s, rod.blocking_b_s])
    whole: Floats = table[np.isfinite(table).all(axis=1) & (table > 0).all(axis=1)]
    if len(whole) < MIN_REPEATS:
        raise CalibrationError(
            f"{len(whole)} usable passes of the rod of {rod.length_m * 1e3:g} mm, at least "
            f"{MIN_REPEATS} are needed",
            hint="let each rod pass ten times, both edges at both gates, and make "
            "window.slowest slow enough",
        )
    return whole


def _ratios(whole: Floats, length_m: float) -> Floats:
    """
    Return length over spacing of each pass, the speed changing evenly.

    With x = u·t + a·t² in units of the spacing the leading end is at B, the trailing one at
    A and at B: three equations that are linear in u, a and the ratio.
    """
    transit, at_a, at_b = whole.T
    change = np.log(at_a / at_b)
    if float(np.abs(change).max()) > MOST_CHANGE:
        raise CalibrationError(
            f"a rod of {length_m * 1e3:g} mm changed its speed by "
            f"{100 * np.expm1(np.abs(change).max()):.0f} % between the gates",
            hint="push it evenly, or drop it from higher",
        )
    lead = transit - (at_b - at_a) / 2
    end = lead + at_b
    # lead·u + lead²·a = 1 and (end − at_a)·u + (end² − at_a²)·a = 1
    along = end - at_a
    square = end**2 - at_a**2
    determinant = lead * square - lead**2 * along
    u = (square - lead**2) / determinant
    a = (lead - along) / determinant
    ratio: Floats = u * at_a + a * at_a**2
    spread = float(np.std(ratio, ddof=1) / np.mean(ratio))
    if spread > MOST_SPREAD:
        raise CalibrationError(
            f"the passes of the rod of {length_m * 1e3:g} mm scatter by {100 * spread:.1f} %",
            hint="guide it so that it neither tilts nor jerks between the gates",
        )
    return ratio


def _refuse_exchanged(
    means: list[float], short_m: float, long_m: float, setup: RodSetup
) -> None:
    """Refuse recordings of one rod, and those that were named in the wrong order."""
    seen = [f"{mean * setup.spacing_m * 1e3:.0f} mm" for mean in means]
    stated, found = long_m / short_m, means[1] / means[0]
    if EXCHANGED <= stated * found <= 1 / EXCHANGED:
        raise CalibrationError(
            f"the first recording shows a rod of about {seen[0]}, the second one of {seen[1]}",
            hint="name the recording of the short rod first",
        )
    if abs(found - 1) <= SAME * (stated - 1):
        raise CalibrationError(
            f"both recordings show a rod of about {seen[0]}",
            hint="name the recording of the short rod, then that of the long one",
        )
    if found < 1:
        raise CalibrationError(
            f"the first recording shows a longer rod ({seen[0]}) than the second ({seen[1]})",
            hint="name the recording of the short rod first, and check both lengths",
        )


def _refuse_other_rods(path_m: float, extra_m: float, setup: RodSetup) -> None:
    far = not abs(path_m / setup.spacing_m - 1) <= FAR_OFF
    if far or abs(extra_m) > MOST_EXTRA_M:
        raise CalibrationError(
            f"rods of these lengths would mean gates {path_m * 1e3:.4g} mm apart that stay "
            f"blocked {extra_text(extra_m)} than the rod",
            hint="check the lengths, which recording is of which rod, and that the ends are "
            "cut square",
        )


def extra_text(extra_m: float) -> str:
    """Return by how much longer or shorter than a rod a gate stays blocked."""
    return f"{abs(extra_m) * 1e3:.2f} mm {'longer' if extra_m >= 0 else 'shorter'}"


def _contributions(
    short: Passes,
    long: Passes,
    ratios: list[Floats],
    speeds: list[float],
    path_m: float,
    setup: RodSetup,
) -> list[Contribution]:
    by_length = path_m / (long.length_m - short.length_m)
    by_ratio = path_m * by_length
    lengths = [
        rectangular(f"length of the {name} rod", setup.length_tolerance_m, unit="m")
        for name in ("short", "long")
    ]
    # a blocking time that is long by the same time whatever the speed
    offset = rectangular(
        "offset of the blocking times", math.sqrt(3) * setup.latency.u, unit="s"
    )
    return [
        *(Contribution(length, by_length) for length in lengths),
        Contribution(mean_input("scatter of the short rod", ratios[0]), by_ratio),
        Contribution(mean_input("scatter of the long rod", ratios[1]), by_ratio),
        Contribution(setup.latency, sum(speeds) / 2),
        Contribution(offset, by_length * (speeds[1] - speeds[0])),
        Contribution(tilt("tilt of the path", setup.tilt_limit_rad), path_m),
    ]
