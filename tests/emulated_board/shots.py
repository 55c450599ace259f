"""Shots of a known speed as a script for the emulated board."""

import math
import random
from typing import NamedTuple

from .kit import FREQUENCY_HZ, Edge

SPACING_M = 0.3001
"""The gates' true distance; the rigs below say 300.0 mm, give or take 0.2 mm."""
BODY_LENGTH_M = 0.040
PAUSE_S = 0.255
"""What follows sooner belongs to the same launch."""


class Shot(NamedTuple):
    """One body: when its front reaches gate A, and how fast it is."""

    start_s: float
    speed_mps: float


def make_shots(count: int, seed: int, first_s: float) -> list[Shot]:
    """Shots between 3 and 200 m/s, evenly spread on a logarithmic scale, in random order."""
    draw = random.Random(seed)
    steps = [3.0 * (200.0 / 3.0) ** (n / (count - 1)) for n in range(count)]
    draw.shuffle(steps)
    shots, time_s = [], first_s
    for speed in steps:
        shots.append(Shot(time_s, speed))
        time_s += (SPACING_M + BODY_LENGTH_M) / speed + PAUSE_S + draw.uniform(0, 1e-3)
    return shots


def edges_of_shots(shots: list[Shot], frequency_hz: int = FREQUENCY_HZ) -> list[Edge]:
    """Four edges a shot, each at the cycle in which it falls."""
    edges = []
    for shot in shots:
        for gate, place_m in (("A", 0.0), ("B", SPACING_M)):
            for level, length_m in ((1, 0.0), (0, BODY_LENGTH_M)):
                time_s = shot.start_s + (place_m + length_m) / shot.speed_mps
                edges.append(Edge(math.floor(time_s * frequency_hz), gate, level))
    return sorted(edges)
