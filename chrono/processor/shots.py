"""Group bodies into launches and make one shot from each launch.

A launch is all bodies that belong together. It begins with a body whose transit is possible for
the rig. The bodies that follow soon after are its companions. For example, a ball and, 20 ms
later, a felt wad make one launch and one shot. A single passage has no partner at the other
gate. A single passage can be a companion too; otherwise it makes a shot without a transit.

- The main body is the first body that has the declared length (within 25 %). Without such a
  body, it is the first body.
- If a gate saw two bodies as one, only the edges that surely belong to the main body are used.
- A body that is too fast, goes backwards or is a flash of light makes its own shot. A body that
  is too slow makes its own shot if it belongs to no launch.
- Three or more bodies shorter than half the declared length are fragments. A shot with
  fragments has no transit if its edges may belong to different bodies.
"""

from typing import NamedTuple

import numpy as np
import numpy.typing as npt

from chrono.arrays.array_types import Bools, Floats, Ints, Places, Words
from chrono.arrays.structured_arrays import choose, join
from chrono.processor.body_matching import NO_BODIES, Bodies
from chrono.processor.passage_pairing import (
    Relation,
    body_lengths,
    length_tolerance,
    speck_length,
    use_only,
)
from chrono.processor.rig_rules import Lengths, Rules
from chrono.processor.shot_records import ABSENT, SHOT_DTYPE, EdgesUsed, Flag, Shots
from chrono.processor.timeline import FOREVER, NOWHERE

FRAGMENTS = 3
MANY, CROWD = 4, 5
FRAGMENT_LENGTH = 0.5
DEBRIS_LAG = 3.0
MERGED_SHARE, MERGED_SLACK_S = 1e-3, 2e-6
ALIKE_SHARE = 3e-3

LAUNCH_DTYPE = np.dtype(
    [
        ("shot", SHOT_DTYPE),
        ("start", "i8"),  # a break after this time
        ("stop", "i8"),  # … and before this time may have hidden an edge
        ("twice", "i8"),  # twice the transit of the main body
        ("surplus", "i8"),
        ("ratio", "f8"),  # main body's length divided by the declared length
        ("lacks", "u1"),
        ("alone", "u1"),
        ("follows", "u1"),  # the first companion is whole and blocked both gates equally
    ]
)
"""A shot, and the values that later steps need."""

Launches = npt.NDArray[np.void]


class PendingBodies(NamedTuple):
    """Bodies of unfinished launches; the first launch is complete at the time `due`."""

    bodies: Bodies = NO_BODIES
    due: int = 0


NO_LAUNCHES = np.zeros(0, LAUNCH_DTYPE)
NO_SHOTS: Shots = np.zeros(0, SHOT_DTYPE)


def gather_launches(
    new: Bodies, crew: PendingBodies, known: int, lengths: Lengths, rules: Rules
) -> tuple[Launches, PendingBodies, int]:
    """
    Group bodies into launches.

    Returns
    -------
    launches : Launches
        The complete launches.
    crew : PendingBodies
        The bodies of launches that are not complete.
    known : int
        All launches before this time have been returned.
    """
    if not len(new) and known < crew.due:
        return NO_LAUNCHES, crew, min([known, *crew.bodies["key"][:1].tolist()])
    bodies = join(crew.bodies, new)
    bodies = _in_order(choose(bodies, bodies["suspect"] == 0))
    if not len(bodies):
        return NO_LAUNCHES, PendingBodies(), known
    windows = rules.windows
    key, is_lone = bodies["key"].copy(), bodies["kind"] == _LONE
    leader, head = _leaders_and_heads(bodies, key, lengths, rules)
    complete = (key + (leader | is_lone) * (windows.launch + windows.slow))[head]
    waits = (complete > known).nonzero()[0]
    crew = PendingBodies(bodies.take(waits), int(complete[waits].min(initial=FOREVER)))
    launches = _launches(bodies, head, (complete <= known).nonzero()[0], lengths, rules)
    return launches, crew, min([known, *crew.bodies["key"][:1].tolist()])


