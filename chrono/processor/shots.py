"""From bodies to shots: what belongs to one launch, its flags, and when it is final.

Rules, local in time:

- A launch begins with a body whose transit is in the window; what comes within the launch
  window after it is its companions: further bodies, slow ones, and lone passages (at gate B
  up to the slowest transit later). Its main body is the first of the declared length within
  25 %, else the first.
- Too fast, reversed, flash: a shot of its own each; so is too slow outside of a launch. Lone
  passages outside of a launch are one shot per launch window.
- Three and more bodies of a launch below half the declared length are fragments.
- A break between first and last edge, or in the time in which the missing partner could have
  come, is a gap. The transit is kept while the lost lines cannot have changed who is whose:
  up to three lost with all four edges there, one with an edge missing, none on lines that
  give no levels.
- Edges the board lost between the beats around a shot set `board-lost`.
- Keys grow strictly; a key already used is moved up by one.
"""

from typing import NamedTuple

import numpy as np
import numpy.typing as npt

from chrono.processor.matching import NO_BODIES, Bodies, Lengths
from chrono.processor.pairing import LENGTH_TOLERANCE, Flags, Floats, Kind, body_lengths
from chrono.processor.rules import Rules
from chrono.processor.table import ABSENT, SHOT_DTYPE, EdgesUsed, Flag, Shots
from chrono.processor.timebase import Beats, Breaks, Ints, Places

FRAGMENTS = 3
FRAGMENT_LENGTH = 0.5

LAUNCH_DTYPE = np.dtype(
    [
        ("shot", SHOT_DTYPE),
        ("start", "i8"),  # a break from here
        ("stop", "i8"),  # … to here may have cost an edge
        ("sure", "u1"),  # 2 if all edges are there, plus 1 if the declared length fits
    ]
)
"""A shot and what is needed to finish it."""

Launches = npt.NDArray[np.void]
NO_LAUNCHES = np.zeros(0, LAUNCH_DTYPE)
NO_SHOTS: Shots = np.zeros(0, SHOT_DTYPE)


def gather_launches(
    new: Bodies, carried: Bodies, known: int, lengths: Lengths, rules: Rules
) -> tuple[Launches, Bodies, int]:
    """
    Return the launches that became complete, the bodies of the others, and the time before
    which every launch has been given out.
    """
    bodies = np.concatenate((carried, new)) if len(carried) else new
    bodies = _in_order(bodies[(bodies["kind"] != Kind.LONE) | (bodies["suspect"] == 0)])
    if not len(bodies):
        return NO_LAUNCHES, NO_BODIES, known
    windows = rules.windows
    key, kind = bodies["key"].copy(), bodies["kind"]
    leader = _leaders(key, kind == Kind.NORMAL, windows.launch)
    head = _heads(bodies, key, leader, rules)
    lone = np.flatnonzero((head < 0) & (kind == Kind.LONE))
    head[lone] = lone[_group_heads(key[lone], windows.launch)]
    single = head < 0
    head[single] = np.flatnonzero(single)
    patience = np.where(leader, windows.launch + windows.slow, 0)
    patience[lone] = windows.launch
    done = (key + patience <= known)[head]
    rest = bodies[~done]
    launches = _launches(bodies, head, done, lengths, rules)
    return launches, rest, min([known, *rest["key"][:1].tolist()])


def _in_order(bodies: Bodies) -> Bodies:
    key = bodies["key"]
    if (key[1:] > key[:-1]).all():
        return bodies
    return bodies[np.lexsort((bodies["gates"], bodies["kind"], key))]


def _leaders(key: Ints, normal: Flags, window: int) -> Flags:
    """Tell which bodies begin a launch."""
    leader = np.zeros(len(key), np.bool_)
    places = np.flatnonzero(normal)
    leader[places[_group_heads(key[places], window) == np.arange(len(places))]] = True
    return leader


def _group_heads(key: Ints, window: int) -> Places:
    """Return for each key the place of the first one of its group, `window` long."""
    place = np.arange(len(key))
    if (np.diff(key) >= window).all():
        return place
    heads, head = place.tolist(), 0
    times = key.tolist()
    for i, t in enumerate(times):
        if t - times[head] >= window:
            head = i
        heads[i] = head
    return np.array(heads, np.intp)


def _heads(bodies: Bodies, key: Ints, leader: Flags, rules: Rules) -> Places:
    """Return the place of each body's launch, -1 for those that follow none."""
    places, windows = np.flatnonzero(leader), rules.windows
    head = np.full(len(key), -1, np.intp)
    head[places] = places
    kind = bodies["kind"]
    may = np.flatnonzero(
        ~leader & ((kind == Kind.NORMAL) | (kind == Kind.SLOW) | (kind == Kind.LONE))
    )
    if not len(places) or not len(may):
        return head
    candidate = places[np.maximum(np.searchsorted(key[places], key[may], side="right") - 1, 0)]
    only_b = bodies["gates"][may] == 2
    behind = key[may] - key[candidate]
    follows = (behind >= 0) & (behind < windows.launch + only_b * windows.slow)
    head[may[follows]] = candidate[follows]
    return head


