"""Beats of a board as a host reads them: the delays of different ports."""

import numpy as np

from chrono.clock.clock_rate import ClockTracker

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


def delivered_every(period_s):
    """A port that delivers at fixed intervals, by the host's clock, within 0.2 ms or so."""

    def delays(rng, sent_s):
        late = -(sent_s + rng.uniform(0, period_s)) % period_s
        return late + rng.exponential(0.2e-3, len(sent_s))

    return delays


def send_real_beats(rng, beats, rate_error, delays, *, uneven=True):
    """
    Beats of a board, uneven as our firmware's or even, through a port.

    The delays depend on when a beat was sent; the host's own clock is off by up to 15 ppm.
    """
    late = np.arange(beats) * 40503 % 65536 * 16 if uneven else np.zeros(beats, np.int64)
    ticks = np.cumsum(16_000_000 + late + rng.integers(0, 500, beats))
    sent_s = ticks * UNIT_S / (1 + rate_error) + rng.uniform()
    return ticks, (sent_s + delays(rng, sent_s) + 5) * (1 + rng.uniform(-15e-6, 15e-6))


def estimate_clock(ticks, host_us, unit_s, *, breaks=(), **known):
    """Estimate the rate from all beats, the `breaks` being those after a restart."""
    tracker = ClockTracker(unit_s)
    ends = [*sorted(breaks), len(ticks)]
    for start, end in zip([0, *ends], ends, strict=False):
        tracker.begin_segment()
        tracker.add(ticks[start:end], host_us[start:end])
    return tracker.estimate(**known)
