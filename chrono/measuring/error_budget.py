"""Compute the uncertainty of a result from the uncertainties of its inputs (error budget).

An input is a quantity that is not exactly known: it has an estimate and a distribution of the
possible deviations. A contribution consists of an input and of the sensitivity of the result to
this input. All inputs are independent. This file also creates the inputs from a rig's stated or
calibrated values. Sources: JCGM 100:2008 ("GUM") and JCGM 101:2008.
"""

import math
from collections.abc import Iterable
from dataclasses import dataclass
from typing import Literal

import scipy

from chrono.rigs.rig_model import Rig

Distribution = Literal[
    "normal", "rectangular", "triangular", "two-pair", "arcsine", "tilt", "chords"
]
Nature = Literal["random", "shared"]

COVERAGE = 0.95
LEAST_SHARE = 1e-7
"""A contribution whose share of the combined variance is below this value does not change any
digit of the uncertainty.
"""
NORMAL_FACTOR = 1.959963984540054
"""Coverage factor of a normal distribution for 95 % (GUM table G.2)."""


@dataclass(frozen=True)
class Input:
    """
    An uncertain input: the distribution of its deviations from its estimate.

    Attributes
    ----------
    name : str
        Name of the input that the user sees.
    distribution : str
        normal (a scaled t distribution if `dof` is finite), rectangular, triangular, two-pair,
        arcsine, tilt, or chords.
    half_width : float
        Half-width of a bounded distribution. For a normal distribution it is infinite. For tilt
        it is the largest angle [rad].
    u : float
        Standard uncertainty.
    dof : float
        Degrees of freedom of `u`.
    nature : str
        random: the error is different in each shot. shared: the error is the same in all shots
        of a rig.
    unit : str
        SI unit of `half_width` and `u`.
    ratio : float
        For chords: largest distance between the body's axis and a beam, divided by the body's
        radius. For all other distributions: 0.
    """

    name: str
    distribution: Distribution
    half_width: float
    u: float
    dof: float = math.inf
    nature: Nature = "shared"
    unit: str = ""
    ratio: float = 0.0

    @property
    def radius_m(self) -> float:
        """Radius of the ball [m], for an input that describes the ball's chords."""
        return self.half_width / (1 - math.sqrt(1 - self.ratio**2))


def normal(
    name: str, u: float, *, dof: float = math.inf, nature: Nature = "shared", unit: str = ""
) -> Input:
    """
    Return an input with a normal distribution, or with a t distribution for a finite `dof`.

    Source: JCGM 101, 6.4.9.
    """
    return Input(name, "normal", math.inf, u, dof, nature, unit)


def rectangular(
    name: str, half_width: float, *, nature: Nature = "shared", unit: str = ""
) -> Input:
    """
    Return an input with a rectangular distribution.

    Its standard uncertainty is half_width/√3 (GUM 4.3.7).
    """
    u = half_width / math.sqrt(3)
    return Input(name, "rectangular", half_width, u, math.inf, nature, unit)


def triangular(
    name: str, half_width: float, *, nature: Nature = "shared", unit: str = ""
) -> Input:
    """
    Return an input with a triangular distribution.

    Its standard uncertainty is half_width/√6 (GUM 4.3.9).
    """
    u = half_width / math.sqrt(6)
    return Input(name, "triangular", half_width, u, math.inf, nature, unit)


def two_pair(name: str, tick: float, *, nature: Nature = "shared", unit: str = "") -> Input:
    """
    Return an input for the rounding error of a time that is the mean of two counts.

    The rounding error of each count is −F or 1 − F ticks. F is the fractional part of the true
    time in ticks, and each value of F from 0 to 1 is equally likely. The fraction F is the same
    for both counts, but the phases of the counts are different. If x is the error of the mean
    in ticks, its density is (1 − |x|)² + max(½ − 2x², 0) over ± 1, and u = tick/√12. (Two
    independent triangular errors would have the same u, but their 95 % interval would be 3 %
    too short.)
    """
    return Input(name, "two-pair", tick, tick / math.sqrt(12), math.inf, nature, unit)


def arcsine(
    name: str, half_width: float, *, nature: Nature = "shared", unit: str = ""
) -> Input:
    """
    Return an input with a U-shaped (arcsine) distribution.

    The standard uncertainty is half_width/√2 (JCGM 101, 6.4.6). For example, the values of a
    sine wave have this U-shaped distribution.
    """
    u = half_width / math.sqrt(2)
    return Input(name, "arcsine", half_width, u, math.inf, nature, unit)