def _launches(
    bodies: Bodies, head: Places, done: Flags, lengths: Lengths, rules: Rules
) -> Launches:
    """Make one launch of each group of bodies that is done."""
    members = np.flatnonzero(done)
    if not len(members):
        return NO_LAUNCHES
    if (head[members] == members).all():
        alone = bodies[members]
        return _rows(alone, alone, lengths.at(alone["key"]), rules)
    heads, group = np.unique(head[members], return_inverse=True)
    first = bodies[heads]
    declared = lengths.at(first["key"])
    company = _company(bodies[members], group, declared, rules)
    main = members[company.main]
    launches = _rows(first, bodies[main], declared, rules)
    return _add_company(launches, bodies[main], company)


class _Company(NamedTuple):
    """Of each launch: place of its main body, its companions, transit of the first of them,
    its fragments, and its lone passages at A and B."""

    main: Places
    companions: Ints
    transit: Floats
    fragments: Ints
    lone_blocks: tuple[Ints, Ints]
    lone_gates: Ints


def _company(members: Bodies, group: Places, declared: Floats, rules: Rules) -> _Company:
    n, kind = len(declared), members["kind"]
    length = body_lengths(members, rules) / declared[group]
    fits = (np.abs(length - 1.0) <= LENGTH_TOLERANCE) & (members["used"] > 0)
    rank = np.where(kind == Kind.NORMAL, ~fits, 2)
    order = np.lexsort((np.arange(len(group)), rank, group))
    main = order[np.searchsorted(group[order], np.arange(n))]
    other = np.ones(len(group), np.bool_)
    other[main] = False
    paired = other & (members["twice"] > 0) & (kind != Kind.LONE)
    transit = np.full(n, np.nan)
    places = np.flatnonzero(paired)[::-1]
    transit[group[places]] = members["twice"][places] / 2.0
    lone = [np.flatnonzero((kind == Kind.LONE) & (members["gates"] == g)) for g in (1, 2)]
    speed = 2.0 * rules.spacing_m / np.maximum(members["twice"][main], 1)
    blocks, shorts = [], []
    for places, name in zip(lone, ("block_a", "block_b"), strict=True):
        block = members[name][places]
        seen = np.full(n, ABSENT)
        seen[group[places[::-1]]] = block[::-1]
        blocks.append(seen)
        size = np.where(block >= 0, block * (speed / declared)[group[places]], np.inf)
        shorts.append(np.bincount(group[places[size < FRAGMENT_LENGTH]], minlength=n))
    counts = [np.bincount(group[places], minlength=n) for places in lone]
    is_short = (kind != Kind.LONE) & (length < FRAGMENT_LENGTH)
    return _Company(
        main,
        np.bincount(group[other & (kind != Kind.LONE)], minlength=n) + np.maximum(*counts),
        transit,
        np.bincount(group[is_short], minlength=n) + np.maximum(*shorts),
        (blocks[0], blocks[1]),
        (counts[0] > 0) + 2 * (counts[1] > 0),
    )


def _add_company(launches: Launches, main: Bodies, company: _Company) -> Launches:
    shot = launches["shot"]
    lone = main["kind"] == Kind.LONE
    shot["companions"] = np.minimum(company.companions - lone, 0xFFFF)
    shot["companion"] = np.where(lone, np.nan, company.transit)
    flags = shot["flags"]
    flags[~lone & (company.companions > 0)] |= np.uint32(Flag.COMPANION)
    flags[~lone & (company.fragments >= FRAGMENTS)] |= np.uint32(Flag.FRAGMENTS)
    doubtful = (main["doubt"] > 0) & (company.companions > 0) & (shot["used"] == EdgesUsed.BOTH)
    shot["used"][doubtful] = EdgesUsed.LEAD
    flags[doubtful] |= np.uint32(Flag.LEAD_ONLY)
    for name, block in zip(("block_a", "block_b"), company.lone_blocks, strict=True):
        shot[name][lone] = block[lone]
    flags[lone] |= company.lone_gates.astype(np.uint32)[lone]
    return launches


_KIND_FLAGS = np.zeros(len(Kind), np.uint32)
_KIND_FLAGS[Kind.SLOW] = Flag.TOO_SLOW
_KIND_FLAGS[Kind.FAST] = Flag.TOO_FAST
_KIND_FLAGS[Kind.REVERSED] = Flag.REVERSED
_KIND_FLAGS[Kind.FLASH] = Flag.FLASH
_ONLY_FLAGS = np.array([0, 0, Flag.LEAD_ONLY, Flag.TRAIL_ONLY], np.uint32)