def members_of_launches(
    bodies: Bodies, lengths: Lengths, rules: Rules
) -> tuple[Places, Places]:
    """
    Find the launch of each body; the input must contain all bodies, without flicker.

    Returns
    -------
    group : ndarray of intp, shape (N,)
        Number of the launch of each body, from 0, in the order of their first edges.
    main : ndarray of intp, shape (M,)
        The index of each launch's main body.
    """
    if not len(bodies):
        return NOWHERE, NOWHERE
    _, head = _leaders_and_heads(bodies, bodies["key"].copy(), lengths, rules)
    _, begin, group = np.unique(head, return_index=True, return_inverse=True)
    main = _main_bodies(bodies, group, lengths.at(bodies["key"][begin]), rules)
    order = begin.argsort(kind="stable")
    rank = np.empty(len(order), np.intp)
    rank[order] = np.arange(len(order))
    return rank[group], main[order]


def _leaders_and_heads(
    bodies: Bodies, key: Ints, lengths: Lengths, rules: Rules
) -> tuple[Bools, Places]:
    """For each body, return if it begins a launch, and the index of the launch's first body."""
    leader = _leaders(bodies, key, lengths, rules)
    head = _heads(bodies, key, leader, lengths, rules)
    lone = ((head < 0) & (bodies["kind"] == _LONE)).nonzero()[0]
    if len(lone):
        head[lone] = lone[_group_heads(key[lone], rules.windows.launch)]
    single = (head < 0).nonzero()[0]
    head[single] = single
    return leader, head


def _in_order(bodies: Bodies) -> Bodies:
    key = bodies["key"]
    if (key[1:] > key[:-1]).all():
        return bodies
    return bodies.take(np.lexsort((bodies["gates"], bodies["kind"], key)))


def _leaders(bodies: Bodies, key: Ints, lengths: Lengths, rules: Rules) -> Bools:
    """Return which bodies begin a launch, also a launch soon after the launch before."""
    windows, kind = rules.windows, bodies["kind"]
    leader = kind == _NORMAL
    paired = (leader | (kind == _SLOW)).nonzero()[0]
    if (np.diff(key[paired]) >= windows.launch).all():
        return leader
    some = bodies.take(paired)
    declared = lengths.at(key[paired])
    ratio = _lengths_of(some, rules) / declared
    within = length_tolerance(declared, some["twice"], rules)
    fits = (np.abs(ratio - 1.0) <= within) & (some["used"] > 0)
    is_covered = some["covered"] > 0
    is_own = (fits & (some["used"] == EdgesUsed.BOTH) | is_covered).tolist()
    may_be_main = (fits | np.isnan(ratio) | is_covered).tolist()
    times, ends, normal = key[paired].tolist(), some["end"].tolist(), leader[paired].tolist()
    start = last = left = -FOREVER
    has_main = False
    for i, t in enumerate(times):
        follows = is_own[i] and has_main and t >= max(left, last + windows.series)
        if normal[i] and (t - start >= windows.launch or follows):
            start, left, has_main = t, ends[i], may_be_main[i]
        else:
            leader[paired[i]] = False
            left, has_main = max(left, ends[i]), has_main or may_be_main[i]
        last = t
    return leader


def _group_heads(key: Ints, window: int) -> Places:
    """Group times less than `window` after the first; return the first index for each time."""
    place = np.arange(len(key))
    if (key[1:] - key[:-1] >= window).all():
        return place
    heads, head = place.tolist(), 0
    times = key.tolist()
    for i, t in enumerate(times):
        if t - times[head] >= window:
            head = i
        heads[i] = head
    return np.array(heads, np.intp)


def _heads(bodies: Bodies, key: Ints, leader: Bools, lengths: Lengths, rules: Rules) -> Places:
    """Return the index of the first body in the launch of each body, or -1."""
    places = leader.nonzero()[0]
    head = np.full(len(key), -1, np.intp)
    head[places] = places
    kind = bodies["kind"]
    may = ~leader & ((kind == _NORMAL) | (kind == _SLOW) | (kind == _LONE))
    may = (may & ((kind != _LONE) | (bodies["covered"] == 0))).nonzero()[0]
    if not len(places) or not len(may):
        return head
    after = np.searchsorted(key[places], key[may], side="right")
    behind_of = places[np.maximum(after - 1, 0)]
    behind = key[may] - key[behind_of]
    window = rules.windows.launch + (bodies["gates"][may] == 2) * rules.windows.slow
    follows = (behind >= 0) & (behind < window)
    follows &= ~_are_next(bodies.take(may), bodies.take(behind_of), lengths, rules)
    ahead_of = places[np.minimum(after, len(places) - 1)]
    ahead = key[ahead_of] - key[may]
    leads = (
        (kind[may] == Relation.LONE) & (ahead >= 0) & (2 * ahead < bodies["twice"][ahead_of])
    )
    for belongs, to in ((leads, ahead_of), (follows, behind_of)):
        belongs &= _is_body(bodies[may], bodies["twice"][to], lengths.at(key[to]), rules)
        head[may[belongs]] = to[belongs]
    return head


