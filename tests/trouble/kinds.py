"""The kinds of launch of a messy firing line, each drawn at random with its truth.

Every function draws one launch. Times count from the moment the main body's nose is at
gate A. What physics leaves open is said to be open ("either"), never guessed.
"""

from collections.abc import Callable, Iterable
from dataclasses import dataclass, field

import numpy as np

from .bodies import (
    BODY_LENGTH_M,
    CLOCK_HZ,
    DISTURBANCE,
    LONGEST_TRANSIT_S,
    MUZZLE_TO_A_M,
    QUIET_S,
    SPACING_M,
    Block,
    Flight,
    draw_specimen,
    edges_of,
)

Words = frozenset[str]
A1, A0, B1, B0 = (0, 1), (0, 0), (1, 1), (1, 0)
FOUR = (A1, A0, B1, B0)
ANY_LONE = ({"lone-a"}, {"lone-b"})


@dataclass
class Event:
    """The board or the link goes away and comes back."""

    what: str
    """`restart` (the board), `link` (the cable) or `reset` (both)."""
    down_s: float
    up_s: float
    hello: bool = True


@dataclass
class Plan:
    """
    One launch before it meets the board.

    Attributes
    ----------
    measured : str
        `edges`: yes if and only if a sound pair of edges is left; `no`; `either`.
    speeds_mps : tuple of float
        True speeds any of which is right; with `between` anything from least to greatest.
    flags : frozenset of str
        Flags the counted shot must have, `allowed` those it may have; `rows`: sets of flags
        of which the shots of a launch that is not counted must show one; `beside`: flags
        that must be shown beside the counted shot.
    """

    kind: str
    blocks: list[Block]
    speeds_mps: tuple[float, ...]
    measured: str = "edges"
    flags: Words = frozenset()
    rows: tuple[Words, ...] = ()
    allowed: Words = frozenset()
    beside: Words = frozenset()
    between: bool = False
    at_most: int = 1
    companion_mps: float = np.nan
    all_mps: tuple[float, ...] = ()
    """Speeds of everything that flew."""
    slack: float = 0.0
    """Relative error that no processor can avoid, beside the uncertainty."""
    chatter: dict[tuple[int, int], list[float]] = field(default_factory=dict)
    losses: dict[tuple[int, int], str] = field(default_factory=dict)
    late: tuple[tuple[int, int], ...] = ()
    events: tuple[Event, ...] = ()
    lamps: tuple[tuple[int, float, float], ...] = ()
    """Gate, frequency [Hz] and blocked part of each flicker."""
    pause_s: float = 0.5
    """Least time to the next launch."""
    one_pair_flag: bool = True
    """Whether a single sound pair must be told by `lead-only` or `trail-only`."""


Rng = np.random.Generator


def _log_uniform(rng: Rng, low: float, high: float) -> float:
    return float(np.exp(rng.uniform(np.log(low), np.log(high))))


def _length(rng: Rng) -> float:
    """Length of a good body: the declared one, a little less where it passes off axis."""
    return BODY_LENGTH_M * float(rng.uniform(0.95, 1.01))


def _ball(rng: Rng, low: float = 4.0, high: float = 150.0) -> Flight:
    return Flight(_log_uniform(rng, low, high), _length(rng), main=True)


def _words(*words: str) -> Words:
    return frozenset(words)


AFTER_OPEN_END_S = 1.3
"""A gate whose trailing edge was missed looks blocked: a launch within the second would
honestly look like its end."""


def _lose(plan: Plan, edges: Iterable[tuple[int, int]], where: str) -> None:
    plan.losses = dict.fromkeys(edges, where)
    if any(level == 0 for _, level in plan.losses):
        plan.pause_s = AFTER_OPEN_END_S


def _plan(kind: str, rng: Rng, owner: int, flights: list[Flight], **more: object) -> Plan:
    specimen = draw_specimen(rng)
    blocks = [b for flight in flights for b in flight.blocks(specimen, owner)]
    more.setdefault("speeds_mps", tuple(f.speed_mps for f in flights if f.main))
    more.setdefault("all_mps", tuple(f.speed_mps for f in flights))
    return Plan(kind, blocks, **more)  # type: ignore[arg-type]


def clean(rng: Rng, owner: int) -> Plan:
    """A ball and nothing else."""
    return _plan("clean", rng, owner, [_ball(rng)])


