"""A session at a messy firing line as the rows of a recording, with the truth about it.

Written from the wire format and the laws of motion alone: it shares no code with the program
it tests. The same seed gives the same bytes.
"""

import sys
from dataclasses import dataclass, field, replace
from pathlib import Path

import numpy as np

from .bodies import DISTURBANCE, Block, Edge, edges_of
from .kinds import CATALOGUE, Plan, Words
from .wire import Board, Wire

SPIKE_CLEAR_S = 0.7
"""A spike nearer to a lone passage could pass for a slow body's other half."""


@dataclass(frozen=True)
class Launch:
    """
    The truth about one launch.

    Attributes
    ----------
    time_s : float
        When the body's nose was at gate A [s since the session's start].
    sound : frozenset of str
        Pairs of edges that arrived unharmed: `lead`, `trail`.
    measured : str
        Whether it must be counted: `yes`, `no`, `either`.
    host_us : frozenset of int
        Host times of the rows that carry its edges.

    The other attributes are those of `Plan`.
    """

    number: int
    kind: str
    time_s: float
    speeds_mps: tuple[float, ...]
    between: bool
    at_most: int
    companion_mps: float
    all_mps: tuple[float, ...]
    slack: float
    sound: frozenset[str]
    measured: str
    flags: Words
    rows: tuple[Words, ...]
    allowed: Words
    beside: Words
    host_us: frozenset[int]
    lamps: tuple[tuple[int, float, float], ...]


@dataclass(frozen=True)
class FiringLine:
    """A generated session: rows of a recording (without its header line), and the truth."""

    rows: bytes
    launches: tuple[Launch, ...]
    tally: dict[str, int]
    wire: Wire = field(repr=False)
    duration_s: float = 0.0


def firing_line(
    seed: int, *, size: float = 1.0, kinds: tuple[str, ...] = (), noise_per_min: float = 2.0
) -> FiringLine:
    """
    Generate a session.

    Parameters
    ----------
    seed : int
        Seed of everything random.
    size : float
        Multiplies the number of launches of each kind.
    kinds : tuple of str
        Names of functions of `kinds`, to draw only these; all when empty.
    noise_per_min : float
        Spikes at either gate between the launches.
    """
    rng = np.random.default_rng(seed)
    board = Board(rng)
    plans = _schedule(rng, _draw(rng, size, kinds), board)
    blocks = [b for _, plan in plans for b in plan.blocks]
    end = max(b.end_s for b in blocks) + 3.0
    blocks += _spikes(rng, blocks, noise_per_min, end)
    edges = edges_of(blocks)
    edges = _trouble(rng, edges, plans)
    wire = board.send(edges, end)
    launches = tuple(_truth(n, at, plan, edges, wire) for n, (at, plan) in enumerate(plans))
    launches = _allow_board_lost(launches, wire)
    return FiringLine(wire.rows(), launches, dict(wire.tally), wire, end)


def _draw(rng: np.random.Generator, size: float, kinds: tuple[str, ...]) -> list[Plan]:
    chosen = [(f, n) for f, n in CATALOGUE if not kinds or f.__name__ in kinds]
    order = [f for f, n in chosen for _ in range(max(1, round(n * size)))]
    return [order[i](rng, n) for n, i in enumerate(rng.permutation(len(order)))]


def _schedule(
    rng: np.random.Generator, plans: list[Plan], board: Board
) -> list[tuple[float, Plan]]:
    """Give each plan its time; where the counter is about to wrap, put a shot astride."""
    placed, now, pause = [], 1.0, 0.5
    for plan in plans:
        before = min([b.start_s for b in plan.blocks] + [e.down_s for e in plan.events])
        after = max([b.end_s for b in plan.blocks] + [e.up_s for e in plan.events])
        at = now + pause + float(rng.uniform(0.0, 1.5)) - before
        wrap = board.next_wrap(now)
        if (
            at + before < wrap < at + after + 2.0
            and wrap - _midway(plan) + before > now + pause
        ):
            at = wrap - _midway(plan)
        placed.append((at, _moved(plan, at)))
        for event in plan.events:
            board.add(event)
        now, pause = at + after, plan.pause_s
    return placed


def _midway(plan: Plan) -> float:
    """Return a moment between the first leading edge at A and the last one at B."""
    at_a = [b.start_s for b in plan.blocks if b.gate == 0 and b.owner != DISTURBANCE]
    at_b = [b.start_s for b in plan.blocks if b.gate == 1 and b.owner != DISTURBANCE]
    return (min(at_a or at_b) + max(at_b or at_a)) / 2