def tilt(name: str, limit_rad: float, *, nature: Nature = "shared") -> Input:
    """
    Return an input for the relative change of the path's length that a tilt causes.

    For a tilt angle θ, the change is θ²/2 minus the mean of θ²/2. This mean is θ_lim²/6. The
    angle θ is uniform over 0 … θ_lim (`limit_rad`), so the variance of θ²/2 is θ_lim⁴/45. If a
    ball crosses both beams at the same height, its tilted path is longer by the relative amount
    θ²/2. If the beams are aligned, a ball on a tilted path crosses the two beams at different
    heights. The path of a ball that crosses the aligned beams at different heights is shorter
    by the same relative amount θ²/2. For a tilt of 1° the error is 2e-4 of the speed. The rig
    states `off_centre`, the largest distance of a ball from the middle of the beam. With the
    gate spacing d, the error of the path is at most 2·(off_centre/d)².
    """
    return Input(name, "tilt", limit_rad, limit_rad**2 / math.sqrt(45), math.inf, nature, "")


def chords(name: str, radius_m: float, off_centre_m: float) -> Input:
    """
    Return an input for the difference between a ball's half chords at the two beams [m].

    A chord is the part of a beam's line that is inside the ball. Let y be the distance between
    a beam and the ball's axis. y is uniform over ± `off_centre_m`, and at most the radius R.
    The half chord is √(R² − y²), so it is shorter than the radius by R − √(R² − y²).

    The error budget treats the error from the chords as a shared error, equal in all shots. If
    the bodies cross the beams at a different height in each shot, the scatter of the speeds
    already includes this error. With a fixed launcher, the body crosses the beams at the same
    height in each shot. In this case more shots do not reduce the error.
    """
    r = min(off_centre_m / radius_m, 1.0)
    width = radius_m * (1 - math.sqrt(1 - r * r))
    u = radius_m * math.sqrt(2 * _chord_variance(r))
    return Input(name, "chords", width, u, math.inf, "shared", "m", r)


def mean_chord(quantity: Input) -> float:
    """Return a ball's mean length at a beam (chord), divided by the ball's diameter."""
    r = quantity.ratio
    return (math.sqrt(1 - r * r) + (math.asin(r) / r if r else 1.0)) / 2


def _chord_variance(r: float) -> float:
    """Return the variance of √(1 − r²x²) if x is uniform over 0 … 1."""
    if r < 0.02:  # for a small r, the difference below would lose its digits
        return r**4 / 45
    mean = (math.sqrt(1 - r * r) + math.asin(r) / r) / 2
    return 1 - r * r / 3 - mean * mean


@dataclass(frozen=True)
class Contribution:
    """
    An input's contribution to the uncertainty of a result.

    Attributes
    ----------
    input : Input
        The input quantity.
    sensitivity : float
        Partial derivative of the result with respect to the input, in SI units.
    """

    input: Input
    sensitivity: float

    @property
    def name(self) -> str:
        """Name of the input."""
        return self.input.name

    @property
    def u_out(self) -> float:
        """Standard uncertainty of the result if only this input is uncertain."""
        return abs(self.sensitivity) * self.input.u


def combined_uncertainty(contributions: Iterable[Contribution]) -> float:
    """Return the combined standard uncertainty u_c of independent inputs (GUM eq. 10)."""
    return math.sqrt(sum(c.u_out**2 for c in contributions))


def effective_dof(contributions: Iterable[Contribution]) -> float:
    """Return the effective degrees of freedom by Welch and Satterthwaite (GUM formula G.2b)."""
    contributions = tuple(contributions)
    total = combined_uncertainty(contributions)
    if total == 0:
        return math.inf
    parts = sum((c.u_out / total) ** 4 / c.input.dof for c in contributions)
    return 1 / parts if parts else math.inf


def coverage_factor(dof: float, probability: float = COVERAGE) -> float:
    """
    Return the coverage factor t_p(ν) for a two-sided interval (GUM table G.2).

    For ν = ∞ the result is the coverage factor of a normal distribution.
    """
    upper = (1 + probability) / 2
    special = scipy.special
    return float(special.ndtri(upper) if math.isinf(dof) else special.stdtrit(dof, upper))


