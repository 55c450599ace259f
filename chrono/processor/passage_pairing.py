"""Decide if two passages can come from the same body, and compute the body's transit.

A passage is one blocking of a gate. Noise makes a gate trip several times at one edge (a
bounce). The span is the range of the edge's possible times, all equally likely; the program
uses its middle. For example, trips from 100 to 104 us give 102 us.

- No span is shorter than the shot's longest bounce, because all edges have the same noise. A
  single bounce counts √2 times. With late lines, only bounces of the same gate count.
- Two leading or trailing edges are sound if their spans are shorter than the longest unbroken
  blocking (the core), and cause a standard uncertainty of at most 1 % of the transit. The
  transit is the mean of the sound transits from leading and from trailing edges.
- The blocking times at both gates may differ by 10 %, plus 20 us, plus two counter steps, plus
  the effect of 15 m/s². If they differ more, the declared length decides: if the longer time
  fits, the mean transit is right; if the shorter time fits, only one kind of edges is used.
- A pair with a missing edge must have between a third and three times the declared length.
"""

from collections.abc import Sequence
from enum import IntEnum
from typing import NamedTuple

import numpy as np
import numpy.typing as npt

from chrono.arrays.array_types import Bools, Bytes, Floats, Ints, Places
from chrono.processor.passages import (
    CORE,
    LATE_LEAD,
    LATE_TRAIL,
    LEAD,
    TRAIL,
    WHOLE,
    Passages,
)
from chrono.processor.rig_rules import Rules
from chrono.processor.shot_records import ABSENT, EdgesUsed

MOST_U = 0.01
"""Largest relative standard uncertainty that bounce and late lines may cause in a transit
that can be trusted."""
ONLY_ONE = np.sqrt(2.0)
"""If a shot has only one bounce, the length of this bounce is multiplied by this factor."""

_MOVED = CORE | LATE_LEAD | LATE_TRAIL


class TimedPairs(NamedTuple):
    """
    Transits and blocking times of pairs of passages, in arrays of shape (N,) [counter units].

    A sound transit can be trusted. `u_lead` and `u_trail` are the standard uncertainties from
    bounce and late lines. If an edge is missing, the time is ABSENT.
    """

    lead: Ints
    trail: Ints
    is_lead_sound: Bools
    is_trail_sound: Bools
    u_lead: Floats
    u_trail: Floats
    block_a: Ints
    block_b: Ints


def time_edges(a: Passages, b: Passages) -> TimedPairs:
    """Return transits and blocking times of pairs of passages; `a[i]` and `b[i]` are a pair."""
    shared = a["marks"] & b["marks"]
    has_lead, has_trail = shared & LEAD > 0, shared & TRAIL > 0
    lead, trail = b["first"] - a["first"], b["last"] - a["last"]
    sound_lead, sound_trail = has_lead, has_trail
    u_lead = u_trail = np.zeros(len(a))
    if ((a["marks"] | b["marks"]) & _MOVED).any():
        middle_lead = _twice_lead(b) - _twice_lead(a) >> 1
        middle_trail = _twice_trail(b) - _twice_trail(a) >> 1
        sound_lead, sound_trail, u_lead, u_trail = _judge(a, b, middle_lead, middle_trail)
        sound_lead, sound_trail = sound_lead & has_lead, sound_trail & has_trail
        lead = np.where(sound_lead, middle_lead, lead)
        trail = np.where(sound_trail, middle_trail, trail)
    return TimedPairs(
        np.where(has_lead, lead, ABSENT),
        np.where(has_trail, trail, ABSENT),
        sound_lead,
        sound_trail,
        u_lead,
        u_trail,
        _block(a, sound_lead, sound_trail),
        _block(b, sound_lead, sound_trail),
    )


