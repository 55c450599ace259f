"""Compute the effective spacing of the gates from two flat-ended rods of known lengths.

At any constant speed, blocking time divided by transit equals the rod's length divided by the
gate spacing. A rod blocks a gate for a little more than its own length, but this has no effect
on the difference between the two rods. The speed of a rod may change between the gates, but its
acceleration must be constant.
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
"""The lengths of the rods must differ by at least this length, or they give no spacing [m]."""

MOST_SPREAD = 0.01
"""If the ratio of length to spacing scatters more than this, the rod was tilted or jerked."""

MOST_CHANGE = 0.5
"""Limit for ln(speed at B/speed at A). With a larger change of the speed, the acceleration is
probably not constant."""

LIKELY_EXTRA_M, MOST_EXTRA_M = 1.5e-3, 5e-3
"""Two limits for the difference between a blocked length and the length of the rod [m]. Above
the first limit the result is in doubt: the threshold is far from half of the light, a length is
wrong, or the ends are not flat. Above the second limit the rods must be different from the
stated rods (common practice, no source)."""

EXCHANGED, SAME = 0.9, 0.1
"""Limits for judging the measured lengths of the rods. The rods were exchanged if the ratio of
the lengths is the inverse of the stated ratio, within a tenth. Both recordings show the same
rod if the lengths are equal, within a tenth of their stated difference."""

AS_DECLARED = 0.1
"""A body has the declared length if the measured length differs by at most a tenth."""

FAR_OFF = 0.25
"""The stated spacing is wrong by at most a quarter: a rig allows no larger tolerance."""


@dataclass(frozen=True)
class Passes:
    """
    The measured times of one rod that passed the gates several times.

    Attributes
    ----------
    length_m : float
        Length of the rod [m].
    transit_s, blocking_a_s, blocking_b_s : ndarray of float64, shape (N,)
        Mean transit of both pairs of edges, and blocking times [s]; NaN if a value is missing.
    ball_m : float or None
        Length of the round body that the recording states [m]; None for a flat body.
    """

    length_m: float
    transit_s: Floats
    blocking_a_s: Floats
    blocking_b_s: Floats
    ball_m: float | None = None


class RodDoubt(Enum):
    """The reason not to write the result of a rod calibration into the rig file."""

    FAR_OFF = "far off"
    """The spacing differs from the stated spacing by more than the tolerance."""
    EXTRA = "extra"
    """The gates stay blocked for a length that differs from the length of the rods."""
    BALLS = "balls"
    """Both recordings state round bodies, and the measured lengths fit these bodies."""


@dataclass(frozen=True)
class RodSetup:
    """
    The known values of the gates, and the tolerance of the rods' lengths.

    Attributes
    ----------
    spacing_m, spacing_tolerance_m, trip_tolerance_m : float
        Stated spacing, its half-width, and the half-width of each gate's trip position [m].
    length_tolerance_m : float
        Half-width of the length of each rod [m].
    tilt_limit_rad : float
        Largest angle between path and gates' axis [rad].
    latency : Input
        Uncertainty of the gates' delay difference [s].
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
    The result of a rod calibration: the effective spacing of the gates.

    Attributes
    ----------
    spacing_m : float
        Distance along the gates' axis between the places where the gates trip [m].
    uncertainty : CombinedUncertainty
        Uncertainty of the spacing [m].
    extra_m : float
        Length by which a gate stays blocked longer than the rod, mean of both gates [m].
    stated_m : float
        Stated spacing [m].
    passes : tuple of int
        Number of passes of the short and of the long rod.
    lengths_m : tuple of float
        Lengths of the two rods [m].
    allowed_m : float
        Allowed difference between found and stated spacing [m]: the half-width of the stated
        spacing, plus the 95 % uncertainty from the rods and the trip positions.
    fitting_m : tuple of float
        Length of the short rod, or of the long rod, that would give the stated spacing [m].
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
        """The computed spacing minus the stated spacing [m]."""
        return self.spacing_m - self.stated_m


