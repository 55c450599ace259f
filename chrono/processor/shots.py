"""Group bodies into launches and make one shot from each launch.

A lone passage is a passage at one gate that has no matching passage at the other gate. These
rules decide which bodies are one launch:

- A launch begins with a body whose transit is possible for the rig. The companions of this
  first body come after it, within the launch window.
- A companion is another body, a slow body or a lone passage. A lone passage shorter than 1/20
  of the declared length is not a companion.
- A lone passage at gate B may come later than the launch window, by at most the slowest
  transit. A lone passage may also come before the first body, by less than this body's transit.
- A lone passage is not a companion if it looks like the body of the next launch: a body of the
  declared length, at the speed of this launch, would make the same passage.
- In a fast series, a launch can begin within the launch window of the launch before, if:
  - the launch before has a main body of the declared length;
  - all bodies of the launch before have left gate B;
  - the last body of the launch before came at least 25 ms earlier; and
  - the first body of the new launch has the declared length, and both its leading and its
    trailing edges give its transit. If flicker may hide an edge of this body, the program does
    not check this rule.

These rules make the shots:

- The main body is the first body whose length is within 25 % of the declared length. If there
  is no such body, the first body is the main body.
- If the main body blocks one gate longer than the other gate, and the other gate has a lone
  passage, the program assumes that the gate with the longer blocking saw two bodies as one. If
  the lone passage came after the main body, only the main body's leading edges are used. If the
  lone passage came before the main body, only its trailing edges are used.
- Each body that is too fast, goes backwards or is a flash of light is a separate shot. A body
  that is too slow and belongs to no launch is also a separate shot. Lone passages that belong
  to no launch and come within one launch window make one shot together.
- Three or more bodies shorter than half the declared length are fragments (pieces of a body).
  A shot with fragments gets the flag FRAGMENTS.
- If a launch has fragments, or four or more bodies of any length, the edges of its main body
  may be uncertain. A shot with uncertain edges gets the flag FRAGMENTS and has no transit. The
  edges are certain only if:
  - there are fewer than five bodies;
  - every passage has a partner at the other gate;
  - the next body has at least a third of the main body's speed;
  - the main body has the declared length and blocked both gates for the same time; and
  - both its leading and its trailing edges give the transit.
- A body has no transit if neither its leading edges nor its trailing edges can be used.
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
"""A shot, and the values that later steps need to finish it."""

Launches = npt.NDArray[np.void]


class PendingBodies(NamedTuple):
    """
    Bodies of launches that may still get more bodies.

    The first of these launches is complete when all data up to the time `due` are known.
    """

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
    Find the launch of each body; the input must already contain all bodies.

    Parameters
    ----------
    bodies : Bodies, shape (N,)
        Bodies in order of time, without flicker.
    lengths : Lengths
    rules : Rules

    Returns
    -------
    group : ndarray of intp, shape (N,)
        Number of the launch of each body. The first launch is number 0. The launches are in the
        order of their first edges.
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
    """Return whether each body begins a launch, and the index of its launch's first body."""
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
    """Return for each body whether it is the first body of a launch."""
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
    """
    Put times into groups; return, for each time, the index of the first time in its group.

    A group contains all times that are less than `window` later than its first time.
    """
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
    """Return for each body the index of its launch's first body; -1 without a launch."""
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
    """Return which passages at only one gate belong to the next launch."""
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
    """Make one launch from all bodies in `members` with the same first body (`head`)."""
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
    """
    Counts and times of the bodies in each launch.

    `main` is the index of the main body. `companions` is the number of companions. `transit` is
    the transit of the first companion. `alike` is true if the first companion blocked both
    gates for the same time. `fragments` is the number of bodies shorter than half the declared
    length. `crowd` is the number of all bodies. `lone_keys` and `lone_blocks` contain the time
    and the blocking time of the first lone passage (a passage at only one gate) at each gate.
    """

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
    """If a gate saw two bodies as one, use only the correct edges of the main body."""
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
    """Return which main bodies surely have only edges of one body."""
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
    """Return the standard uncertainty that bounces and late lines cause in each transit."""
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

    `ratio` is the measured length divided by the declared length, NaN if unknown. `within` is
    the tolerance.
    """
    flags = np.zeros(len(ratio), np.uint32)
    with np.errstate(invalid="ignore"):
        flags[ratio < 1 - within] = Flag.SHORT
        flags[ratio > 1 + within] = Flag.LONG
    return flags


def blocked_alike(bodies: Launches | Bodies, rules: Rules) -> Bools:
    """
    Return which bodies have all four edges and blocked both gates for the same time.

    If the input is an array of launches, the function checks their main bodies.
    """
    tight = ALIKE_SHARE * bodies["twice"] / 2 + MERGED_SLACK_S / rules.unit_s
    return np.asarray((bodies["lacks"] == 0) & (np.abs(bodies["surplus"]) <= tight))


_MOST_KEY = 2**61


def interval_shots(transit: Ints, host_us: Ints, rules: Rules) -> Shots:
    """
    Make a shot from each transit that the board itself measured.

    The key of each shot is its host time (the time by the computer's clock).
    """
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