def _judge(
    a: Passages, b: Passages, lead: Ints, trail: Ints
) -> tuple[Bools, Bools, Floats, Floats]:
    """Return which leading and trailing transits are sound, and their uncertainties."""
    heads, tails = [[span(each) for each in (a, b)] for span in (_head, _tail)]
    sound_lead = _is_clear(heads, a, b) & (_u(heads) <= MOST_U * np.abs(lead))
    sound_trail = _is_clear(tails, a, b) & (_u(tails) <= MOST_U * np.abs(trail))
    least = _least_spans(a, b, sound_lead, sound_trail)
    u_lead, u_trail = (
        _u([np.maximum(*pair) for pair in zip(spans, least, strict=True)])
        for spans in (heads, tails)
    )
    return sound_lead, sound_trail, u_lead, u_trail


def _least_spans(
    a: Passages, b: Passages, sound_lead: Bools, sound_trail: Bools
) -> tuple[Floats, Floats]:
    """Return for each pair the shortest possible span at gate A, and at gate B."""
    at_a, at_b = (
        np.stack(
            (
                sound_lead * (each["core_first"] - each["first"]),
                sound_trail * (each["last"] - each["core_last"]),
            )
        )
        for each in (a, b)
    )
    bounces = np.concatenate((at_a, at_b))
    is_only = np.count_nonzero(bounces, axis=0) == 1
    longest = bounces.max(axis=0) * np.where(is_only, ONLY_ONE, 1.0)
    is_late = (a["marks"] | b["marks"]) & (LATE_LEAD | LATE_TRAIL) > 0
    return (
        np.where(is_late, at_a.max(axis=0), longest),
        np.where(is_late, at_b.max(axis=0), longest),
    )


def _u(spans: Sequence[Ints | Floats]) -> Floats:
    """Return the standard uncertainty of each transit, from the spans at both gates."""
    return np.asarray(np.sqrt(sum(np.square(each, dtype=np.float64) for each in spans) / 12))


def _head(passages: Passages) -> Ints:
    return passages["core_first"] - passages["lead_from"]


def _tail(passages: Passages) -> Ints:
    return passages["last"] - passages["trail_from"]


def _is_clear(spans: list[Ints], a: Passages, b: Passages) -> Bools:
    """Return which pairs blocked both gates longer than they bounced."""
    is_clear = np.ones(len(a), np.bool_)
    for span, each in zip(spans, (a, b), strict=True):
        core = each["core_last"] - each["core_first"]
        is_clear &= (span < core) | (each["marks"] & WHOLE != WHOLE)
    return is_clear


def _twice_lead(passages: Passages) -> Ints:
    return passages["lead_from"] + passages["core_first"]


def _twice_trail(passages: Passages) -> Ints:
    return passages["trail_from"] + passages["last"]


def _block(passages: Passages, sound_lead: Bools, sound_trail: Bools) -> Ints:
    """Return how long each passage blocked its gate; if an edge is not sound, its core."""
    begin = np.where(sound_lead, _twice_lead(passages), 2 * passages["core_first"])
    end = np.where(sound_trail, _twice_trail(passages), 2 * passages["core_last"])
    whole = passages["marks"] & WHOLE == WHOLE
    return np.where(whole, end - begin >> 1, ABSENT)


AGREEMENT = 0.10
ACCELERATION_MPS2 = 15.0
MOST_CHANGE = 0.5
STRANGER_RATIO = 2.0
SPECK = 0.05
LENGTH_TOLERANCE = 0.25
"""If the relative difference from the declared length is larger, a body is called short or
long."""
CHORD_TOLERANCE = 0.15
INCOMPLETE_FACTOR = 3.0


class Relation(IntEnum):
    """The relation between two passages, such as normal, slow or reversed."""

    STRANGERS = 0
    NORMAL = 1
    SLOW = 2
    FAST = 3
    REVERSED = 4
    FLASH = 5
    LONE = 6


