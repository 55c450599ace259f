"""Compute error budgets by the GUM: inputs, contributions, combined and expanded uncertainty.

An input has a distribution about its estimate. A contribution is an input together with the
sensitivity of the result to it. Inputs are independent. This file also makes the inputs from a
rig's stated or calibrated values. Sources: JCGM 100:2008 ("GUM") and JCGM 101:2008.
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
"""A smaller share of the combined variance changes no digit of the uncertainty."""
NORMAL_FACTOR = 1.959963984540054
"""Coverage factor of a normal distribution for 95 % (GUM table G.2)."""


@dataclass(frozen=True)
class Input:
    """
    An input quantity, given as a deviation from its estimate.

    Attributes
    ----------
    name : str
        Name of the input for people.
    distribution : str
        normal (with few degrees of freedom: scaled t), rectangular, triangular,
        two-pair, arcsine, tilt, or chords.
    half_width : float
        Half-width of a bounded distribution; infinite for normal. For tilt the largest angle
        [rad].
    u : float
        Standard uncertainty.
    dof : float
        Degrees of freedom of `u`.
    nature : str
        random: the error is new in each shot; shared: it is the same in all shots of a rig.
    unit : str
        SI unit of `half_width` and `u`.
    ratio : float
        For chords: largest distance between a body's axis and a beam, over its radius;
        otherwise 0.
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
        """Radius of the body with these chords [m]."""
        return self.half_width / (1 - math.sqrt(1 - self.ratio**2))


def normal(
    name: str, u: float, *, dof: float = math.inf, nature: Nature = "shared", unit: str = ""
) -> Input:
    """Return a normal input; with finite `dof` it is t-distributed (JCGM 101, 6.4.9)."""
    return Input(name, "normal", math.inf, u, dof, nature, unit)


def rectangular(
    name: str, half_width: float, *, nature: Nature = "shared", unit: str = ""
) -> Input:
    """Return an input uniform over ± `half_width`: u = a/√3 (GUM 4.3.7)."""
    u = half_width / math.sqrt(3)
    return Input(name, "rectangular", half_width, u, math.inf, nature, unit)


def triangular(
    name: str, half_width: float, *, nature: Nature = "shared", unit: str = ""
) -> Input:
    """Return a symmetric triangular input: u = a/√6 (GUM 4.3.9)."""
    u = half_width / math.sqrt(6)
    return Input(name, "triangular", half_width, u, math.inf, nature, unit)


def two_pair(name: str, tick: float, *, nature: Nature = "shared", unit: str = "") -> Input:
    """
    Return the quantisation error of an interval that is counted twice in ticks and averaged.

    Each count is wrong by −F or 1 − F ticks; F is the interval's fraction of a tick. Both
    counts share F, uniform over 0 … 1, but not their phase. In units of the tick the
    density of the mean is (1 − |x|)² + max(½ − 2x², 0) over ± 1, and u = tick/√12. (Two
    independent triangular errors have the same u, but a 95 % interval 3 % too short.)
    """
    return Input(name, "two-pair", tick, tick / math.sqrt(12), math.inf, nature, unit)


def arcsine(
    name: str, half_width: float, *, nature: Nature = "shared", unit: str = ""
) -> Input:
    """Return a U-shaped input, such as a sinusoidal swing: u = a/√2 (JCGM 101, 6.4.6)."""
    u = half_width / math.sqrt(2)
    return Input(name, "arcsine", half_width, u, math.inf, nature, unit)


def tilt(name: str, limit_rad: float, *, nature: Nature = "shared") -> Input:
    """
    Return the relative lengthening θ²/2 of a tilted path, minus its mean θ_lim²/6.

    θ is uniform over 0 … `limit_rad`; then the variance of θ²/2 is θ_lim⁴/45. If a ball meets
    both beams at the same height, the path is longer by θ²/2. If the beams are aligned, a ball
    on a tilted path meets them at two heights, and its path is shorter by the same amount. At
    1° this error is 2e-4 of the speed. `off_centre` limits it to 2·(off/d)².
    """
    return Input(name, "tilt", limit_rad, limit_rad**2 / math.sqrt(45), math.inf, nature, "")


