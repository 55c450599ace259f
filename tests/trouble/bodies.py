"""Bodies and their shadows: what keeps the light from the gates, and when.

A body of some length flies with constant speed along a slightly tilted path through two
gates that are not quite where the rig says. Times are seconds, true to the board's crystal.
"""

from dataclasses import dataclass, replace

import numpy as np

SPACING_M = 0.300
SPACING_TOLERANCE_M = 0.5e-3
TRIP_TOLERANCE_M = 0.2e-3
TILT_LIMIT_RAD = float(np.deg2rad(1.0))
LATENCY_MISMATCH_S = 0.2e-6
RATE_TOLERANCE = 50e-6
JITTER_S = 0.1e-6
CLOCK_HZ = 16_000_000
COUNTER_BITS = 32
BODY_LENGTH_M = 0.040
SLOWEST_MPS = 2.0
FASTEST_MPS = 200.0
QUIET_S = 0.2e-3
MUZZLE_TO_A_M = 0.85
LONGEST_TRANSIT_S = SPACING_M / SLOWEST_MPS

DISTURBANCE = -1
"""Owner of what is no launch: lamps, the sun, insects."""

RIG = {
    "name": "firing line",
    "lines": "framed",
    "gates": {
        "spacing_m": SPACING_M,
        "spacing_tolerance_m": SPACING_TOLERANCE_M,
        "trip_tolerance_m": TRIP_TOLERANCE_M,
        "tilt_limit_rad": TILT_LIMIT_RAD,
        "latency_mismatch_s": LATENCY_MISMATCH_S,
        "off_centre_m": 0.0,  # these bodies cross the beams in their middle
    },
    "clock": {
        "frequency_hz": CLOCK_HZ,
        "counter_bits": COUNTER_BITS,
        "rate_tolerance": RATE_TOLERANCE,
        "jitter_s": JITTER_S,
    },
    "body": {"name": "squash ball", "diameter_m": 0.040, "length_m": BODY_LENGTH_M},
    "window": {"slowest_mps": SLOWEST_MPS, "fastest_mps": FASTEST_MPS, "quiet_s": QUIET_S},
}
"""The rig as a recording's `rig` row states it."""


@dataclass(frozen=True)
class Specimen:
    """One rig of all those the stated tolerances admit."""

    spacing_m: float
    trip_m: tuple[float, float]
    tilt_rad: float
    latency_s: float
    rate: float


def draw_specimen(rng: np.random.Generator) -> Specimen:
    """Draw a rig's fixed errors, each uniform within what the rig states."""

    def within(limit: float) -> float:
        return float(rng.uniform(-limit, limit))

    return Specimen(
        SPACING_M + within(SPACING_TOLERANCE_M),
        (within(TRIP_TOLERANCE_M), within(TRIP_TOLERANCE_M)),
        float(rng.uniform(0.0, TILT_LIMIT_RAD)),
        within(LATENCY_MISMATCH_S),
        within(RATE_TOLERANCE),
    )


@dataclass(frozen=True)
class Block:
    """One thing that blocks one gate (0 = A, 1 = B) from `start_s` to `end_s`."""

    gate: int
    start_s: float
    end_s: float
    owner: int
    main: bool = False

    def later(self, by_s: float) -> "Block":
        """Return the same block `by_s` later."""
        return replace(self, start_s=self.start_s + by_s, end_s=self.end_s + by_s)


@dataclass(frozen=True)
class Flight:
    """One body in flight: its speed along the path, its length, when its nose is at gate A."""

    speed_mps: float
    length_m: float
    at_a_s: float = 0.0
    main: bool = False
    backwards: bool = False

    def blocks(self, specimen: Specimen, owner: int) -> list[Block]:
        """Return the two shadows, with the specimen's errors in them."""
        blocks = []
        for gate in (0, 1):
            place = gate * specimen.spacing_m + specimen.trip_m[gate]
            way = SPACING_M - place if self.backwards else place
            axial = self.speed_mps * np.cos(specimen.tilt_rad)
            start = way / axial * (1 + specimen.rate) + gate * specimen.latency_s
            end = start + self.length_m / self.speed_mps * (1 + specimen.rate)
            blocks.append(Block(gate, self.at_a_s + start, self.at_a_s + end, owner, self.main))
        return blocks

    @property
    def blocking_s(self) -> float:
        """Time the body blocks a gate."""
        return self.length_m / self.speed_mps

    @property
    def transit_s(self) -> float:
        """Nominal time from gate A to gate B."""
        return SPACING_M / self.speed_mps


@dataclass
class Edge:
    """One change of one gate, and what happened to it on its way to the host."""

    time_s: float
    gate: int
    level: int
    owner: int
    main: bool
    sound: bool = True
    late: bool = False
    lost: str = ""
    """Where it was lost: `sensor`, `board`, `wire` (no line) or `damaged` (a bad line)."""


def edges_of(blocks: list[Block]) -> list[Edge]:
    """
    Return both gates' edges in order of time.

    A gate is blocked while anything blocks it, so an edge that falls into another shadow
    does not exist, and one too close to another passage of its gate is not sound.
    """
    edges = [edge for gate in (0, 1) for edge in _gate_edges(blocks, gate)]
    return sorted(edges, key=lambda e: e.time_s)


def _gate_edges(blocks: list[Block], gate: int) -> list[Edge]:
    edges: list[Edge] = []
    first = last = None
    for block in sorted((b for b in blocks if b.gate == gate), key=lambda b: b.start_s):
        if first is None or last is None or block.start_s > last.end_s:
            edges += _passage_edges(first, last, gate)
            first = last = block
        elif block.end_s > last.end_s:
            last = block
    edges += _passage_edges(first, last, gate)
    for before, after in zip(edges[1:-1:2], edges[2::2], strict=True):
        if after.time_s - before.time_s < 1.5 * QUIET_S:
            before.sound = after.sound = False
    return edges


def _passage_edges(first: Block | None, last: Block | None, gate: int) -> list[Edge]:
    if first is None or last is None:
        return []
    owner = max(first.owner, last.owner)
    return [
        Edge(first.start_s, gate, 1, owner, first.main),
        Edge(last.end_s, gate, 0, owner, last.main),
    ]