PAIR_DTYPE = np.dtype(
    [
        ("lead", "i8"),
        ("trail", "i8"),
        ("block_a", "i8"),
        ("block_b", "i8"),
        ("twice", "i8"),  # twice the transit, known for every pair that shares an edge
        ("surplus", "i8"),  # blocking time at A minus time at B, 0 for incomplete pairs
        ("score", "f8"),  # higher: more likely one body; 0 for strangers
        ("u_lead", "f4"),  # part of the standard uncertainty that bounce and late lines cause
        ("u_trail", "f4"),
        ("used", "u1"),
        ("kind", "u1"),
        ("alike", "u1"),  # whole, and the blocking times fit one body
        ("sound", "u1"),  # reliable edges; 1: leading, 2: trailing, 3: both
    ],
    align=True,
)
Pairs = npt.NDArray[np.void]

_USED = np.array([EdgesUsed.NONE, EdgesUsed.LEAD, EdgesUsed.TRAIL, EdgesUsed.BOTH], np.uint8)
_BASE_SCORE = np.array([0.0, 1.0, 0.3, 0.3, 0.4, 0.0, 0.0])


def compare_passages(a: Passages, b: Passages, length_m: Floats, rules: Rules) -> Pairs:
    """
    Compare passages of gate A with passages of gate B; `a[i]` and `b[i]` are one pair.

    `a` and `b` are structured arrays of PASSAGE_DTYPE, shape (N,). `length_m`, shape (N,), is
    the declared length of the body [m], NaN without a declared length. Return a structured
    array of PAIR_DTYPE, shape (N,).
    """
    pairs = np.zeros(len(a), PAIR_DTYPE)
    shared = a["marks"] & b["marks"]
    has_lead, has_trail = shared & LEAD > 0, shared & TRAIL > 0
    timed = time_edges(a, b)
    for name in ("lead", "trail", "block_a", "block_b", "u_lead", "u_trail"):
        pairs[name] = getattr(timed, name)
    pairs["sound"] = timed.is_lead_sound + 2 * timed.is_trail_sound
    pairs["used"] = _USED[pairs["sound"]]
    strangers = ~(has_lead | has_trail)
    whole = has_lead & has_trail
    pairs["surplus"] = np.where(whole, surplus_of(pairs, rules), 0)
    pairs["alike"] = whole & _blocks_agree(pairs, a, b, rules)
    odd = np.flatnonzero(whole & (pairs["alike"] == 0))
    if len(odd):
        strangers[odd] = _settle(pairs, odd, length_m[odd], rules)
    pairs["twice"] = _twice(pairs)
    pairs["kind"] = _kinds(pairs["twice"], rules)
    strangers |= _implausible(pairs, length_m, rules)
    pairs["kind"][strangers] = Relation.STRANGERS
    pairs["used"][(pairs["twice"] <= 0) | strangers] = EdgesUsed.NONE
    pairs["score"] = _scores(pairs, length_m, rules)
    return pairs


_MOST_GAIN = 0.9
"""Between gate A and the middle, a body gains less than this part of its mean speed."""


def level_blocks(
    a: Ints | Floats, b: Ints | Floats, transit: Ints | Floats, rules: Rules
) -> tuple[Ints | Floats, Ints | Floats]:
    """
    Return both blocking times as if the body passed both gates at its mean speed.

    Negative times stay unchanged. On a level path, all times stay unchanged. A body with a
    steady acceleration a, a spacing d and a transit Δ has the speed d/Δ − aΔ/2 at gate A and
    d/Δ + aΔ/2 at gate B. If a body passes a gate at the speed v and blocks it for the time t,
    its mean speed during this time is √(v² − (at/2)²).
    """
    if not rules.gain:
        return a, b
    gained = np.clip(rules.gain * np.square(transit, dtype=np.float64), -_MOST_GAIN, _MOST_GAIN)
    within = rules.gain * np.asarray(transit, np.float64)
    found = []
    for block, part in ((a, 1 - gained), (b, 1 + gained)):
        changed = np.sqrt(np.maximum(part**2 - (within * block) ** 2, 0.01 * part**2))
        found.append(np.where(np.asarray(block) < 0, block, block * changed))
    return found[0], found[1]