def rod_calibration(short: Passes, long: Passes, setup: RodSetup) -> RodResult:
    """
    Compute the effective spacing of the gates from the times of two rods.

    Raises
    ------
    CalibrationError
        If there are too few passes, if the rods are too similar, or if passes were tilted,
        jerked or accelerated.

    Notes
    -----
    With q = (length + extra)/spacing of each rod: spacing = (ℓ₂ − ℓ₁)/(q₂ − q₁) and
    extra = q₁·spacing − ℓ₁.
    """
    if long.length_m - short.length_m < LEAST_DIFFERENCE_M:
        raise CalibrationError(
            "the long rod must be clearly longer than the short rod, but the difference is "
            f"{(long.length_m - short.length_m) * 1e3:.3g} mm",
            hint="use a short and a long rod, such as 40 mm and 120 mm, and give the short rod "
            "first",
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
    """Return transit and both blocking times of the complete passes, shape (N, 3)."""
    table = np.column_stack([rod.transit_s, rod.blocking_a_s, rod.blocking_b_s])
    whole: Floats = table[np.isfinite(table).all(axis=1) & (table > 0).all(axis=1)]
    if len(whole) < MIN_REPEATS:
        raise CalibrationError(
            f"the rod of {rod.length_m * 1e3:g} mm has only {len(whole)} usable passes; at "
            f"least {MIN_REPEATS} usable passes are needed",
            hint="let each rod pass completely through both gates, ten times; set "
            "window.slowest to a speed below the speed of the rods",
        )
    return whole


def _ratios(whole: Floats, length_m: float) -> Floats:
    """Return the ratio of rod length to gate spacing for each pass of a rod."""
    transit, at_a, at_b = whole.T
    change = np.log(at_a / at_b)
    if float(np.abs(change).max()) > MOST_CHANGE:
        raise CalibrationError(
            f"between the gates, the speed of a rod of {length_m * 1e3:g} mm changed by "
            f"{100 * np.expm1(np.abs(change).max()):.0f} %",
            hint="push the rod at a constant speed, or drop it from a greater height",
        )
    lead = transit - (at_b - at_a) / 2
    end = lead + at_b
    # the leading end moves u·t + a·t² gate spacings in the time t after it reaches gate A:
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
            f"the measured lengths of the {length_m * 1e3:g} mm rod scatter by "
            f"{100 * spread:.1f} %",
            hint="guide the rod so that it moves smoothly between the gates and does not tilt",
        )
    return ratio


def _refuse_exchanged(
    means: list[float], short_m: float, long_m: float, setup: RodSetup
) -> None:
    """Raise an error if two recordings show the same rod or are in the wrong order."""
    seen = [f"{mean * setup.spacing_m * 1e3:.0f} mm" for mean in means]
    stated, found = long_m / short_m, means[1] / means[0]
    if EXCHANGED <= stated * found <= 1 / EXCHANGED:
        raise CalibrationError(
            f"the rod in the first recording is about {seen[0]} long, and the rod in the "
            f"second recording is about {seen[1]} long",
            hint="give the recording of the short rod first",
        )
    if abs(found - 1) <= SAME * (stated - 1):
        raise CalibrationError(
            f"both recordings show a rod of the same length, about {seen[0]}",
            hint="give the short rod's recording first, then the long rod's recording",
        )
    if found < 1:
        raise CalibrationError(
            f"the rod in the first recording ({seen[0]}) is longer than the rod in the second "
            f"recording ({seen[1]})",
            hint="give the recording of the short rod first, and check both lengths",
        )


def _refuse_other_rods(path_m: float, extra_m: float, setup: RodSetup) -> None:
    far = not abs(path_m / setup.spacing_m - 1) <= FAR_OFF
    if far or abs(extra_m) > MOST_EXTRA_M:
        raise CalibrationError(
            f"with these rod lengths, the gates would be {path_m * 1e3:.4g} mm apart, and the "
            f"gates would measure each rod {extra_text(extra_m)} than its true length",
            hint="check the lengths of both rods, check which rod each recording shows, and "
            "check that the ends are cut at a right angle",
        )


def extra_text(extra_m: float) -> str:
    """Return a text such as "0.50 mm longer", which compares a blocked length with a rod."""
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
    # at any speed, the blocking times may be too long by the same time
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