def _are_next(lone: Bodies, leader: Bodies, lengths: Lengths, rules: Rules) -> Bools:
    """Return which single passages look like the body of the next launch."""
    declared, twice = lengths.at(leader["key"]), np.maximum(leader["twice"], 1)
    block = np.maximum(lone["block_a"], lone["block_b"])
    ratio = [
        size / declared
        for size in (_lengths_of(leader, rules), 2 * rules.spacing_m * block / twice)
    ]
    within = length_tolerance(declared, twice, rules)
    fit = [np.abs(each - 1.0) <= within for each in ratio]
    entered = lone["key"] - (lone["gates"] == 2) * twice // 2
    since = np.maximum(leader["end"], leader["key"] + rules.windows.series)
    return (lone["kind"] == _LONE) & fit[0] & fit[1] & (entered >= since)


def _is_body(bodies: Bodies, twice: Ints, declared: Floats, rules: Rules) -> Bools:
    """Return which bodies are long enough to be companions."""
    block = np.maximum(bodies["block_a"], bodies["block_b"])
    length = 2 * rules.spacing_m * block / np.maximum(twice, 1)
    small = (block >= 0) & (length < speck_length(declared, rules))
    return ~small | (bodies["kind"] != Relation.LONE)


def _launches(
    bodies: Bodies, head: Places, members: Places, lengths: Lengths, rules: Rules
) -> Launches:
    """Make launches; `head` contains the index of the first body for each body."""
    if not len(members):
        return NO_LAUNCHES
    if (head[members] == members).all():
        alone = bodies.take(members)
        return _rows(alone, alone, lengths.at(alone["key"]), rules)
    _, begin, group = np.unique(head[members], return_index=True, return_inverse=True)
    first = bodies.take(members[begin])
    declared = lengths.at(first["key"])
    company = _company(bodies.take(members), group, declared, rules)
    main = _unmerged(bodies.take(members[company.main]), company, rules)
    return _add_company(_rows(first, main, declared, rules), main, company, rules)


class _Company(NamedTuple):
    """Counts and times of the bodies in each launch; "lone" means a single passage."""

    main: Places
    companions: Ints
    transit: Floats
    alike: Bools
    fragments: Ints
    crowd: Ints
    lone_keys: tuple[Ints, Ints]
    lone_blocks: tuple[Ints, Ints]


def _company(members: Bodies, group: Places, declared: Floats, rules: Rules) -> _Company:
    n, kind = len(declared), members["kind"]
    length = _lengths_of(members, rules) / declared[group]
    main = _main_bodies(members, group, declared, rules)
    other = np.ones(len(group), np.bool_)
    other[main] = False
    paired = other & (members["twice"] > 0) & (kind != Relation.LONE)
    transit, alike = np.full(n, np.nan), np.zeros(n, np.bool_)
    places = np.flatnonzero(paired)[::-1]
    transit[group[places]] = members["twice"][places] / 2.0
    alike[group[places]] = blocked_alike(members[places], rules)
    lone = [np.flatnonzero((kind == Relation.LONE) & (members["gates"] == g)) for g in (1, 2)]
    speed = 2.0 * rules.spacing_m / np.maximum(members["twice"][main], 1)
    keys, blocks, shorts = [], [], []
    for places, name in zip(lone, ("block_a", "block_b"), strict=True):
        block = members[name][places]
        keys.append(_first_of(group[places], members["key"][places], n))
        blocks.append(_first_of(group[places], block, n))
        size = np.where(block >= 0, block * (speed / declared)[group[places]], np.inf)
        shorts.append(np.bincount(group[places[size < FRAGMENT_LENGTH]], minlength=n))
    counts = [np.bincount(group[places], minlength=n) for places in lone]
    is_short = (kind != Relation.LONE) & (length < FRAGMENT_LENGTH)
    return _Company(
        main,
        np.bincount(group[other & (kind != Relation.LONE)], minlength=n) + np.maximum(*counts),
        transit,
        alike,
        np.bincount(group[is_short], minlength=n) + np.maximum(*shorts),
        np.bincount(group[kind != Relation.LONE], minlength=n) + np.maximum(*counts),
        (keys[0], keys[1]),
        (blocks[0], blocks[1]),
    )