def surplus_of(pairs: Pairs, rules: Rules) -> Ints:
    """Return the blocking time at A minus that at B, at the mean speed [counter units]."""
    a, b = pairs["block_a"], pairs["block_b"]
    if not rules.gain:
        return a - b
    at_a, at_b = level_blocks(a, b, (pairs["lead"] + pairs["trail"]) / 2, rules)
    return np.rint(np.where(np.minimum(a, b) < 0, 0.0, at_a - at_b)).astype(np.int64)


def body_lengths(a: Ints, b: Ints, twice: Ints, rules: Rules) -> Floats:
    """
    Return the lengths of bodies [m]: the mean blocking time times the speed.

    `a` and `b` are the blocking times at gates A and B, or ABSENT; `twice` is 2 × transit. A
    length is NaN if the blocking time or the transit is missing.
    """
    a, b = level_blocks(a, b, np.abs(twice) / 2, rules)  # type: ignore[assignment]
    gates = (a >= 0).astype(np.int64) + (b >= 0)
    total = np.maximum(a, 0) + np.maximum(b, 0)
    sound = (gates > 0) & (twice > 0)
    length = 2 * rules.spacing_m * total / np.where(sound, gates * twice, 1)
    length[~sound] = np.nan
    return length


def length_tolerance(declared_m: Floats, twice: Ints, rules: Rules) -> Floats:
    """Return the relative tolerance of the declared length, plus one counter step."""
    step_m = 2 * rules.spacing_m * rules.tick_s / rules.unit_s / np.maximum(twice, 1)
    return LENGTH_TOLERANCE + step_m / declared_m


def _lengths(pairs: Pairs, twice: Ints, rules: Rules) -> Floats:
    return body_lengths(pairs["block_a"], pairs["block_b"], twice, rules)


def _blocks_agree(pairs: Pairs, a: Passages, b: Passages, rules: Rules) -> Bools:
    """Return whether the blocking times of two whole passages can belong to one body."""
    changed = ACCELERATION_MPS2 * (pairs["lead"] * rules.unit_s) ** 2 / rules.spacing_m
    cores, wholes = (
        level_blocks(a[end] - a[begin], b[end] - b[begin], pairs["lead"], rules)
        for begin, end in (("core_first", "core_last"), ("first", "last"))
    )
    least, most = np.maximum(*cores), np.minimum(*wholes)
    allowed = (AGREEMENT + np.minimum(changed, MOST_CHANGE)) * least
    return least - most <= allowed + rules.windows.alike


def _settle(pairs: Pairs, odd: Places, length_m: Floats, rules: Rules) -> Bools:
    """Choose the edges of the pairs `odd` by their length; return which are two bodies."""
    part = pairs[odd]
    mean = (part["lead"] + part["trail"]) / 2
    blocks = level_blocks(part["block_a"], part["block_b"], mean, rules)
    small, big = (f(*blocks).astype(np.float64) for f in (np.minimum, np.maximum))
    off_middle = _misfit(big, mean, length_m, rules) <= CHORD_TOLERANCE
    lead, trail = (_misfit(small, part[name], length_m, rules) for name in ("lead", "trail"))
    by_lead = ~off_middle & (lead <= np.minimum(trail, LENGTH_TOLERANCE))
    by_trail = ~off_middle & ~by_lead & (trail <= LENGTH_TOLERANCE)
    use_only(part, by_lead, EdgesUsed.LEAD)
    use_only(part, by_trail, EdgesUsed.TRAIL)
    pairs[odd] = part
    settled = off_middle | by_lead | by_trail
    return ~settled & (big > STRANGER_RATIO * np.maximum(small, 1))


