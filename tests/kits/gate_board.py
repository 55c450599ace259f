"""From comparators' transitions to the counter values a board tells.

Physics: a counter of nominal frequency × (1 + rate error) at a random phase, stamped with
gaussian jitter and cut down to whole steps; a board that is busy for a while after each edge
and stamps the next one late. Shots of one recording follow each other at even distance.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from gate_comparator import Band, Transitions, clean_transitions, noisy_transitions, trip_times
from gate_physics import Array, Flight
from numpy.typing import NDArray

EDGE = np.dtype(
    [
        ("shot", np.int64),
        ("gate", np.int64),  # 0 A, 1 B
        ("level", np.int64),  # 1 blocked
        ("ticks", np.int64),  # counter, not wrapped
        ("late", np.bool_),
        ("time_s", np.float64),  # the true time, from the centre's passing midway
    ]
)
FIRST_SHOT_S = 1.25
BETWEEN_SHOTS_S = 0.6


@dataclass(frozen=True)
class Board:
    """How a board tells time.

    Attributes
    ----------
    frequency_hz, bits : nominal frequency and width of its counter
    step : its stamps are multiples of this many ticks (4 for `micros()` on a 16 MHz Uno)
    jitter_s : standard deviation of one stamp
    busy_s : an edge that comes sooner after the edge before it is late; 0: none is
    busy_kind : `flag`: one handler serves both gates; each gate has one pending flag, and at
        its turn the level is read and stamped then, so a pulse within the busy time vanishes
        (pin interrupts). `queue`: each gate has its own; every edge is kept, and a late one
        is stamped anywhere between its own time and the end of the busy time
    """

    frequency_hz: float = 16e6
    bits: int = 32
    step: int = 1
    jitter_s: float = 0.1e-6
    busy_s: float = 0.0
    busy_kind: str = "flag"


CAPTURE = Board()
PIN_INTERRUPT = Board(jitter_s=0.25e-6, busy_s=6e-6)
SKETCH_1_US = Board(frequency_hz=1e6, jitter_s=0.3e-6)
SKETCH_4_US = Board(frequency_hz=1e6, step=4, jitter_s=0.5e-6)


def edges_of(
    rng: np.random.Generator,
    flight: Flight,
    board: Board = CAPTURE,
    noise: list[Band] | None = None,
    *,
    shortest_pulse_s: float = 0.0,
    first_s: float = FIRST_SHOT_S,
    every_s: float = BETWEEN_SHOTS_S,
) -> NDArray[np.void]:
    """Raw edges of all shots as the board tells them: an array of `EDGE`, in order.

    Shot i is launched `first_s` + i·`every_s` after the counter's zero by nominal ticks, so
    rigs with counters of their own rates may stand one after the other in one recording.
    """
    if noise:
        seen = noisy_transitions(rng, flight, noise, shortest_pulse_s=shortest_pulse_s)
    else:
        seen = clean_transitions(flight)
    kept, stamp_s, late = served(rng, seen, board)
    shot = seen.shot[kept]
    phase = _launch_ticks(rng, len(flight), board, first_s, every_s)
    edges = np.zeros(len(kept), EDGE)
    edges["shot"], edges["gate"], edges["level"] = shot, seen.gate[kept], seen.level[kept]
    edges["late"], edges["time_s"] = late, seen.time_s[kept]
    stamp_s = stamp_s + board.jitter_s * rng.standard_normal(len(kept))
    edges["ticks"] = counted(stamp_s, flight.rigs.rate_error[shot], phase[shot], board)
    return _one_after_the_other(edges)


def ticks_of(rng: np.random.Generator, flight: Flight, board: Board = CAPTURE) -> Array:
    """Counter values of each shot's four clean edges at once, (N, 2, 2): the fast path.

    Gate, then edge (leading, trailing); ticks from the shot's own start; nan: missed beam.
    """
    times = trip_times(flight)
    times = times + board.jitter_s * rng.standard_normal(times.shape)
    phase = board.step * rng.uniform(0, 1, len(flight))
    rate = board.frequency_hz * (1 + flight.rigs.rate_error)
    ticks = times * rate[:, None, None] + phase[:, None, None]
    return board.step * np.floor(ticks / board.step)


def counted(stamp_s: Array, rate_error: Array, phase: Array, board: Board) -> NDArray[np.int64]:
    """The counter's value: what it has run to, cut down to whole steps."""
    ticks = phase + stamp_s * board.frequency_hz * (1 + rate_error)
    return (board.step * np.floor(ticks / board.step)).astype(np.int64)


