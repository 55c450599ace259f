"""Closed forms of motion under quadratic drag, which integrated motions are held to.

Deceleration is κ·v² with a constant κ. Plain SI floats.
"""

import math


def fall_distance(time_s: float, drag_per_m: float, gravity_mps2: float) -> float:
    """Return the height fallen from rest in a time [m]: h = (1/κ)·ln cosh(g·t/v_t)."""
    if drag_per_m == 0:
        return gravity_mps2 * time_s**2 / 2
    phase = math.sqrt(gravity_mps2 * drag_per_m) * time_s
    if phase > 30:  # exp(−2·30) is below the last digit of a float
        return (phase - math.log(2)) / drag_per_m
    return math.log1p(2 * math.sinh(phase / 2) ** 2) / drag_per_m


def fall_speed_at(time_s: float, drag_per_m: float, gravity_mps2: float) -> float:
    """Return the speed a fall from rest has after a time [m/s]: v = v_t·tanh(g·t/v_t)."""
    if drag_per_m == 0:
        return gravity_mps2 * time_s
    phase = math.sqrt(gravity_mps2 * drag_per_m) * time_s
    return math.sqrt(gravity_mps2 / drag_per_m) * math.tanh(phase)


def speed_upstream(
    speed_mps: float, distance_m: float, drag_per_m: float, gravity_along_mps2: float
) -> float:
    """
    Return the speed a body had a distance before the place where it was measured [m/s].

    v₀ = √(v²·exp(2κx) + g_along·(exp(2κx) − 1)/κ), from v·dv/dx = −κ·v² − g_along.
    """
    grown = math.exp(2 * drag_per_m * distance_m)
    return math.sqrt(speed_mps**2 * grown + gravity_along_mps2 * (grown - 1) / drag_per_m)


def transit_time(speed_at_a_mps: float, spacing_m: float, drag_per_m: float) -> float:
    """Return the time from gate A to gate B on a level path [s]: (exp(κd) − 1)/(κ·v_A)."""
    return math.expm1(drag_per_m * spacing_m) / (drag_per_m * speed_at_a_mps)