def short(rng: Rng, owner: int) -> Plan:
    """A single body well shorter than declared."""
    flight = Flight(_log_uniform(rng, 4, 80), float(rng.uniform(0.010, 0.018)), main=True)
    return _plan("short", rng, owner, [flight], flags=_words("short"))


def long(rng: Rng, owner: int) -> Plan:
    """A single body well longer than declared."""
    flight = Flight(_log_uniform(rng, 4, 100), float(rng.uniform(0.090, 0.150)), main=True)
    return _plan("long", rng, owner, [flight], flags=_words("long"))


def too_fast(rng: Rng, owner: int) -> Plan:
    """Faster than the rig's window."""
    flight = Flight(float(rng.uniform(225, 400)), _length(rng), main=True)
    rows = (_words("too-fast"),)
    return _plan("too-fast", rng, owner, [flight], measured="no", rows=rows)


def too_slow(rng: Rng, owner: int) -> Plan:
    """Slower than the rig's window."""
    flight = Flight(float(rng.uniform(1.05, 1.8)), _length(rng), main=True)
    rows = (_words("too-slow"),)
    return _plan("too-slow", rng, owner, [flight], measured="no", rows=rows)


def backwards(rng: Rng, owner: int) -> Plan:
    """A ball thrown through the gates from the far side."""
    flight = Flight(_log_uniform(rng, 4, 60), _length(rng), main=True, backwards=True)
    rows = (_words("reversed"),)
    return _plan("reversed", rng, owner, [flight], measured="no", rows=rows)


def person(rng: Rng, owner: int) -> Plan:
    """Somebody walks through, half of them with an arm swung ahead."""
    speed, away = float(rng.uniform(1.0, 1.5)), bool(rng.random() < 0.5)
    torso = Flight(speed, float(rng.uniform(0.25, 0.40)), main=True, backwards=away)
    arm = Flight(speed, 0.08, -float(rng.uniform(0.25, 0.35)), backwards=away)
    flights = [torso] if rng.random() < 0.5 else [arm, torso]
    kind, word = ("person-back", "reversed") if away else ("person", "too-slow")
    allowed = _words("long", "companion", "too-slow", "lone-a", "lone-b", "fragments")
    rows = (_words(word),)
    return _plan(kind, rng, owner, flights, measured="no", rows=rows, allowed=allowed)


def lone(rng: Rng, owner: int) -> Plan:
    """Only one gate is hit."""
    gate = int(rng.integers(2))
    word = ("lone-a", "lone-b")[gate]
    plan = _plan(word, rng, owner, [_ball(rng)], measured="no", rows=(_words(word),))
    plan.blocks = [b for b in plan.blocks if b.gate == gate]
    plan.allowed = _words("short", "long")
    return plan


def _carrier_length(rng: Rng) -> float:
    """A wad (short) or a cup (long): never near the ball's own length."""
    return float(rng.uniform(*((0.010, 0.020) if rng.random() < 0.6 else (0.065, 0.080))))


def companion(rng: Rng, owner: int) -> Plan:
    """A carrier follows at lower speed while the ball is still between the gates."""
    ball = _ball(rng, high=60)
    gap = float(rng.uniform(2 * QUIET_S, max(3 * QUIET_S, 0.8 * ball.transit_s)))
    return _followed("companion", rng, owner, ball, gap)


def companion_behind(rng: Rng, owner: int) -> Plan:
    """A carrier follows when the ball has left gate B, within one longest transit."""
    ball = _ball(rng, low=10)
    gap = ball.transit_s + float(rng.uniform(0.002, 0.4 * LONGEST_TRANSIT_S))
    return _followed("companion-behind", rng, owner, ball, gap)


def _followed(kind: str, rng: Rng, owner: int, ball: Flight, gap: float) -> Plan:
    speed = ball.speed_mps * float(rng.uniform(0.5, 0.92))
    carrier = Flight(max(speed, 2.3), _carrier_length(rng), ball.blocking_s + gap)
    flags = _words("companion")
    return _plan(
        kind, rng, owner, [ball, carrier], flags=flags, companion_mps=carrier.speed_mps
    )


def merged_at_a(rng: Rng, owner: int) -> Plan:
    """The carrier still touches the ball's shadow at gate A and is apart at gate B."""
    ball = _ball(rng, 8, 60)
    speed = ball.speed_mps * float(rng.uniform(0.6, 0.85))
    nose = ball.blocking_s * float(rng.uniform(0.5, 1.0))
    carrier = Flight(speed, _carrier_length(rng), nose)
    return _merged("merged-at-a", rng, owner, [ball, carrier])


