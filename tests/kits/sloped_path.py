"""Bodies on a path that goes down, level or up, from mechanics alone, and what a board counts.

The middle moves along the path by (m + c·ρV)·dv/dt = (m − ρV)·g·sin θ − ½·ρ·Cd·A·v²: gravity
along the slope θ, buoyancy, the air that moves along (c·ρV) and quadratic drag. It is
integrated step by step (Runge and Kutta, 4th order); no formula of the program is used. Of a
ball Cd is the measured one of smooth spheres at its Reynolds number, to a tenth (s). A ball
blocks a beam along its chord there, a rod along its length. All that a home-made rig has wrong
is drawn anew for each body. The lines go into one recording, body after body.
"""

import math
from dataclasses import dataclass, replace
from pathlib import Path as File
from typing import Any

import numpy as np
import numpy.typing as npt
from crossing import FOAM, ROD, SQUASH, TABLE_TENNIS, Thrown
from falling import MEASURED_DRAG
from gate_board import EDGE, Board
from gate_lines import framed_lines, recording_bytes, recording_rows

Floats = npt.NDArray[np.float64]

STEEL = Thrown(0.025, 0.025, 0.0642, 0.42, 0.10)
LIGHT_FOAM = replace(FOAM, mass_kg=0.005)
BODIES = {
    "steel": STEEL,
    "squash": SQUASH,
    "table tennis": TABLE_TENNIS,
    "foam": FOAM,
    "light foam": LIGHT_FOAM,
    "rod": ROD,
}
AIR_KGPM3, VISCOSITY_PAS = 1.197, 1.805e-5
GRAVITY_MPS2 = 9.8104
"""At the rig's default place, 50° and 100 m (normal gravity)."""
APART_S = 2.0
"""From one launch to the next."""


@dataclass(frozen=True)
class Passed:
    """When the edges of N bodies came, [gate, edge] in seconds, and what is true of them."""

    edges_s: Floats
    """Shape (N, 2, 2): gate A and B, leading and trailing edge."""
    speed_mps: Floats
    """Of the middle midway between the gates."""
    rate_error: Floats
    jitter_s: float


@dataclass(frozen=True)
class Path:
    """
    A rig as it is stated, and where the bodies come from.

    Attributes
    ----------
    spacing_m, slope_deg, slope_tolerance_deg : float
        Slope 90 is straight down.
    released_m : (float, float) or None
        Least and largest height of the released body's front above gate A, along the path.
    speeds_mps : (float, float)
        Speeds one metre before midway, of bodies that are launched.
    stated_deg : float or None
        What the rig says of the slope, if not the truth.
    """

    spacing_m: float = 0.3
    slope_deg: float = 90.0
    slope_tolerance_deg: float = 2.0
    released_m: tuple[float, float] | None = None
    speeds_mps: tuple[float, float] = (10.0, 60.0)
    off_centre_m: float = 5e-3
    rate_tolerance: float = 50e-6
    stated_deg: float | None = None
    window: tuple[float, float] = (0.3, 200.0)

    def rig(self, body: Thrown) -> dict[str, Any]:
        """The rig's record in the recording."""
        stated = self.slope_deg if self.stated_deg is None else self.stated_deg
        return {
            "name": "gates",
            "gates": {
                "spacing_m": self.spacing_m,
                "off_centre_m": self.off_centre_m,
                "slope_rad": math.radians(stated),
                "slope_tolerance_rad": math.radians(self.slope_tolerance_deg),
            },
            "clock": {"rate_tolerance": self.rate_tolerance},
            "body": {
                "mass_kg": body.mass_kg,
                "diameter_m": body.diameter_m,
                "length_m": body.length_m,
                "shape": "round" if body.is_round else "flat",
            },
            "window": {"slowest_mps": self.window[0], "fastest_mps": self.window[1]},
        }


