"""Compute the uncertainty of a result from the uncertainties of its inputs (error budget).

An input is a quantity that is not exactly known, such as the gate spacing. A contribution is
the effect of one input on the uncertainty of the result. All inputs are independent. Sources:
JCGM 100:2008 ("GUM") and JCGM 101:2008.
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
    An uncertain input: how far its true value may be from its estimate.

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
        """Radius of the ball [m]; use it only for an input that `chords` returned."""
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
    """Return an input with a rectangular distribution: u = half_width/√3 (GUM 4.3.7)."""
    u = half_width / math.sqrt(3)
    return Input(name, "rectangular", half_width, u, math.inf, nature, unit)


def triangular(
    name: str, half_width: float, *, nature: Nature = "shared", unit: str = ""
) -> Input:
    """Return an input with a triangular distribution: u = half_width/√6 (GUM 4.3.9)."""
    u = half_width / math.sqrt(6)
    return Input(name, "triangular", half_width, u, math.inf, nature, unit)


def two_pair(name: str, tick: float, *, nature: Nature = "shared", unit: str = "") -> Input:
    """
    Return an input for the rounding error of a mean of two times that a counter measured.

    The error of the mean is x ticks (−1 … 1). Its probability density is
    (1 − |x|)² + max(½ − 2x², 0), and u = tick/√12.
    """
    return Input(name, "two-pair", tick, tick / math.sqrt(12), math.inf, nature, unit)


def arcsine(
    name: str, half_width: float, *, nature: Nature = "shared", unit: str = ""
) -> Input:
    """Return an input with an arcsine distribution: u = half_width/√2 (JCGM 101, 6.4.6)."""
    u = half_width / math.sqrt(2)
    return Input(name, "arcsine", half_width, u, math.inf, nature, unit)


def tilt(name: str, limit_rad: float, *, nature: Nature = "shared") -> Input:
    """
    Return an input for the relative change of the path's length by a tilt of the path.

    The tilt angle θ changes the length by the fraction θ²/2. All angles from 0 to `limit_rad`
    are equally likely. The mean change is limit_rad²/6, and u = limit_rad²/√45.
    """
    return Input(name, "tilt", limit_rad, limit_rad**2 / math.sqrt(45), math.inf, nature, "")


def chords(name: str, radius_m: float, off_centre_m: float) -> Input:
    """
    Return an input for a ball whose middle does not cross the beams [m].

    A chord is the length of the part of the ball that blocks a beam: 2·√(R² − y²). R is the
    ball's radius, and y is the distance between the ball's axis and the beam. The input is half
    the difference of the chords at the two beams. All distances y from 0 to `off_centre_m` (at
    most R) are equally likely. The error is the same in all shots.
    """
    r = min(off_centre_m / radius_m, 1.0)
    width = radius_m * (1 - math.sqrt(1 - r * r))
    u = radius_m * math.sqrt(2 * _chord_variance(r))
    return Input(name, "chords", width, u, math.inf, "shared", "m", r)


def mean_chord(quantity: Input) -> float:
    """Return the mean of a ball's chords (see `chords`), divided by the ball's diameter."""
    r = quantity.ratio
    return (math.sqrt(1 - r * r) + (math.asin(r) / r if r else 1.0)) / 2


def _chord_variance(r: float) -> float:
    """Return the variance of half a chord (see `chords`) for a ball of radius 1."""
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
        Change of the result divided by a small change of the input, in SI units.
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
    """Return the degrees of freedom of the combined uncertainty (GUM formula G.2b)."""
    contributions = tuple(contributions)
    total = combined_uncertainty(contributions)
    if total == 0:
        return math.inf
    parts = sum((c.u_out / total) ** 4 / c.input.dof for c in contributions)
    return 1 / parts if parts else math.inf


def coverage_factor(dof: float, probability: float = COVERAGE) -> float:
    """Return the coverage factor k for these degrees of freedom (GUM table G.2)."""
    upper = (1 + probability) / 2
    special = scipy.special
    return float(special.ndtri(upper) if math.isinf(dof) else special.stdtrit(dof, upper))


def expanded_uncertainty(
    contributions: Iterable[Contribution], probability: float = COVERAGE
) -> float:
    """Return the coverage factor times the combined standard uncertainty (GUM G.4.1)."""
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
        Degrees of freedom of `u_mps`.
    U95_mps : float
        The ± that is shown with the shot [m/s], for 95 % coverage.
    U95_first_order_mps : float
        The `expanded_uncertainty`, for comparison [m/s].
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
        """Coverage factor: U95 divided by the combined standard uncertainty."""
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
    """Return the gate spacing as an input, from a calibration or the stated tolerance."""
    calibrated = rig.calibration.spacing
    if calibrated is None:
        return rectangular("gate spacing", rig.gates.spacing_tolerance_m, unit="m")
    dof = calibrated.degrees_of_freedom
    return normal("gate spacing", calibrated.spacing_u_m, dof=dof, unit="m")


def trip_inputs(rig: Rig) -> tuple[Input, ...]:
    """
    Return one input for each gate: the position in the beam at which the gate trips.

    The result is empty if the gate spacing was calibrated with the gates themselves.
    """
    calibrated = rig.calibration.spacing
    if calibrated is not None and calibrated.covers_trip:
        return ()
    names = "trip position, A", "trip position, B"
    return tuple(rectangular(name, rig.gates.trip_tolerance_m, unit="m") for name in names)


def rate_input(rig: Rig) -> Input:
    """Return the clock rate as an input, from a calibration or the stated tolerance."""
    calibrated = rig.calibration.clock
    if calibrated is None:
        return rectangular("clock rate", rig.clock.rate_tolerance)
    return normal("clock rate", calibrated.rate_error_u, dof=calibrated.degrees_of_freedom)


def stated_rate(rig: Rig) -> tuple[float, float]:
    """
    Return the counter's rate error that a rig states, and the half-width of this error.

    The half-width is infinite if the rate comes from the beats of each recording.
    """
    calibrated = rig.calibration.clock
    if rig.clock.from_host:
        return 0.0, math.inf
    if calibrated is None:
        return 0.0, rig.clock.rate_tolerance
    return calibrated.rate_error, 2 * calibrated.rate_error_u


def latency_input(rig: Rig) -> Input:
    """Return the delay difference as an input, from a calibration or the stated tolerance."""
    calibrated = rig.calibration.latency
    if calibrated is None:
        return rectangular("latency mismatch", rig.gates.latency_mismatch_s, unit="s")
    dof = calibrated.degrees_of_freedom
    return normal("latency mismatch", calibrated.difference_u_s, dof=dof, unit="s")


def bounce_inputs(bounce_s: float) -> tuple[Input, ...]:
    """
    Return an input for the timing error that bouncing edges and late lines cause.

    `bounce_s` is the standard uncertainty of the timing error [s]; for 0 the result is empty.
    """
    return (normal(BOUNCE, bounce_s, nature="random", unit="s"),) if bounce_s > 0 else ()
