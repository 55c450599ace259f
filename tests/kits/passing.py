"""Bodies that pass two beams of finite width: edges as sensors, comparators and a counter see.

Physics only, written for the tests: places where a body's outline meets a threshold of the
light, delays, jitter, ticks. It shares nothing with the program.
"""

from dataclasses import dataclass, field, replace

import numpy as np
from row_kit import edge, row

SLIT_M = 2e-3


@dataclass(frozen=True)
class Beams:
    """
    Two gates as they are; see `make_beams`.

    Attributes
    ----------
    spacing_m : float
        Distance of the slits' middles.
    trip_m : ndarray, shape (2, 2)
        Where the leading and the trailing outline trips each gate, from the slit's middle.
    delay_s : ndarray, shape (2, 2)
        Delay of sensor and comparator at the leading and the trailing edge of each gate.
    late_m : ndarray, shape (2, 1)
        How much further a body is at both edges by the comparator's hysteresis.
    jitter_s, tick_s : float
    """

    spacing_m: float
    trip_m: np.ndarray
    delay_s: np.ndarray
    jitter_s: float = 0.1e-6
    tick_s: float = 62.5e-9
    late_m: np.ndarray = field(default_factory=lambda: np.zeros((2, 1)))

    @property
    def exchanged(self):
        """The same gates with their sensors exchanged, slits and lamps left in place."""
        return replace(self, delay_s=self.delay_s[::-1], late_m=self.late_m[::-1])


def make_beams(rng, spacing_m, *, trip_m=0.2e-3, delay_s=2e-6, asymmetry_s=1e-6, skew_m=0.2e-3):
    """
    Gates with random faults.

    `trip_m` limits where the middle of a beam seems to be, `skew_m` by how much its
    threshold is off half the light (the body then looks longer or shorter), `delay_s` the
    delays, `asymmetry_s` their difference between leading and trailing edges.
    """
    middle = rng.uniform(-trip_m, trip_m, (2, 1))
    skew = rng.uniform(-skew_m, skew_m, (2, 1)) * np.array([-1, 1])
    delays = rng.uniform(0, delay_s, (2, 1))
    delays = delays + rng.uniform(-asymmetry_s, asymmetry_s, (2, 1)) * np.array([-0.5, 0.5])
    return Beams(spacing_m, middle + skew, delays)


def edges_of_passes(rng, beams, when_at, half_lengths_m):
    """
    Times of the four edges of each body, shape (N, 2 gates, 2 edges).

    Parameters
    ----------
    when_at : callable
        Time at which the body's middle has come to places, shape (N, 2, 2) -> the same [s].
    half_lengths_m : ndarray, shape (N, 2)
        Half the chord that each beam sees of each body.
    """
    places = np.array([0.0, beams.spacing_m])[:, None] + beams.trip_m + beams.late_m
    outline = half_lengths_m[..., None] * np.array([-1, 1])
    exact = when_at(places + outline) + beams.delay_s
    noisy = exact + rng.normal(0, beams.jitter_s, exact.shape)
    phase = rng.random((len(noisy), 1, 1))
    return (np.floor(noisy / beams.tick_s + phase)) * beams.tick_s


def transits_and_blockings(edges):
    """Mean transit of both pairs of edges, and the blocking times at A and B."""
    transit = (edges[:, 1] - edges[:, 0]).mean(axis=1)
    blocking = edges[:, :, 1] - edges[:, :, 0]
    return transit, blocking[:, 0], blocking[:, 1]


def chords(radius_m, off_m):
    """Half chord of a ball that a beam crosses off its middle."""
    return np.sqrt(radius_m**2 - off_m**2)


def launched(rng, beams, shots, *, speed_mps=45.0, scatter=0.01, off_m=0.0, radius_m=0.02):
    """Transits and mean blocking times of balls shot through, off the beams' middle by ±."""
    speed = speed_mps * (1 + rng.normal(0, scatter, shots))
    off = rng.uniform(-off_m, off_m, (shots, 2))
    edges = edges_of_passes(
        rng, beams, lambda place: place / speed[:, None, None], chords(radius_m, off)
    )
    transit, at_a, at_b = transits_and_blockings(edges)
    return transit, (at_a + at_b) / 2


def pushed(rng, shots):
    """Times of places at speeds of a hand, changing evenly by up to some 5 %."""
    u = rng.uniform(0.5, 2.0, (shots, 1, 1))
    a = rng.uniform(-0.05, 0.05, (shots, 1, 1)) * u**2 / 0.3
    return lambda x: (-u + np.sqrt(u**2 + 2 * a * x)) / a


def record_rods(path, rng, beams, length_m):
    """Record ten passes of a rod five seconds apart, as a board sends them."""
    halves = np.full((10, 2), length_m / 2)
    edges = edges_of_passes(rng, beams, pushed(rng, 10), halves)
    rows, sequence = [b"host_us\torigin\tline\n", row(0, b'{"format": 1}', b"file")], 0
    for number, passed in enumerate(edges):
        named = [(passed[g, e], "AB"[g], 1 - e) for g in (0, 1) for e in (0, 1)]
        for time_s, gate, level in sorted(named):
            at_s = time_s + 5 * (number + 1)
            line = edge(sequence, gate, level, round(at_s * 16e6))
            rows.append(row(round(at_s * 1e6) + 500, line))
            sequence += 1
    path.write_bytes(b"".join(rows))
