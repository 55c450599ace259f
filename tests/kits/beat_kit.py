"""Beats of a board as a host reads them: the delays of different ports."""

import numpy as np

UNIT_S = 1 / 16e6


def exponential(rng, beats):
    return rng.exponential(2e-3, beats)


def uniform(rng, beats):
    return rng.uniform(1e-3, 50e-3, beats)


def two_kinds(rng, beats):
    return np.where(rng.random(beats) < 0.2, 0.5e-3, 15e-3) + rng.exponential(1e-3, beats)


def send_beats(rng, beats, rate_error, delay):
    """Beats once a second of true time: counter values and times of reading [s]."""
    true_s = np.arange(beats) + rng.uniform()
    ticks = np.floor(true_s * (1 + rate_error) / UNIT_S).astype(np.int64)
    return ticks, true_s + 5 + delay(rng, beats)


def microseconds(host_s):
    return np.floor(host_s * 1e6).astype(np.int64)