def carrier_first_merged(rng: Rng, owner: int) -> Plan:
    """A carrier in front, faster, its shadow touching the ball's at gate A only."""
    ball = _ball(rng, 8, 50)
    speed = ball.speed_mps * float(rng.uniform(1.2, 1.5))
    length = float(rng.uniform(0.012, 0.018))
    carrier = Flight(speed, length, -float(rng.uniform(0.2, 0.95)) * length / speed)
    return _merged("carrier-first-merged", rng, owner, [carrier, ball])


def caught_at_b(rng: Rng, owner: int) -> Plan:
    """A slower carrier in front; the ball's shadow has reached it at gate B."""
    ball = _ball(rng, 8, 50)
    speed = ball.speed_mps * float(rng.uniform(0.6, 0.85))
    length = float(rng.uniform(0.012, 0.018))
    lead_at_b = float(rng.uniform(0.1, 0.6)) * length / speed
    carrier = Flight(speed, length, -(SPACING_M / speed - ball.transit_s) - lead_at_b)
    plan = _merged("caught-at-b", rng, owner, [carrier, ball])
    plan.flags, plan.allowed = _words(), plan.allowed | {"companion"}
    return plan


def _merged(kind: str, rng: Rng, owner: int, flights: list[Flight]) -> Plan:
    beside = _words("long", "short", "lone-a", "lone-b", "lead-only", "trail-only")
    flags = _words("companion")
    plan = _plan(kind, rng, owner, flights, flags=flags, allowed=beside)
    plan.one_pair_flag = False
    return plan


def merged_throughout(rng: Rng, owner: int) -> Plan:
    """A cup pushes the ball through both gates: one long body, its own speed open."""
    ball = _ball(rng, 8, 60)
    cup = Flight(
        ball.speed_mps * float(rng.uniform(0.985, 1.0)),
        float(rng.uniform(0.060, 0.080)),
        ball.blocking_s * 0.8,
    )
    plan = _plan("merged-throughout", rng, owner, [ball, cup], measured="either")
    plan.flags, plan.rows = _words("long"), (_words("long"),)
    plan.speeds_mps, plan.between = (ball.speed_mps, cup.speed_mps), True
    plan.allowed = _words("companion", "lead-only", "trail-only")
    plan.one_pair_flag = False
    return plan


def carrier_first(rng: Rng, owner: int) -> Plan:
    """A faster short carrier flies ahead of the ball, apart from it at both gates."""
    ball = _ball(rng, 5, 60)
    speed = ball.speed_mps * float(rng.uniform(1.1, 1.5))
    length = float(rng.uniform(0.010, 0.018))
    ahead = length / speed + float(rng.uniform(2 * QUIET_S, 4 * QUIET_S + 0.3 * ball.transit_s))
    carrier = Flight(speed, length, -ahead)
    flags = _words("companion")
    return _plan(
        "carrier-first",
        rng,
        owner,
        [carrier, ball],
        flags=flags,
        companion_mps=carrier.speed_mps,
    )


def overtaking(rng: Rng, owner: int) -> Plan:
    """A slow wad is ahead at gate A and behind at gate B."""
    ball = _ball(rng, 6, 30)
    speed = ball.speed_mps * float(rng.uniform(0.6, 0.75))
    length = float(rng.uniform(0.010, 0.014))
    later_at_b = SPACING_M / speed - ball.transit_s
    least, most = length / speed + 2 * QUIET_S, later_at_b - ball.blocking_s - 2 * QUIET_S
    wad = Flight(speed, length, -float(rng.uniform(least, most)))
    flags = _words("companion")
    return _plan(
        "overtaking", rng, owner, [wad, ball], flags=flags, companion_mps=wad.speed_mps
    )


def pair(rng: Rng, owner: int) -> Plan:
    """Two equal balls in flight between the gates: one shot with a companion, or two."""
    first = _ball(rng, 5, 60)
    gap = float(rng.uniform(2 * QUIET_S, max(3 * QUIET_S, 0.6 * first.transit_s)))
    speed = first.speed_mps * float(rng.uniform(0.90, 0.99))
    second = Flight(speed, _length(rng), first.blocking_s + gap, main=True)
    allowed = _words("companion")
    return _plan("pair", rng, owner, [first, second], at_most=2, allowed=allowed)