def let_pass(
    path: Path, body: Thrown, rng: np.random.Generator, count: int, *, of_one_rig: bool = False
) -> Passed:
    """
    Let one body through each of `count` rigs that keep what is stated.

    `of_one_rig`: the same body through one rig so many times, each time as it happens to
    start, and at heights of its own.
    """

    def anew(limit: float) -> Floats:
        return rng.uniform(-limit, limit, count)

    def within(limit: float) -> Floats:
        return np.full(count, rng.uniform(-limit, limit)) if of_one_rig else anew(limit)

    diameter = body.diameter_m * (1 + within(0.005))
    length = body.length_m * (1 + within(0.005)) if not body.is_round else diameter
    mass = body.mass_kg * (1 + within(0.01))
    air = AIR_KGPM3 * (1 + within(0.01))
    area = math.pi * diameter**2 / 4
    volume = area * length if not body.is_round else math.pi * diameter**3 / 6
    added = 0.5 * (1 + within(0.5)) * math.pi * diameter**3 / 6
    inertia = mass + air * added
    slope = np.radians(path.slope_deg + within(path.slope_tolerance_deg))
    pull = (mass - air * volume) * (GRAVITY_MPS2 + within(1e-3)) * np.sin(slope) / inertia
    of_drag = rng.standard_normal(1 if of_one_rig else count)
    scale = (1 + body.drag_spread * of_drag) * air * area / 2 / inertia

    def kappa(speed: Floats) -> Floats:
        if not body.is_round:
            return scale * body.drag
        reynolds = np.maximum(air * np.abs(speed) * diameter / VISCOSITY_PAS, 0.5)
        return scale * np.exp(np.interp(np.log(reynolds), *np.log(MEASURED_DRAG).T))

    stretch = 1 / np.cos(rng.uniform(0, np.pi / 180, 1 if of_one_rig else count))
    half = (path.spacing_m + within(0.5e-3)) / 2
    gates = [(sign * half + within(0.2e-3)) * stretch for sign in (-1, 1)]
    chords = []
    for _ in gates:
        off = anew(path.off_centre_m)
        chords.append(np.sqrt((diameter / 2) ** 2 - off**2) if body.is_round else length / 2)
    if path.released_m is None:
        start, speed = (
            np.full(count, -1.0),
            np.exp(rng.uniform(*np.log(path.speeds_mps), count)),
        )
    else:
        height = np.exp(rng.uniform(*np.log(path.released_m), count))
        start, speed = gates[0] - chords[0] - height, np.zeros(count)
    places = [
        gate + side * chord
        for gate, chord in zip(gates, chords, strict=True)
        for side in (-1, 1)
    ]
    times, speeds = _march(start, speed, pull, kappa, [*places, np.zeros(count)])
    edges = np.stack(times[:4], -1).reshape(count, 2, 2)
    edges[:, 1, :] += within(2e-6)[:, None]
    return Passed(edges, speeds[4], within(path.rate_tolerance), 0.1e-6)


def _march(start, speed, pull, kappa, places):
    """Integrate dv/dt = a − κ·v·|v| and return when, and how fast, each place is passed."""
    last = np.max(places, axis=0) + 0.01
    fastest = max(
        float(np.max(np.sqrt(speed**2 + 2 * np.maximum(pull, 0) * (last - start)))), 0.1
    )
    step = min(1e-3, 0.01 / fastest)
    x, v = start.copy(), speed.copy()
    found = [np.full(len(x), np.nan) for _ in places]
    fast = [np.full(len(x), np.nan) for _ in places]

    def gain(v):
        return pull - kappa(v) * v * np.abs(v)

    for number in range(200_000):
        a1 = gain(v)
        a2 = gain(v + step / 2 * a1)
        a3 = gain(v + step / 2 * a2)
        a4 = gain(v + step * a3)
        dx = step * v + step**2 / 6 * (a1 + a2 + a3)
        dv = step / 6 * (a1 + 2 * a2 + 2 * a3 + a4)
        end = gain(v + dv)
        for place, when, how in zip(places, found, fast, strict=True):
            here = np.flatnonzero((x <= place) & (x + dx > place))
            if len(here):
                part = _inside(
                    place[here] - x[here], step, v[here], v[here] + dv[here], dx[here]
                )
                when[here] = (number + part) * step
                how[here] = v[here] + dv[here] * part
                # the speed within a step is straight but for the change of the acceleration
                how[here] += (a1 - end)[here] * step * part * (1 - part) / 2
        x, v = x + dx, v + dv
        if not np.any(x < last):
            return found, fast
    raise AssertionError("a body did not pass")


def _inside(way, step, v0, v1, dx):
    """Return the part of a step at which a way is covered: a cubic through both ends."""
    part = way / dx
    for _ in range(6):
        p = part
        cubic = (
            step * v0 * (p - 2 * p**2 + p**3)
            + step * v1 * (p**3 - p**2)
            + dx * (3 * p**2 - 2 * p**3)
        )
        slope = (
            step * v0 * (1 - 4 * p + 3 * p**2)
            + step * v1 * (3 * p**2 - 2 * p)
            + dx * (6 * p - 6 * p**2)
        )
        part = p - (cubic - way) / slope
    return part


def record(
    where: File,
    path: Path,
    body: Thrown,
    passed: Passed,
    rng: np.random.Generator,
    tick_s: float = 62.5e-9,
) -> File:
    """Write what a board tells of the bodies, one every `APART_S`, as a recording."""
    board = Board(frequency_hz=1 / tick_s, jitter_s=passed.jitter_s)
    count = len(passed.speed_mps)
    seen = passed.edges_s - passed.edges_s.min(axis=(1, 2))[:, None, None]
    seen = seen + passed.jitter_s * rng.standard_normal(seen.shape)
    begin = 1.25 + APART_S * np.arange(count) + tick_s * rng.random(count)
    ticks = board.frequency_hz * (
        begin[:, None, None] + seen * (1 + passed.rate_error)[:, None, None]
    )
    ticks = np.floor(ticks)
    edges = np.zeros(4 * count, EDGE)
    edges["shot"] = np.repeat(np.arange(count), 4)
    edges["gate"] = np.tile([0, 0, 1, 1], count)
    edges["level"] = np.tile([1, 0, 1, 0], count)
    edges["ticks"] = ticks.reshape(-1)
    edges = edges[np.lexsort((edges["level"] == 1, edges["ticks"]))]
    rows = recording_rows(path.rig(body), framed_lines(edges, board))
    where.write_bytes(recording_bytes(rows))
    return where
