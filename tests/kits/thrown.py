"""A throw with quadratic drag by the classical fourth-order Runge–Kutta method, written out."""

import math

STEP_S = 1e-4


def throw(speed_mps, elevation_deg, kappa_per_m, gravity_mps2):
    """Return range [m], time of flight [s] and apex [m] of a throw from level ground."""
    angle = math.radians(elevation_deg)
    state, time_s, apex_m = (
        (0.0, 0.0, speed_mps * math.cos(angle), speed_mps * math.sin(angle)),
        0.0,
        0.0,
    )

    def slope(s):
        drag = kappa_per_m * math.hypot(s[2], s[3])
        return s[2], s[3], -drag * s[2], -gravity_mps2 - drag * s[3]

    def ahead(s, k, step):
        return tuple(a + step * b for a, b in zip(s, k, strict=True))

    while True:
        k1 = slope(state)
        k2 = slope(ahead(state, k1, STEP_S / 2))
        k3 = slope(ahead(state, k2, STEP_S / 2))
        k4 = slope(ahead(state, k3, STEP_S))
        mean = [(a + 2 * b + 2 * c + d) / 6 for a, b, c, d in zip(k1, k2, k3, k4, strict=True)]
        after = ahead(state, mean, STEP_S)
        apex_m = max(apex_m, after[1])
        if after[1] < 0:
            part = state[1] / (state[1] - after[1])
            return state[0] + part * (after[0] - state[0]), time_s + part * STEP_S, apex_m
        state, time_s = after, time_s + STEP_S