def expanded_uncertainty(
    contributions: Iterable[Contribution], probability: float = COVERAGE
) -> float:
    """Return the first-order expanded uncertainty U = t_p(ν_eff)·u_c (GUM G.4.1)."""
    contributions = tuple(contributions)
    factor = coverage_factor(effective_dof(contributions), probability)
    return factor * combined_uncertainty(contributions)


@dataclass(frozen=True)
class Budget:
    """
    The error budget of one shot's speed.

    Attributes
    ----------
    speed_mps : float
        The estimated speed [m/s].
    contributions : tuple of Contribution
        One contribution for each input, with `u_out` in m/s.
    u_mps, u_random_mps, u_shared_mps : float
        Combined standard uncertainty, its random part and its shared part [m/s].
    dof : float
        Effective degrees of freedom.
    U95_mps : float
        Half-width of the symmetric interval that contains 95 % of the combined
        distribution [m/s]. It is the ± that is shown with the shot.
    U95_first_order_mps : float
        First-order expanded uncertainty t_95(ν_eff)·u_c, for comparison [m/s].
    lowest_mps, highest_mps : float
        Speeds for a transit that is one tick longer, and one tick shorter [m/s].
    """

    speed_mps: float
    contributions: tuple[Contribution, ...]
    u_mps: float
    u_random_mps: float
    u_shared_mps: float
    dof: float
    U95_mps: float
    U95_first_order_mps: float
    lowest_mps: float
    highest_mps: float

    @property
    def k(self) -> float:
        """Coverage factor U95/u_c of the combined distribution."""
        return self.U95_mps / self.u_mps if self.u_mps else math.nan

    @property
    def noticeable(self) -> tuple[Contribution, ...]:
        """All contributions that are large enough to change a digit of the uncertainty."""
        return tuple(c for c in self.contributions if not self.share(c) < LEAST_SHARE)

    def share(self, contribution: Contribution) -> float:
        """Return the contribution's share of the combined variance, 0 … 1."""
        return (contribution.u_out / self.u_mps) ** 2 if self.u_mps else 0.0


BOUNCE = "bounce"


def spacing_input(rig: Rig) -> Input:
    """Return an input for the gate spacing, either calibrated or stated by the rig."""
    calibrated = rig.calibration.spacing
    if calibrated is None:
        return rectangular("gate spacing", rig.gates.spacing_tolerance_m, unit="m")
    dof = calibrated.degrees_of_freedom
    return normal("gate spacing", calibrated.spacing_u_m, dof=dof, unit="m")


def trip_inputs(rig: Rig) -> tuple[Input, ...]:
    """
    Return one input for each gate: the position in the beam at which the gate trips.

    The result is empty if the calibrated spacing already includes the trip positions.
    """
    calibrated = rig.calibration.spacing
    if calibrated is not None and calibrated.covers_trip:
        return ()
    names = "trip position, A", "trip position, B"
    return tuple(rectangular(name, rig.gates.trip_tolerance_m, unit="m") for name in names)


def rate_input(rig: Rig) -> Input:
    """
    Return an input for the counter's relative frequency error.

    The value comes from a calibration, or from the value that the rig states.
    """
    calibrated = rig.calibration.clock
    if calibrated is None:
        return rectangular("clock rate", rig.clock.rate_tolerance)
    return normal("clock rate", calibrated.rate_error_u, dof=calibrated.degrees_of_freedom)


def latency_input(rig: Rig) -> Input:
    """
    Return an input for the difference between the delays of the two sensors.

    The value comes from a calibration, or from the value that the rig states.
    """
    calibrated = rig.calibration.latency
    if calibrated is None:
        return rectangular("latency mismatch", rig.gates.latency_mismatch_s, unit="s")
    dof = calibrated.degrees_of_freedom
    return normal("latency mismatch", calibrated.difference_u_s, dof=dof, unit="s")


def bounce_inputs(bounce_s: float) -> tuple[Input, ...]:
    """
    Return an input for the timing error that bouncing edges and late lines cause.

    `bounce_s` is the standard uncertainty of the timing error [s]. If `bounce_s` is 0, the
    result is empty.
    """
    return (normal(BOUNCE, bounce_s, nature="random", unit="s"),) if bounce_s > 0 else ()