def _rows(first: Bodies, main: Bodies, declared: Floats, rules: Rules) -> Launches:
    """Make launches of their first and their main bodies, without companions."""
    launches = np.zeros(len(first), LAUNCH_DTYPE)
    shot = launches["shot"]
    shot["key"], shot["host_us"] = first["key"], first["host_us"]
    for name in ("end", "lead", "trail", "block_a", "block_b"):
        shot[name] = main[name]
    shot["companion"] = np.nan
    reversed_ = main["kind"] == Kind.REVERSED
    shot["used"] = np.where(reversed_, EdgesUsed.NONE, main["used"])
    flags = _KIND_FLAGS[main["kind"]] | _ONLY_FLAGS[shot["used"]]
    with np.errstate(invalid="ignore"):
        ratio = body_lengths(main, rules) / declared
        flags[ratio < 1 - LENGTH_TOLERANCE] |= np.uint32(Flag.SHORT)
        flags[ratio > 1 + LENGTH_TOLERANCE] |= np.uint32(Flag.LONG)
        fits = np.abs(ratio - 1) <= LENGTH_TOLERANCE
    lone = main["kind"] == Kind.LONE
    flags[lone] |= main["gates"][lone]
    shot["flags"] = flags
    slow = rules.windows.slow * lone
    launches["start"] = main["key"] - slow * (main["gates"] == 2)
    launches["stop"] = main["end"] + slow * (main["gates"] == 1)
    launches["sure"] = np.where(main["whole"] > 0, 2, 0) + fits
    return launches


ALLOWED_LOSS = np.array([1, 3, 3, 2**62])
"""Lost lines that cannot have changed which edges are whose, by `sure`; unknown losses are
large numbers."""


def finish_launches(
    waiting: Launches, breaks: Breaks, beats: Beats, known: int, rules: Rules
) -> tuple[Shots, Launches]:
    """Return the shots that are final, in order of key, and the launches that are not."""
    if not len(waiting):
        return NO_SHOTS, waiting
    waiting = waiting[np.argsort(waiting["shot"]["key"], kind="stable")]
    final = waiting["stop"] + rules.windows.wait <= known
    if len(beats.t) and rules.windows.wait:
        final |= waiting["stop"] <= beats.t[-1]
    final &= waiting["shot"]["key"] < known
    n = int(np.argmin(np.append(final, False)))
    done = waiting[:n]
    shots = done["shot"].copy()
    if len(breaks.mark):
        _mark_gaps(shots, done, breaks, rules)
    if len(beats.t):
        _mark_board_loss(shots, done, beats, rules)
    return shots, waiting[n:]


def _mark_gaps(shots: Shots, done: Launches, breaks: Breaks, rules: Rules) -> None:
    incomplete = done["sure"] < 2
    start, stop = done["start"] - incomplete, done["stop"] + incomplete
    begin = np.searchsorted(breaks.mark, start, side="right")
    end = np.searchsorted(breaks.before, stop, side="left")
    late = np.searchsorted(breaks.mark, done["stop"] + rules.windows.wait, side="right")
    end = np.maximum(np.minimum(end, late), begin)
    total = np.concatenate(([0], np.cumsum(breaks.lost)))
    lost = total[end] - total[begin]
    shots["flags"][end > begin] |= np.uint32(Flag.GAP)
    allowed = ALLOWED_LOSS[done["sure"]]
    if rules.lines == "plain":
        allowed[incomplete] = 0
    shots["used"][lost > allowed] = EdgesUsed.NONE


def _mark_board_loss(shots: Shots, done: Launches, beats: Beats, rules: Rules) -> None:
    lost = np.concatenate(([0], beats.lost))
    before = np.searchsorted(beats.t, done["start"], side="right")
    after = np.searchsorted(beats.t, done["stop"], side="left") + 1
    in_time = np.searchsorted(beats.t, done["stop"] + rules.windows.wait, side="right")
    after = np.maximum(np.minimum(after, in_time), before)
    shots["flags"][lost[after] > lost[before]] |= np.uint32(Flag.BOARD_LOST)


def make_unique(shots: Shots, last_key: int) -> Shots:
    """Move keys up where needed, so that they grow strictly from `last_key` on."""
    key = shots["key"]
    if len(key) and (key[0] <= last_key or (key[1:] <= key[:-1]).any()):
        place = np.arange(len(key))
        shots["key"] = np.maximum(np.maximum.accumulate(key - place), last_key + 1) + place
    return shots


def interval_shots(transit: Ints, host_us: Ints, rules: Rules) -> Shots:
    """Make a shot of each transit that the board measured itself; its key is host time."""
    shots = np.zeros(len(transit), SHOT_DTYPE)
    shots["key"] = shots["host_us"] = shots["end"] = host_us
    shots["lead"] = transit
    for name in ("trail", "block_a", "block_b"):
        shots[name] = ABSENT
    shots["companion"] = np.nan
    shots["used"] = np.where(transit > 0, EdgesUsed.LEAD, EdgesUsed.NONE)
    flags = np.full(len(transit), Flag.LEAD_ONLY, np.uint32)
    flags[transit < rules.windows.fast] |= np.uint32(Flag.TOO_FAST)
    flags[transit > rules.windows.slow] |= np.uint32(Flag.TOO_SLOW)
    shots["flags"] = flags
    return shots