def fragments(rng: Rng, owner: int) -> Plan:
    """A body that broke on launch: its pieces spread from the muzzle on."""
    while True:
        speed = _log_uniform(rng, 10, 40)
        speeds = speed * rng.uniform(0.6, 1.0, int(rng.integers(5, 9)))
        pieces = [
            Flight(float(v), float(rng.uniform(0.004, 0.012)), MUZZLE_TO_A_M / float(v))
            for v in speeds
        ]
        first = min(p.at_a_s for p in pieces)
        pieces = [Flight(p.speed_mps, p.length_m, p.at_a_s - first) for p in pieces]
        plan = _plan("fragments", rng, owner, pieces, measured="either", between=True)
        plan.blocks = [b for b in plan.blocks if rng.random() > 0.12]
        if _apart(plan.blocks, 0) >= 4 and _apart(plan.blocks, 1) >= 4:
            break
    plan.speeds_mps = tuple(float(v) for v in speeds)
    plan.flags, plan.rows = _words("fragments"), (_words("fragments"),)
    plan.allowed = _words("short", "companion", "lone-a", "lone-b", "lead-only", "trail-only")
    return plan


def _apart(blocks: list[Block], gate: int) -> int:
    """Count the passages of a gate that stand clear of each other."""
    ends = [e for e in edges_of([b for b in blocks if b.gate == gate]) if e.level == 0]
    return sum(e.sound for e in ends)


def _bounce(rng: Rng) -> list[float]:
    """Crossing times about one true edge: 3 or 5, each 6 us apart or more."""
    count = int(rng.choice([3, 5]))
    steps = rng.uniform(6e-6, 30e-6, count - 1)
    times = np.concatenate([[0.0], np.cumsum(steps)])
    return list(times - rng.uniform(0, times[-1]))


def chatter_one_pair(rng: Rng, owner: int) -> Plan:
    """The comparator chatters on the leading edges, or on the trailing ones."""
    level = int(rng.integers(2))
    gates = [(0,), (1,), (0, 1)][int(rng.integers(3))]
    plan = _plan("chatter", rng, owner, [_ball(rng, 4, 50)])
    plan.chatter = {(gate, level): _bounce(rng) for gate in gates}
    plan.allowed, plan.one_pair_flag = _words("lead-only", "trail-only"), False
    return plan


def chatter_on_all(rng: Rng, owner: int) -> Plan:
    """The comparator chatters on all four edges: how well that can be timed is open."""
    plan = _plan("chatter-on-all", rng, owner, [_ball(rng, 4, 30)], measured="either")
    plan.chatter = {edge: _bounce(rng) for edge in FOUR}
    plan.slack = 60e-6 * plan.speeds_mps[0] / SPACING_M
    plan.allowed = _words("lead-only", "trail-only")
    return plan


def flicker(rng: Rng, owner: int) -> Plan:
    """A mains lamp trips one gate or both for seconds; a ball flies in the midst of it."""
    gates = [(0,), (1,), (0, 1)][int(rng.integers(3))]
    period = 1 / float(rng.choice([100, 120]))
    duty = rng.uniform(0.1, 0.35, 2)
    offset = 0.0 if rng.random() < 0.5 else period / 3
    for _ in range(1000):
        plan = _plan("flicker", rng, owner, [_ball(rng, 12, 60)])
        lamp = _lamp(rng, gates, period, duty, offset)
        if all(_clear_of(lamp, body) for body in plan.blocks):
            break
    plan.blocks += lamp
    plan.lamps = tuple((gate, 1 / period, float(duty[gate])) for gate in gates)
    plan.allowed = _words("companion")
    return plan


def _lamp(
    rng: Rng, gates: tuple[int, ...], period: float, duty: np.ndarray, offset: float
) -> list[Block]:
    before, after = rng.uniform(1.5, 3.0, 2)
    grid = np.arange(-before, after, period) + rng.uniform(0, period)
    blocks = []
    for gate in gates:
        starts = grid + gate * offset + rng.normal(0, 5e-6, len(grid))
        ends = starts + duty[gate] * period + rng.normal(0, 5e-6, len(grid))
        blocks += [
            Block(gate, float(s), float(e), DISTURBANCE)
            for s, e in zip(starts, ends, strict=True)
        ]
    return blocks