def _misfit(block: Floats, transit: Floats, length_m: Floats, rules: Rules) -> Floats:
    """Return the relative difference between measured and declared length; inf if unknown."""
    with np.errstate(divide="ignore", invalid="ignore"):
        misfit = np.abs(rules.spacing_m * block / (transit * length_m) - 1.0)
    return np.where((transit > 0) & np.isfinite(misfit), misfit, np.inf)


def use_only(pairs: Pairs, chosen: Bools, keep: EdgesUsed) -> None:
    """
    For the chosen pairs, use only one kind of edges and the shorter blocking time.

    `keep` is the leading or the trailing edges. The function changes `pairs`.
    """
    is_sound = pairs["sound"] & (1 if keep == EdgesUsed.LEAD else 2) > 0
    pairs["used"][chosen] = np.where(is_sound, keep, EdgesUsed.NONE)[chosen]
    a_saw_more = pairs["surplus"] > 0
    pairs["block_a"][chosen & a_saw_more] = ABSENT
    pairs["block_b"][chosen & ~a_saw_more] = ABSENT


def _twice(pairs: Pairs) -> Ints:
    lead, trail, used = pairs["lead"], pairs["trail"], pairs["used"]
    only = np.where(lead == ABSENT, trail, lead)
    only = np.where(used == EdgesUsed.TRAIL, trail, only)
    return np.where(used == EdgesUsed.BOTH, lead + trail, 2 * only)


def _kinds(twice: Ints, rules: Rules) -> Bytes:
    windows = rules.windows
    kinds = np.full(len(twice), Relation.STRANGERS, np.uint8)
    kinds[(twice < 0) & (twice >= -2 * windows.reach)] = Relation.REVERSED
    kinds[(twice >= 0) & (twice <= 2 * windows.reach)] = Relation.SLOW
    kinds[(twice >= 0) & (twice <= 2 * windows.slow)] = Relation.NORMAL
    kinds[(twice >= 0) & (twice < 2 * windows.fast)] = Relation.FAST
    return kinds


def _implausible(pairs: Pairs, length_m: Floats, rules: Rules) -> Bools:
    """Return which pairs of passages would give a body of an impossible length."""
    whole = (pairs["lead"] != ABSENT) & (pairs["trail"] != ABSENT)
    length = _lengths(pairs, np.abs(pairs["twice"]), rules)
    with np.errstate(invalid="ignore"):
        ratio = length / length_m
        small = ratio < 1 / INCOMPLETE_FACTOR
        off = ~whole & ((ratio > INCOMPLETE_FACTOR) | small)
        off |= small & (np.abs(pairs["twice"]) > 2 * rules.windows.slow)
        return off | (length < speck_length(length_m, rules))


def speck_length(length_m: Floats, rules: Rules) -> Floats:
    """Return the shortest length that a body can have [m]."""
    return SPECK * np.where(np.isnan(length_m), rules.spacing_m / 10, length_m)


def _scores(pairs: Pairs, length_m: Floats, rules: Rules) -> Floats:
    """Return a score for each pair of passages, from its kind, blocking times and length."""
    base = _BASE_SCORE[pairs["kind"]]
    blocks = level_blocks(pairs["block_a"], pairs["block_b"], pairs["twice"] / 2, rules)
    a, b = (np.array(block, np.float64) for block in blocks)
    a[a < 0] = b[b < 0] = np.nan
    alike = _likeness(a, b)
    fitting = _likeness(_lengths(pairs, pairs["twice"], rules), length_m)
    return np.where(base > 0, base + 0.3 * alike + 0.2 * fitting, 0.0)


def _likeness(x: Floats, y: Floats) -> Floats:
    """Return 1 for equal values, 0 if one is twice the other or more, ½ if one is unknown."""
    with np.errstate(invalid="ignore", divide="ignore"):
        likeness = 2.0 * np.minimum(x, y) / np.maximum(x, y) - 1.0
    return np.where(np.isfinite(likeness), np.clip(likeness, 0.0, 1.0), 0.5)
