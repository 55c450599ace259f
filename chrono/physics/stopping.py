"""Compute how a moving body comes to rest: distance, deceleration, force, time and energy.

A catch is a net, a cord or a foam that stops the body. The force of the catch is F = c·xⁿ, and
x is the distance that the body has moved into the catch. The computation treats the body as
rigid and ignores gravity. All numbers are floats in SI units.
"""

import math
from dataclasses import dataclass
from typing import Literal

import scipy

Law = Literal["constant", "spring", "sheet"]

EXPONENTS: dict[Law, float] = {"constant": 0.0, "spring": 1.0, "sheet": 3.0}
"""
Exponent n of the force for each law.

constant: a catch that is crushed or rubs. spring: a stretched cord, a tight net, or a foam that
is not pressed far. sheet: a sheet or net that hangs flat without tension and is pushed aside in
its middle. With length 2L, stiffness E·A and x ≪ L the force of a sheet is E·A·(x/L)³.
"""


@dataclass(frozen=True)
class Stop:
    """
    How a catch (such as a net) stops a body.

    Attributes
    ----------
    speed_mps, distance_m : float
        Speed at the catch, and distance into the catch until the body rests.
    mean_mps2, peak_mps2 : float
        Mean deceleration over the distance, v²/(2s), and greatest deceleration.
    time_s : float
        Time from the first touch to rest.
    """

    speed_mps: float
    distance_m: float
    mean_mps2: float
    peak_mps2: float
    time_s: float


def stop_within(speed_mps: float, distance_m: float, law: Law) -> Stop:
    """
    Compute the stop of a body over a given stopping distance.

    Parameters
    ----------
    speed_mps : float
        Speed at the catch [m/s].
    distance_m : float
        Distance into the catch [m].
    law : {"constant", "spring", "sheet"}
        Law by which the force grows with the distance (see `EXPONENTS`).

    Notes
    -----
    With F = c·xⁿ, energy gives v²/2 = c·sⁿ⁺¹/((n + 1)·m). So the peak at the end is n + 1 times
    the mean v²/(2s). From (dx/dt)² = v²·(1 − (x/s)ⁿ⁺¹) the time is (s/v)·∫₀¹ (1 − u^q)^(−1/2)
    du = (s/v)·√π·Γ(1 + 1/q)/Γ(1/2 + 1/q), q = n + 1: 2·s/v for a constant force, (π/2)·s/v for
    a spring.
    """
    exponent = EXPONENTS[law]
    mean = speed_mps**2 / (2 * distance_m)
    return Stop(
        speed_mps=speed_mps,
        distance_m=distance_m,
        mean_mps2=mean,
        peak_mps2=(exponent + 1) * mean,
        time_s=time_factor(law) * distance_m / speed_mps,
    )


def distance_for_peak(speed_mps: float, peak_mps2: float, law: Law) -> float:
    """Return the stopping distance [m] for which the peak deceleration equals a limit."""
    return (EXPONENTS[law] + 1) * speed_mps**2 / (2 * peak_mps2)


def distance_for_mean(speed_mps: float, mean_mps2: float) -> float:
    """Return the stopping distance [m] for a given mean deceleration [m/s²]."""
    return speed_mps**2 / (2 * mean_mps2)


def distance_for_time(speed_mps: float, time_s: float, law: Law) -> float:
    """Return the stopping distance [m] for a given stopping time."""
    return time_s * speed_mps / time_factor(law)


def time_factor(law: Law) -> float:
    """Return the factor f of the formula: stopping time = f · distance / speed."""
    inverse = 1 / (EXPONENTS[law] + 1)
    gamma = scipy.special.gamma
    return float(math.sqrt(math.pi) * gamma(1 + inverse) / gamma(0.5 + inverse))