def served(
    rng: np.random.Generator, seen: Transitions, board: Board
) -> tuple[NDArray[np.int64], Array, NDArray[np.bool_]]:
    """Which transitions a board tells, the times it stamps them and which it calls late."""
    everything = np.arange(len(seen.time_s))
    near = np.diff(seen.time_s) < board.busy_s
    if board.busy_s == 0 or not np.any(near & (np.diff(seen.shot) == 0)):
        return everything, seen.time_s, np.zeros(len(everything), bool)
    told: list[tuple[int, float, bool]] = []
    for of in np.split(everything, np.flatnonzero(np.diff(seen.shot)) + 1):
        if board.busy_kind == "flag":
            told += _flagged(of.tolist(), seen, board.busy_s)
        else:
            told += _queued(rng, of.tolist(), seen, board.busy_s)
    kept, stamp, late = zip(*told, strict=True)
    return np.array(kept, np.int64), np.array(stamp, float), np.array(late, bool)


def _flagged(of: list[int], seen: Transitions, busy_s: float) -> list[tuple[int, float, bool]]:
    """Serve one shot's transitions by one handler with a flag for each gate."""
    told: list[tuple[int, float, bool]] = []
    said, waiting, free_at = {0: 0, 1: 0}, {}, -np.inf

    def serve_waiting(until: float) -> None:
        nonlocal free_at
        while waiting and free_at < until:
            gate = min(waiting)  # gate A's interrupt goes first
            i = waiting.pop(gate)
            if seen.level[i] != said[gate]:
                told.append((i, free_at, True))
                said[gate] = int(seen.level[i])
            free_at += busy_s

    for i in of:
        time, gate = float(seen.time_s[i]), int(seen.gate[i])
        serve_waiting(time)
        if time < free_at:
            waiting[gate] = i
        else:
            told.append((i, time, False))
            said[gate], free_at = int(seen.level[i]), time + busy_s
    serve_waiting(np.inf)
    return told


def _queued(
    rng: np.random.Generator, of: list[int], seen: Transitions, busy_s: float
) -> list[tuple[int, float, bool]]:
    """Keep all of one shot's transitions; those too near their gate's last one are late."""
    told: list[tuple[int, float, bool]] = []
    last = {0: (-np.inf, -np.inf), 1: (-np.inf, -np.inf)}  # a gate's last time and stamp
    for i in of:
        time, gate = float(seen.time_s[i]), int(seen.gate[i])
        before, stamped = last[gate]
        late = time < before + busy_s
        stamp = max(stamped, rng.uniform(time, before + busy_s)) if late else max(stamped, time)
        told.append((i, stamp, late))
        last[gate] = (time, stamp)
    return told


def _launch_ticks(
    rng: np.random.Generator, n: int, board: Board, first_s: float, every_s: float
) -> Array:
    launch = first_s + every_s * np.arange(n)
    return launch * board.frequency_hz + board.step * rng.uniform(0, 1, n)


def _one_after_the_other(edges: NDArray[np.void]) -> NDArray[np.void]:
    """Edges in order of their stamps; jitter never turns a gate's edges round."""
    for shot in np.unique(edges["shot"][np.flatnonzero(np.diff(edges["ticks"]) <= 0)]):
        for gate in (0, 1):
            of = np.flatnonzero((edges["shot"] == shot) & (edges["gate"] == gate))
            edges["ticks"][of] = np.maximum.accumulate(edges["ticks"][of])
    return edges[np.lexsort((np.arange(len(edges)), edges["ticks"], edges["shot"]))]