def _clear_of(others: list[Block], body: Block) -> bool:
    room = 2.5 * QUIET_S
    return all(
        o.gate != body.gate or o.end_s < body.start_s - room or o.start_s > body.end_s + room
        for o in others
    )


def flash(rng: Rng, owner: int) -> Plan:
    """A flash at launch trips both gates at once; the ball follows."""
    plan = _plan("flash", rng, owner, [_ball(rng, 4, 100)])
    plan.blocks += _flash_blocks(rng, owner, -MUZZLE_TO_A_M / plan.speeds_mps[0])
    plan.beside = _words("flash")
    return plan


def flash_alone(rng: Rng, owner: int) -> Plan:
    """A flash, and the body misses both gates."""
    blocks = _flash_blocks(rng, owner, 0.0)
    return Plan("flash-alone", blocks, (), measured="no", rows=(_words("flash"),))


def _flash_blocks(rng: Rng, owner: int, start: float) -> list[Block]:
    length = _log_uniform(rng, 50e-6, 3e-3)
    late = float(rng.uniform(0, 20e-6))
    ends = start + length * rng.uniform(0.9, 1.1, 2)
    return [
        Block(0, start, float(ends[0]), owner),
        Block(1, start + late, float(ends[1]) + late, owner),
    ]


def sun(rng: Rng, owner: int) -> Plan:
    """The sun holds one gate for seconds; a ball flies meanwhile."""
    gate = int(rng.integers(2))
    word = ("lone-b", "lone-a")[gate]
    plan = _plan("sun", rng, owner, [_ball(rng)], measured="no", rows=(_words(word),))
    before, after = rng.uniform(1.0, 8.0, 2)
    plan.blocks.append(Block(gate, -float(before), float(after), DISTURBANCE))
    plan.allowed = _words("lone-a", "lone-b", "long")
    return plan


def one_edge_lost(rng: Rng, owner: int) -> Plan:
    """A sensor misses one of the four edges."""
    plan = _plan("one-edge-lost", rng, owner, [_ball(rng)])
    _lose(plan, [FOUR[int(rng.integers(4))]], "sensor")
    return plan


def two_edges_lost(rng: Rng, owner: int) -> Plan:
    """A sensor misses both leading or both trailing edges."""
    plan = _plan("two-edges-lost", rng, owner, [_ball(rng)])
    level = int(rng.integers(2))
    _lose(plan, [(0, level), (1, level)], "sensor")
    return plan


def no_pair_left(rng: Rng, owner: int) -> Plan:
    """Two edges are missing and no pair is left."""
    lost = [(A1, B0), (A0, B1), (A1, A0), (B1, B0)][int(rng.integers(4))]
    plan = _plan("no-pair-left", rng, owner, [_ball(rng)])
    _lose(plan, lost, "sensor")
    whole = {(A1, A0): (_words("lone-b"),), (B1, B0): (_words("lone-a"),)}
    plan.rows = whole.get(lost, tuple(map(frozenset, ANY_LONE)))
    plan.allowed = _words("lone-a", "lone-b", "lead-only", "trail-only")
    return plan


def late_edge(rng: Rng, owner: int) -> Plan:
    """The board could not time one edge, or one pair of edges, exactly."""
    plan = _plan("late", rng, owner, [_ball(rng)])
    level = int(rng.integers(2))
    plan.late = ((0, level), (1, level)) if rng.random() < 0.3 else (FOUR[rng.integers(4)],)
    return plan


def wire_gap(rng: Rng, owner: int) -> Plan:
    """One line of the shot is lost or damaged on the wire."""
    plan = _plan("wire-gap", rng, owner, [_ball(rng)])
    edge = FOUR[int(rng.integers(4))]
    _lose(plan, [edge], str(rng.choice(["wire", "damaged"])))
    inside = edge in (A0, B1)
    plan.flags = _words("gap") if inside else _words()
    plan.allowed = _words("gap")
    return plan


def wire_gap_of_two(rng: Rng, owner: int) -> Plan:
    """Two lines of the shot are lost on the wire."""
    plan = _plan("wire-gap-of-two", rng, owner, [_ball(rng)])
    lost = rng.permutation(4)[:2]
    _lose(plan, [FOUR[i] for i in lost], "wire")
    plan.rows = tuple(map(frozenset, (*ANY_LONE, {"gap"})))
    plan.allowed = _words("gap", "lone-a", "lone-b", "lead-only", "trail-only")
    return plan