def _main_bodies(members: Bodies, group: Places, declared: Floats, rules: Rules) -> Places:
    """Return the index of each launch's main body."""
    length = _lengths_of(members, rules) / declared[group]
    within = length_tolerance(declared[group], members["twice"], rules)
    fits = (np.abs(length - 1.0) <= within) & (members["used"] > 0)
    rank = np.where(members["kind"] == Relation.NORMAL, ~fits, 2)
    order = np.lexsort((np.arange(len(group)), rank, group))
    return order[np.searchsorted(group[order], np.arange(len(declared)))]


def _first_of(group: Places, values: Ints, n: int) -> Ints:
    """Return the first value of each group, or ABSENT if a group has no value."""
    first = np.full(n, ABSENT)
    first[group[::-1]] = values[::-1]
    return first


def _unmerged(main: Bodies, company: _Company, rules: Rules) -> Bodies:
    """If a gate saw two bodies as one, use only edges that surely belong to the main body."""
    slack_s = MERGED_SLACK_S + 2 * rules.tick_s
    tight = MERGED_SHARE * main["twice"] / 2 + slack_s / rules.unit_s
    at_gate = main["key"], main["key"] + main["lead"]
    for more, lone, own in zip((-1, 1), company.lone_keys, at_gate, strict=True):
        merged = (lone != ABSENT) & (more * main["surplus"] > tight)
        merged &= main["kind"] == Relation.NORMAL
        for chosen, keep, name in (
            (merged & (lone > own), EdgesUsed.LEAD, "lead"),
            (merged & (lone < own), EdgesUsed.TRAIL, "trail"),
        ):
            use_only(main, chosen, keep)
            main["twice"][chosen] = 2 * main[name][chosen]
    return main


def _add_company(launches: Launches, main: Bodies, company: _Company, rules: Rules) -> Launches:
    shot = launches["shot"]
    lone = main["kind"] == Relation.LONE
    shot["companions"] = np.minimum(company.companions - lone, 0xFFFF)
    shot["companion"] = np.where(lone, np.nan, company.transit)
    flags = shot["flags"]
    flags[~lone & (company.companions > 0)] |= np.uint32(Flag.COMPANION)
    pieces = company.fragments >= FRAGMENTS
    doubtful = (pieces | (company.crowd >= MANY)) & ~_is_certain(launches, company, rules)
    flags[~lone & (pieces | doubtful)] |= np.uint32(Flag.FRAGMENTS)
    shot["used"][~lone & doubtful] = EdgesUsed.NONE
    launches["alone"], launches["follows"] = company.companions == 0, company.alike
    for name, block in zip(("block_a", "block_b"), company.lone_blocks, strict=True):
        shot[name][lone] = block[lone]
    for keys, flag in zip(company.lone_keys, (Flag.LONE_A, Flag.LONE_B), strict=True):
        flags[lone & (keys != ABSENT)] |= np.uint32(flag)
    return launches


def _is_certain(launches: Launches, company: _Company, rules: Rules) -> Bools:
    """Return for which launches all edges of the main body surely come from this body."""
    shot = launches["shot"]
    all_met = (company.lone_keys[0] == ABSENT) & (company.lone_keys[1] == ABSENT)
    fit = shot["flags"] & np.uint32(Flag.SHORT | Flag.LONG) == 0
    of_a_kind = 2 * company.transit < DEBRIS_LAG * launches["twice"]
    whole = blocked_alike(launches, rules) & (shot["used"] == EdgesUsed.BOTH)
    return all_met & fit & of_a_kind & whole & (company.crowd < CROWD)


