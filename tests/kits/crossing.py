"""Bodies that cross two beams, from mechanics alone: no formula of the program is used.

A body flies straight with quadratic drag, dv/dt = −κv², so its middle is at
x(t) = ln(1 + κ·v₀·t)/κ from where it has the speed v₀. A beam is a line across the path; a
ball that passes it at a distance h from its middle blocks it along 2·√(R² − h²), a rod with
flat ends along its length. All that a home-made pair of gates has wrong is drawn for each rig.
"""

from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

Floats = npt.NDArray[np.float64]


@dataclass(frozen=True)
class Thrown:
    """A kind of body: SI units; `drag` is Cd, within ± `drag_spread` relative."""

    diameter_m: float
    length_m: float
    mass_kg: float
    drag: float
    drag_spread: float
    is_round: bool = True


SQUASH = Thrown(0.040, 0.040, 0.024, 0.47, 0.10)
TABLE_TENNIS = Thrown(0.040, 0.040, 0.0027, 0.47, 0.10)
FOAM = Thrown(0.070, 0.070, 0.012, 0.47, 0.10)
ROD = Thrown(0.020, 0.060, 0.050, 0.95, 0.15, is_round=False)
AIR_KGPM3 = 1.20
"""Near the default site's; the program works with its own."""


@dataclass(frozen=True)
class Crossings:
    """What the board would say, in ticks, and the true speed of the middle, midway."""

    lead: npt.NDArray[np.int64]
    trail: npt.NDArray[np.int64]
    block_a: npt.NDArray[np.int64]
    block_b: npt.NDArray[np.int64]
    speed_mps: Floats


def cross(
    body: Thrown,
    rng: np.random.Generator,
    count: int,
    *,
    spacing_m: float = 0.3,
    spacing_tolerance_m: float = 0.5e-3,
    trip_tolerance_m: float = 0.2e-3,
    tilt_limit_rad: float = np.pi / 180,
    off_centre_m: float = 5e-3,
    latency_s: float = 2e-6,
    rate_tolerance: float = 5e-3,
    jitter_s: float = 0.1e-6,
    tick_s: float = 62.5e-9,
    speeds_mps: tuple[float, float] = (10.0, 60.0),
) -> Crossings:
    """Let one body through each of `count` rigs; the tolerances are those that are stated."""

    def within(limit: float) -> Floats:
        return rng.uniform(-limit, limit, count)

    middle_mps = np.exp(rng.uniform(*np.log(speeds_mps), count))
    area = np.pi * body.diameter_m**2 / 4
    drag = body.drag * (1 + body.drag_spread * rng.uniform(-1, 1, count))
    kappa = AIR_KGPM3 * drag * area / (2 * body.mass_kg)
    stretch = 1 / np.cos(rng.uniform(0, tilt_limit_rad, count))
    half = (spacing_m + within(spacing_tolerance_m)) / 2
    gates = [(sign * half + within(trip_tolerance_m)) * stretch for sign in (-1, 1)]
    chords = []
    for _ in gates:
        off = within(off_centre_m)
        radius = body.diameter_m / 2
        chords.append(np.sqrt(radius**2 - off**2) if body.is_round else body.length_m / 2)
    # the time at which the middle is at x, counted from midway between the gates
    ticks_per_s = (1 + within(rate_tolerance)) / tick_s
    delays = (np.zeros(count), within(latency_s))
    phase = rng.uniform(0, 1, count)
    edges = {}
    for gate, (place, half_chord, delay) in enumerate(zip(gates, chords, delays, strict=True)):
        for level, side in ((1, -1), (0, 1)):
            x = place + side * half_chord
            time_s = np.expm1(kappa * x) / (kappa * middle_mps)
            seen_s = time_s + delay + jitter_s * rng.standard_normal(count)
            edges[gate, level] = np.floor(seen_s * ticks_per_s + phase).astype(np.int64)
    return Crossings(
        lead=edges[1, 1] - edges[0, 1],
        trail=edges[1, 0] - edges[0, 0],
        block_a=edges[0, 0] - edges[0, 1],
        block_b=edges[1, 0] - edges[1, 1],
        speed_mps=middle_mps,
    )