def board_lost(rng: Rng, owner: int) -> Plan:
    """The board drops one edge and says so with its next beat."""
    plan = _plan("board-lost", rng, owner, [_ball(rng)])
    _lose(plan, [FOUR[int(rng.integers(4))]], "board")
    plan.flags = _words("board-lost")
    return plan


def noise_in_shot(rng: Rng, owner: int) -> Plan:
    """A spike of some microseconds trips one gate while the ball is between the gates."""
    plan = _plan("noise-in-shot", rng, owner, [_ball(rng, 4, 60)])
    ball_a = next(b for b in plan.blocks if b.gate == 0)
    ball_b = next(b for b in plan.blocks if b.gate == 1)
    start = float(rng.uniform(ball_a.end_s + 2 * QUIET_S, ball_b.start_s - 3 * QUIET_S))
    spike = float(rng.uniform(8e-6, 40e-6))
    plan.blocks.append(Block(int(rng.integers(2)), start, start + spike, owner))
    plan.allowed = _words("companion", "fragments")
    return plan


def restart_between(rng: Rng, owner: int) -> Plan:
    """The board restarts before the launch; a quarter of its hello lines are lost."""
    plan = _plan("restart-between", rng, owner, [_ball(rng)])
    up = -float(rng.uniform(0.05, 0.5))
    down = up - float(rng.uniform(0.1, 1.6))
    plan.events = (Event("restart", down, up, bool(rng.random() < 0.75)),)
    plan.allowed = _words("gap")
    return plan


def restart_in_shot(rng: Rng, owner: int) -> Plan:
    """The board restarts while the ball is between the gates."""
    return _broken_in_shot("restart-in-shot", "restart", rng, owner)


def link_between(rng: Rng, owner: int) -> Plan:
    """The link is lost and reopened before the launch; opening resets some boards."""
    plan = _plan("link-between", rng, owner, [_ball(rng)])
    up = -float(rng.uniform(0.05, 0.5))
    down = up - float(rng.uniform(0.5, 8.0))
    plan.events = (Event(str(rng.choice(["link", "reset"])), down, up),)
    plan.allowed = _words("gap")
    return plan


def link_in_shot(rng: Rng, owner: int) -> Plan:
    """The link is lost while the ball is between the gates."""
    return _broken_in_shot("link-in-shot", str(rng.choice(["link", "reset"])), rng, owner)


def _broken_in_shot(kind: str, what: str, rng: Rng, owner: int) -> Plan:
    rows = (_words("lone-a"), _words("gap"))
    plan = _plan(kind, rng, owner, [_ball(rng, 4, 60)], measured="no", rows=rows)
    ball_a = next(b for b in plan.blocks if b.gate == 0)
    ball_b = next(b for b in plan.blocks if b.gate == 1)
    down = float(rng.uniform(ball_a.end_s, ball_b.start_s))
    plan.events = (Event(what, down, ball_b.end_s + float(rng.uniform(0.2, 1.6))),)
    plan.allowed = _words("gap", "lone-a")
    return plan


CATALOGUE: tuple[tuple[Callable[[Rng, int], Plan], int], ...] = (
    (clean, 180),
    (short, 25),
    (long, 25),
    (too_fast, 30),
    (too_slow, 30),
    (backwards, 30),
    (person, 30),
    (lone, 60),
    (companion, 80),
    (companion_behind, 40),
    (merged_at_a, 50),
    (carrier_first_merged, 25),
    (caught_at_b, 25),
    (merged_throughout, 25),
    (carrier_first, 40),
    (overtaking, 20),
    (pair, 40),
    (fragments, 50),
    (chatter_one_pair, 80),
    (chatter_on_all, 25),
    (flicker, 24),
    (flash, 50),
    (flash_alone, 12),
    (sun, 12),
    (one_edge_lost, 80),
    (two_edges_lost, 40),
    (no_pair_left, 40),
    (late_edge, 50),
    (wire_gap, 60),
    (wire_gap_of_two, 30),
    (board_lost, 40),
    (noise_in_shot, 30),
    (restart_between, 12),
    (restart_in_shot, 8),
    (link_between, 10),
    (link_in_shot, 8),
)
"""How many of each kind a session of standard size holds (1416 launches)."""

TICK_S = 1 / CLOCK_HZ
