"""Compute the uncertainty of a result from the uncertainties of its inputs (error budget).

An input is a quantity with a distribution about its estimate. A contribution is an input
together with the sensitivity of the result to this input. All inputs are independent. This file
also creates the inputs from a rig's stated or calibrated values. Sources: JCGM 100:2008 ("GUM")
and JCGM 101:2008.
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
"""A contribution with a smaller share of the combined variance does not change any digit of the
uncertainty.
"""
NORMAL_FACTOR = 1.959963984540054
"""Coverage factor of a normal distribution for 95 % (GUM table G.2)."""


@dataclass(frozen=True)
class Input:
    """
    An input quantity, given as a deviation from its estimate.

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
        """Radius of the ball whose chords this input describes [m]."""
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
    """Return an input with a rectangular distribution; u = half_width/√3 (GUM 4.3.7)."""
    u = half_width / math.sqrt(3)
    return Input(name, "rectangular", half_width, u, math.inf, nature, unit)


def triangular(
    name: str, half_width: float, *, nature: Nature = "shared", unit: str = ""
) -> Input:
    """Return an input with a triangular distribution; u = half_width/√6 (GUM 4.3.9)."""
    u = half_width / math.sqrt(6)
    return Input(name, "triangular", half_width, u, math.inf, nature, unit)


def two_pair(name: str, tick: float, *, nature: Nature = "shared", unit: str = "") -> Input:
    """
    Return the rounding error of a time that is counted twice in ticks and averaged.

    The error of each count is −F or 1 − F ticks. F is the time's fraction of a tick, and it is
    uniform over 0 … 1. Both counts have the same F, but different phases. If x is the error of
    the mean in ticks, its density is (1 − |x|)² + max(½ − 2x², 0) over ± 1, and u = tick/√12.
    (Two independent triangular errors would have the same u, but their 95 % interval would be
    3 % too short.)
    """
    return Input(name, "two-pair", tick, tick / math.sqrt(12), math.inf, nature, unit)


def arcsine(
    name: str, half_width: float, *, nature: Nature = "shared", unit: str = ""
) -> Input:
    """
    Return an input with a U-shaped distribution; u = half_width/√2 (JCGM 101, 6.4.6).

    A quantity that swings like a sine wave has this distribution.
    """
    u = half_width / math.sqrt(2)
    return Input(name, "arcsine", half_width, u, math.inf, nature, unit)


def tilt(name: str, limit_rad: float, *, nature: Nature = "shared") -> Input:
    """
    Return an input for the relative change in the length of a tilted path.

    The change is θ²/2 minus its mean θ_lim²/6. The angle θ is uniform over 0 … `limit_rad`, so
    the variance of θ²/2 is θ_lim⁴/45. If a ball crosses both beams at the same height, the path
    is longer by θ²/2. If the beams are aligned, a ball on a tilted path crosses the two beams
    at different heights. Then its path is shorter by the same amount. At 1° this error is 2e-4
    of the speed. The rig's `off_centre` limits the error to 2·(off_centre/d)².
    """
    return Input(name, "tilt", limit_rad, limit_rad**2 / math.sqrt(45), math.inf, nature, "")


def chords(name: str, radius_m: float, off_centre_m: float) -> Input:
    """
    Return an input for the difference between a ball's half chords at the two beams [m].

    Each beam has a distance y from the ball's axis. y is uniform over ± `off_centre_m`, and at
    most the radius R. The half chord √(R² − y²) is shorter than R by R − √(R² − y²).

    The difference counts as shared. If bodies cross at a different height each time, the
    scatter of the speeds shows the error anyway. A fixed launcher repeats the same height, and
    then more shots do not reduce the error.
    """
    r = min(off_centre_m / radius_m, 1.0)
    width = radius_m * (1 - math.sqrt(1 - r * r))
    u = radius_m * math.sqrt(2 * _chord_variance(r))
    return Input(name, "chords", width, u, math.inf, "shared", "m", r)


def mean_chord(quantity: Input) -> float:
    """Return a ball's mean chord at a beam, divided by the diameter of the ball."""
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
        """Standard uncertainty of the result from this input alone."""
        return abs(self.sensitivity) * self.input.u


def combined_uncertainty(contributions: Iterable[Contribution]) -> float:
    """Return the combined standard uncertainty u_c of independent inputs (GUM eq. 10)."""
    return math.sqrt(sum(c.u_out**2 for c in contributions))


def effective_dof(contributions: Iterable[Contribution]) -> float:
    """Return the effective degrees of freedom (Welch–Satterthwaite, GUM eq. G.2b)."""
    contributions = tuple(contributions)
    total = combined_uncertainty(contributions)
    if total == 0:
        return math.inf
    parts = sum((c.u_out / total) ** 4 / c.input.dof for c in contributions)
    return 1 / parts if parts else math.inf


def coverage_factor(dof: float, probability: float = COVERAGE) -> float:
    """
    Return the coverage factor t_p(ν) for a two-sided interval (GUM table G.2).

    For ν = ∞ it is the coverage factor of a normal distribution.
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
        """The contributions that are large enough to change a digit of the uncertainty."""
        return tuple(c for c in self.contributions if not self.share(c) < LEAST_SHARE)

    def share(self, contribution: Contribution) -> float:
        """Return the contribution's share of the combined variance, 0 … 1."""
        return (contribution.u_out / self.u_mps) ** 2 if self.u_mps else 0.0


BOUNCE = "bounce"


def spacing_input(rig: Rig) -> Input:
    """Return the distance between the gates, calibrated or stated, as an input."""
    calibrated = rig.calibration.spacing
    if calibrated is None:
        return rectangular("gate spacing", rig.gates.spacing_tolerance_m, unit="m")
    dof = calibrated.degrees_of_freedom
    return normal("gate spacing", calibrated.spacing_u_m, dof=dof, unit="m")


def trip_inputs(rig: Rig) -> tuple[Input, ...]:
    """
    Return one input for each gate's trip position in the beam.

    The result is empty if the calibrated spacing already includes the trip positions.
    """
    calibrated = rig.calibration.spacing
    if calibrated is not None and calibrated.covers_trip:
        return ()
    names = "trip position, A", "trip position, B"
    return tuple(rectangular(name, rig.gates.trip_tolerance_m, unit="m") for name in names)


def rate_input(rig: Rig) -> Input:
    """Return the counter's relative frequency error, calibrated or stated, as an input."""
    calibrated = rig.calibration.clock
    if calibrated is None:
        return rectangular("clock rate", rig.clock.rate_tolerance)
    return normal("clock rate", calibrated.rate_error_u, dof=calibrated.degrees_of_freedom)


def latency_input(rig: Rig) -> Input:
    """Return the difference of the sensors' delays, calibrated or stated, as an input."""
    calibrated = rig.calibration.latency
    if calibrated is None:
        return rectangular("latency mismatch", rig.gates.latency_mismatch_s, unit="s")
    dof = calibrated.degrees_of_freedom
    return normal("latency mismatch", calibrated.difference_u_s, dof=dof, unit="s")


def bounce_inputs(bounce_s: float) -> tuple[Input, ...]:
    """
    Return an input for the timing error that bounce and late lines cause.

    `bounce_s` is its standard uncertainty [s]. If it is 0, the result is empty.
    """
    return (normal(BOUNCE, bounce_s, nature="random", unit="s"),) if bounce_s > 0 else ()