def _moved(plan: Plan, by_s: float) -> Plan:
    plan.blocks = [b.later(by_s) for b in plan.blocks]
    for event in plan.events:
        event.down_s += by_s
        event.up_s += by_s
    return plan


def _spikes(
    rng: np.random.Generator, blocks: list[Block], per_min: float, end: float
) -> list[Block]:
    """Draw spikes that stand well clear of every launch."""
    starts = np.sort([b.start_s for b in blocks])
    ends = np.maximum.accumulate([b.end_s for b in sorted(blocks, key=lambda b: b.start_s)])
    spikes = []
    for at in rng.uniform(1.0, end, rng.poisson(per_min * end / 60)):
        i = int(np.searchsorted(starts, at))
        clear_before = i == 0 or at - ends[i - 1] > SPIKE_CLEAR_S
        if clear_before and (i == len(starts) or starts[i] - at > SPIKE_CLEAR_S):
            length = float(rng.uniform(8e-6, 60e-6))
            spikes.append(Block(int(rng.integers(2)), at, at + length, DISTURBANCE))
    return spikes


def _trouble(
    rng: np.random.Generator, edges: list[Edge], plans: list[tuple[float, Plan]]
) -> list[Edge]:
    """Apply chatter, losses and late stamps to the main bodies' edges."""
    result = []
    for edge in edges:
        if not edge.main:
            result.append(edge)
            continue
        plan, what = plans[edge.owner][1], (edge.gate, edge.level)
        edge.lost = plan.losses.get(what, "")
        edge.late = what in plan.late
        result += _bounced(edge, plan.chatter.get(what, []))
    return sorted(result, key=lambda e: e.time_s)


def _bounced(edge: Edge, offsets: list[float]) -> list[Edge]:
    if not offsets:
        return [edge]
    edge.sound = False
    return [
        Edge(edge.time_s + by, edge.gate, edge.level ^ (n % 2), edge.owner, True, sound=False)
        for n, by in enumerate(offsets)
    ]


def _truth(number: int, at: float, plan: Plan, edges: list[Edge], wire: Wire) -> Launch:
    mine = [e for e in wire.by_owner.get(number, []) if e[0].main]
    good = {(e.gate, e.level) for e, _ in mine if e.sound and not e.late and not e.lost}
    pairs = (("lead", 1), ("trail", 0))
    sound = frozenset(n for n, level in pairs if {(0, level), (1, level)} <= good)
    measured = plan.measured
    if measured == "edges":
        measured = "yes" if sound else "no"
    flags, allowed = plan.flags, plan.allowed
    if len(sound) == 1:
        word = frozenset({f"{next(iter(sound))}-only"})
        flags, allowed = (
            (flags | word, allowed) if plan.one_pair_flag else (flags, allowed | word)
        )
    if number in wire.untold:
        flags = flags - {"board-lost"}
    hosts = frozenset(h for _, h in wire.by_owner.get(number, []) if h >= 0)
    return Launch(
        number, plan.kind, at, plan.speeds_mps, plan.between, plan.at_most,
        plan.companion_mps, plan.all_mps, plan.slack, sound, measured, flags, plan.rows,
        allowed, plan.beside, hosts, plan.lamps,
    )  # fmt: skip


def _allow_board_lost(launches: tuple[Launch, ...], wire: Wire) -> tuple[Launch, ...]:
    """
    Allow `board-lost` on launches near a loss on the board.

    A count rises from one beat that arrives to the next, so anything between them, and a
    beat to either side, may carry the flag.
    """
    losses = np.array(
        [e.time_s for mine in wire.by_owner.values() for e, _ in mine if e.lost == "board"]
    )
    beats = np.array(wire.beats_s)
    since = beats[np.maximum(np.searchsorted(beats, losses) - 2, 0)]
    until = beats[np.minimum(np.searchsorted(beats, losses) + 1, len(beats) - 1)]
    return tuple(
        replace(x, allowed=x.allowed | {"board-lost"})
        if ((since < x.time_s + 0.5) & (x.time_s < until + 0.5)).any()
        else x
        for x in launches
    )


if __name__ == "__main__":
    Path(sys.argv[2]).write_bytes(
        b"host_us\torigin\tline\n" + firing_line(int(sys.argv[1])).rows
    )
