"""Balls that fall past two gates, integrated step by step with measured drag coefficients."""

import math

import numpy as np

STEP_S = 0.5e-3

MEASURED_DRAG = np.array(
    [
        (0.4786, 58.88),
        (3.02, 10.86),
        (15.49, 3.388),
        (57.54, 1.479),
        (144.5, 0.9204),
        (264.9, 0.7194),
        (512.9, 0.5623),
        (1000, 0.4786),
        (1862, 0.4365),
        (3162, 0.4074),
        (4764, 0.3890),
        (8375, 0.3981),
        (15560, 0.4395),
        (26480, 0.4571),
        (34670, 0.4775),
        (58880, 0.4732),
        (1e5, 0.4624),
        (1.702e5, 0.4395),
    ]
)
"""Reynolds number and drag coefficient of a smooth sphere: the measurements that the
"drag" project of the IUP calculus course tabulates (ma.iup.edu, drag07.html)."""


def dropped(columns, positions_m, duration_s):
    """
    Times at which balls dropped at rest have fallen given distances [s].

    Parameters
    ----------
    columns : dict of ndarray, shape (N,)
        diameter_m, mass_kg, density, viscosity, gravity, drag_scale, added_mass of each.
    positions_m : ndarray, shape (K, N)
        Distances fallen [m].
    """
    accelerate = _acceleration(columns)
    time_s = np.arange(0, duration_s, STEP_S)
    state = np.zeros((2, positions_m.shape[1]))
    fallen = np.empty((len(time_s), positions_m.shape[1]))
    for row in range(len(time_s)):
        fallen[row] = state[0]
        state = _runge_kutta(state, accelerate)
    return np.array(
        [
            [_crossing(time_s, fallen[:, ball], place) for ball, place in enumerate(row)]
            for row in positions_m
        ]
    )


def _acceleration(c):
    displaced = c["density"] * math.pi * c["diameter_m"] ** 3 / 6 / c["mass_kg"]
    area = math.pi * c["diameter_m"] ** 2 / 4

    def accelerate(speed):
        reynolds = c["density"] * np.maximum(speed, 1e-3) * c["diameter_m"] / c["viscosity"]
        drag = c["density"] * c["drag_scale"] * _drag(reynolds) * area * speed**2 / 2
        weight = c["gravity"] * (1 - displaced)
        return (weight - drag / c["mass_kg"]) / (1 + c["added_mass"] * displaced)

    return accelerate


def _drag(reynolds):
    """Measured drag coefficients of a smooth sphere, straight between in logarithms."""
    return np.exp(np.interp(np.log(reynolds), *np.log(MEASURED_DRAG).T))


def _runge_kutta(state, accelerate):
    speed = state[1]
    k1 = accelerate(speed)
    k2 = accelerate(speed + STEP_S / 2 * k1)
    k3 = accelerate(speed + STEP_S / 2 * k2)
    k4 = accelerate(speed + STEP_S * k3)
    moved = state[0] + STEP_S * speed + STEP_S**2 / 6 * (k1 + k2 + k3)
    return np.array([moved, speed + STEP_S / 6 * (k1 + 2 * k2 + 2 * k3 + k4)])


def _crossing(time_s, fallen, place):
    """Interpolate √(distance), which is nearly straight in time, so it is exact enough."""
    return float(np.interp(math.sqrt(place), np.sqrt(fallen), time_s))