_NORMAL, _SLOW, _LONE = int(Relation.NORMAL), int(Relation.SLOW), int(Relation.LONE)
_FAST, _FLASH = int(Relation.FAST), int(Relation.FLASH)
_KIND_FLAGS = np.zeros(len(Relation), np.uint32)
_KIND_FLAGS[Relation.SLOW] = Flag.TOO_SLOW
_KIND_FLAGS[Relation.FAST] = Flag.TOO_FAST
_KIND_FLAGS[Relation.REVERSED] = Flag.REVERSED
_KIND_FLAGS[Relation.FLASH] = Flag.FLASH
_ONLY_FLAGS = np.array([0, 0, Flag.LEAD_ONLY, Flag.TRAIL_ONLY], np.uint32)


def _rows(first: Bodies, main: Bodies, declared: Floats, rules: Rules) -> Launches:
    """Make launches without companions; the caller adds the companions."""
    launches = np.zeros(len(first), LAUNCH_DTYPE)
    shot = launches["shot"]
    shot["key"], shot["host_us"] = first["key"], first["host_us"]
    for name in ("lead", "trail", "block_a", "block_b"):
        shot[name] = main[name]
    shot["companion"] = np.nan
    shot["used"] = main["used"]
    shot["bounce"] = _bounce(main)
    flags = _KIND_FLAGS[main["kind"]] | _ONLY_FLAGS[shot["used"]]
    with np.errstate(invalid="ignore"):
        ratio = _lengths_of(main, rules) / declared
    ratio[main["kind"] == _FLASH] = np.nan
    within = length_tolerance(declared, main["twice"], rules)
    flags |= length_flags(ratio, within)
    fits = np.abs(ratio - 1.0) <= within
    is_doubtful = (main["covered"] > 0) | (main["lit"] > 0) & (main["kind"] == _NORMAL) & ~fits
    flags[is_doubtful] |= np.uint32(Flag.FLICKER)
    unsound = (main["kind"] <= _FAST) & (main["twice"] > 0) & (main["used"] == EdgesUsed.NONE)
    flags[unsound] |= np.uint32(Flag.UNSOUND)
    lone = main["kind"] == _LONE
    flags |= np.where(lone, main["gates"], 0)
    shot["flags"] = flags
    slow = rules.windows.slow * lone
    launches["start"] = main["key"] - slow * (main["gates"] == 2)
    launches["stop"] = main["end"] + slow * (main["gates"] == 1)
    launches["ratio"], launches["alone"] = ratio, True
    for name in ("twice", "surplus", "lacks"):
        launches[name] = main[name]
    return launches


def _bounce(main: Bodies) -> Floats:
    """Return the standard uncertainty of each transit from bounces and late lines."""
    lead, trail = (main[name].astype(np.float64) for name in ("u_lead", "u_trail"))
    used = main["used"]
    one = np.where(used == EdgesUsed.LEAD, lead, np.where(used == EdgesUsed.TRAIL, trail, 0.0))
    both = np.sqrt(lead * lead + trail * trail) / 2
    return np.where(used == EdgesUsed.BOTH, both, one)


def _lengths_of(bodies: Bodies, rules: Rules) -> Floats:
    return body_lengths(bodies["block_a"], bodies["block_b"], bodies["twice"], rules)


def length_flags(ratio: Floats, within: Floats) -> Words:
    """
    Return the flag SHORT or LONG for each body with a wrong length.

    `ratio` is the measured length divided by the declared length; it is NaN if a length is
    unknown. `within` is the tolerance of this ratio.
    """
    flags = np.zeros(len(ratio), np.uint32)
    with np.errstate(invalid="ignore"):
        flags[ratio < 1 - within] = Flag.SHORT
        flags[ratio > 1 + within] = Flag.LONG
    return flags


def blocked_alike(bodies: Launches | Bodies, rules: Rules) -> Bools:
    """
    Return which bodies have all four edges and blocked both gates for the same time.

    For launches, the function checks the main bodies.
    """
    tight = ALIKE_SHARE * bodies["twice"] / 2 + MERGED_SLACK_S / rules.unit_s
    return np.asarray((bodies["lacks"] == 0) & (np.abs(bodies["surplus"]) <= tight))


_MOST_KEY = 2**61


def interval_shots(transit: Ints, host_us: Ints, rules: Rules) -> Shots:
    """Make a shot from each transit that the board measured; its key is the host time."""
    shots = np.zeros(len(transit), SHOT_DTYPE)
    shots["host_us"] = host_us
    shots["key"] = np.clip(host_us, -_MOST_KEY, _MOST_KEY)
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