def chords(name: str, radius_m: float, off_centre_m: float) -> Input:
    """
    Return the difference of the half chords at which a ball crosses two beams [m].

    It crosses each beam at a distance y from its axis; y is uniform over ± `off_centre_m` and
    at most the radius R. The half chord √(R² − y²) is shorter than R by R − √(R² − y²).

    The difference counts as shared. If bodies cross at a different height each time, the
    scatter of the speeds shows the error anyway. A fixed launcher repeats the same height, and
    then more shots do not reduce the error.
    """
    r = min(off_centre_m / radius_m, 1.0)
    width = radius_m * (1 - math.sqrt(1 - r * r))
    u = radius_m * math.sqrt(2 * _chord_variance(r))
    return Input(name, "chords", width, u, math.inf, "shared", "m", r)


def mean_chord(quantity: Input) -> float:
    """Return the mean of the chords at which a ball crosses a beam, over its diameter."""
    r = quantity.ratio
    return (math.sqrt(1 - r * r) + (math.asin(r) / r if r else 1.0)) / 2


def _chord_variance(r: float) -> float:
    """Return the variance of √(1 − r²x²), x uniform over 0 … 1."""
    if r < 0.02:  # here the difference below would lose its digits
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
        Partial derivative of the result by the input, in SI units.
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
    """Return u_c, the root of the sum of squares (GUM eq. 10, independent inputs)."""
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
    """Return t_p(ν) for a two-sided interval (GUM table G.2); for ν = ∞ the normal factor."""
    upper = (1 + probability) / 2
    special = scipy.special
    return float(special.ndtri(upper) if math.isinf(dof) else special.stdtrit(dof, upper))


def expanded_uncertainty(
    contributions: Iterable[Contribution], probability: float = COVERAGE
) -> float:
    """Return U = t_p(ν_eff)·u_c, the result of first order alone (GUM G.4.1)."""
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
        The estimate [m/s].
    contributions : tuple of Contribution
        One contribution for each input; `u_out` in m/s.
    u_mps, u_random_mps, u_shared_mps : float
        Combined standard uncertainty, its random part and its shared part [m/s].
    dof : float
        Effective degrees of freedom.
    U95_mps : float
        Half-width of the symmetric interval that holds 95 % of the combined
        distribution [m/s]: the ± that is shown with the shot.
    U95_first_order_mps : float
        t_95(ν_eff)·u_c, for comparison [m/s].
    lowest_mps, highest_mps : float
        Speeds for one tick more and one tick less [m/s].
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
        """The contributions that are large enough to change a digit."""
        return tuple(c for c in self.contributions if not self.share(c) < LEAST_SHARE)

    def share(self, contribution: Contribution) -> float:
        """Return the contribution's share of the combined variance, 0 … 1."""
        return (contribution.u_out / self.u_mps) ** 2 if self.u_mps else 0.0


BOUNCE = "bounce"


def spacing_input(rig: Rig) -> Input:
    """Return the distance of the gates as an input, measured or stated."""
    calibrated = rig.calibration.spacing
    if calibrated is None:
        return rectangular("gate spacing", rig.gates.spacing_tolerance_m, unit="m")
    dof = calibrated.degrees_of_freedom
    return normal("gate spacing", calibrated.spacing_u_m, dof=dof, unit="m")


def trip_inputs(rig: Rig) -> tuple[Input, ...]:
    """Return inputs for the trip positions in the beams; empty if the spacing includes them."""
    calibrated = rig.calibration.spacing
    if calibrated is not None and calibrated.covers_trip:
        return ()
    names = "trip position, A", "trip position, B"
    return tuple(rectangular(name, rig.gates.trip_tolerance_m, unit="m") for name in names)


def rate_input(rig: Rig) -> Input:
    """Return the counter's relative frequency error as an input, measured or stated."""
    calibrated = rig.calibration.clock
    if calibrated is None:
        return rectangular("clock rate", rig.clock.rate_tolerance)
    return normal("clock rate", calibrated.rate_error_u, dof=calibrated.degrees_of_freedom)


def latency_input(rig: Rig) -> Input:
    """Return the difference of the sensors' delays as an input, measured or stated."""
    calibrated = rig.calibration.latency
    if calibrated is None:
        return rectangular("latency mismatch", rig.gates.latency_mismatch_s, unit="s")
    dof = calibrated.degrees_of_freedom
    return normal("latency mismatch", calibrated.difference_u_s, dof=dof, unit="s")


def bounce_inputs(bounce_s: float) -> tuple[Input, ...]:
    """Return an input for bounce and late lines from their u [s]; empty if u is 0."""
    return (normal(BOUNCE, bounce_s, nature="random", unit="s"),) if bounce_s > 0 else ()
