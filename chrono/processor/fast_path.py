"""Quickly find the most common launch: one whole body, with nothing else near it in time.

For example, one ball gives four edges: gate A blocked, A clear, gate B blocked, B clear. Four
edges make a shot if they are a clean pair (see `body_matching`) and far from all else:

- The distance to all other edges is larger than the launch window, the slowest transit, the
  quiet time and the longest step of flicker.
- The distance to each obstacle is larger than the launch window plus the block limit (the
  longest passage). Obstacles are edges outside clean pairs, times when lines may be missing or
  when the board lost edges, and both ends of the data, because the edges outside are unknown.

The slower modules would make the same shots. The shots of this module are final at once.
"""

from typing import Any

import numpy as np

from chrono.arrays.array_types import Bools, Ints, Places, Words
from chrono.arrays.machine_code import compiled, inlined
from chrono.processor.body_matching import are_alike, in_window
from chrono.processor.flicker import STRETCH_S
from chrono.processor.passage_pairing import body_lengths, length_tolerance
from chrono.processor.rig_rules import BACK_STEP_S, Lengths, Rules
from chrono.processor.shot_records import SHOT_DTYPE, EdgesUsed, Shots
from chrono.processor.shots import length_flags
from chrono.processor.timeline import FOREVER, Beats, Breaks, Edges

_A_CLEAR, _B_CLEAR, _A_BLOCKED, _B_BLOCKED = range(4)
"""The values of `Edges.what` for edges that are not late."""

_BOTH = int(EdgesUsed.BOTH)

_in_window: Any = inlined(in_window)
_are_alike: Any = inlined(are_alike)


def take_isolated(
    edges: Edges,
    breaks: tuple[Breaks, ...],
    beats: Beats,
    known: int,
    lengths: Lengths,
    rules: Rules,
) -> tuple[Shots, Edges]:
    """
    Return the shots of single bodies with nothing near them, and the edges of all else.

    The shots are in order of time. `edges` contains the new edges of both gates. The program
    knows all edges up to the time `known`.
    """
    pairs, others = _group(edges, rules)
    newest = np.array([known - rules.windows.dead // 2]), np.array([FOREVER])
    around = [others, newest, _losses(beats), *((b.before, b.mark) for b in breaks)]
    alone = pairs[_far_from(around, edges.t.take(pairs), edges.t.take(pairs + 3), rules)]
    return _shots(alone, edges, lengths, rules), _without(alone, edges)


Spans = tuple[Ints, Ints]
"""Start times and end times, in two arrays."""


def _group(edges: Edges, rules: Rules) -> tuple[Places, Spans]:
    """Return the first edge of each clean pair, and start and end of other groups of edges."""
    windows = rules.windows
    apart = max(windows.launch, windows.slow, windows.quiet, rules.units(STRETCH_S))
    apart += rules.units(BACK_STEP_S)
    count = len(edges.t)
    pairs, begins, ends = (np.empty(count, np.int64) for _ in range(3))
    limits = windows.fast, windows.slow, windows.block_limit, rules.gain, windows.alike
    found, other = _find_groups(edges.t, edges.what, apart, *limits, pairs, begins, ends)
    return pairs[:found], (begins[:other], ends[:other])


@compiled
def _find_groups(
    t: Ints,
    what: Words,
    apart: int,
    fast: float,
    slow: int,
    block_limit: int,
    gain: float,
    slack: float,
    pairs: Places,
    begins: Ints,
    ends: Ints,
) -> tuple[int, int]:
    """Fill the three arrays; return the number of clean pairs and of other groups."""
    found = other = start = 0
    for end in range(1, len(t) + 1):
        if end < len(t) and t[end] - t[end - 1] <= apart:
            continue
        inside = start > 0 and end < len(t) and end - start == 4
        if inside and _is_pair(t, what, start, fast, slow, block_limit, gain, slack):
            pairs[found] = start
            found += 1
        else:
            begins[other] = t[start]
            ends[other] = t[end - 1]
            other += 1
        start = end
    return found, other


@inlined
def _is_pair(
    t: Ints,
    what: Words,
    start: int,
    fast: float,
    slow: int,
    block_limit: int,
    gain: float,
    slack: float,
) -> bool:
    """Return whether four edges are a clean pair."""
    leaves_first = what[start + 1] == _A_CLEAR and what[start + 2] == _B_BLOCKED
    enters_first = what[start + 1] == _B_BLOCKED and what[start + 2] == _A_CLEAR
    if what[start] != _A_BLOCKED or what[start + 3] != _B_CLEAR:
        return False
    if not (leaves_first or enters_first):
        return False
    first_a, last_a, first_b, last_b = _times(t, what, start)
    in_order = t[start] <= t[start + 1] <= t[start + 2] <= t[start + 3]
    block_a, block_b = last_a - first_a, last_b - first_b
    lead, trail = first_b - first_a, last_b - last_a
    in_time = _in_window(lead, fast, slow) and _in_window(trail, fast, slow)
    alike = _are_alike(block_a, block_b, lead, gain, slack)
    return in_order and in_time and alike and last_b - first_a < block_limit


@inlined
def _times(t: Ints, what: Words, start: int) -> tuple[int, int, int, int]:
    """Return the times of a pair's four edges: first and last at gate A, then at gate B."""
    if what[start + 1] == _A_CLEAR:
        return t[start], t[start + 1], t[start + 2], t[start + 3]
    return t[start], t[start + 2], t[start + 1], t[start + 3]


def _losses(beats: Beats) -> Spans:
    """Return start and end of each time between two beats in which the board lost edges."""
    grown = np.diff(beats.lost, prepend=0).nonzero()[0]
    return np.append(-FOREVER, beats.t)[grown], beats.t[grown]


def _far_from(obstacles: list[Spans], first: Ints, last: Ints, rules: Rules) -> Bools:
    """Return which pairs of passages have no obstacle near them in time."""
    reach = rules.windows.launch + rules.windows.block_limit
    begin, end = (np.concatenate(side) for side in zip(*obstacles, strict=True))
    near = np.zeros(len(first) + 1, np.intp)
    np.add.at(near, last.searchsorted(begin - reach), 1)
    np.subtract.at(near, first.searchsorted(end + reach, side="right"), 1)
    return near.cumsum()[:-1] == 0


def _shots(pairs: Places, edges: Edges, lengths: Lengths, rules: Rules) -> Shots:
    """Make one shot from each pair of passages."""
    shots = np.zeros(len(pairs), SHOT_DTYPE)
    twice, block_a, block_b = spans = np.empty((3, len(pairs)), np.int64)
    _fill(shots, spans, pairs, edges)
    length_m = body_lengths(block_a, block_b, twice, rules)
    declared_m = lengths.at(edges.t.take(pairs))
    tolerance = length_tolerance(declared_m, twice, rules)
    shots["flags"] = length_flags(length_m / declared_m, tolerance)
    return shots


@compiled
def _fill(shots: Shots, spans: Ints, pairs: Places, edges: Edges) -> None:
    """Fill `shots`; write 2 × transit and both blocking times into `spans`."""
    for place, start in enumerate(pairs):
        first_a, last_a, first_b, last_b = _times(edges.t, edges.what, start)
        block_a, block_b = last_a - first_a, last_b - first_b
        lead, trail = first_b - first_a, last_b - last_a
        spans[0, place], spans[1, place], spans[2, place] = lead + trail, block_a, block_b
        shot = shots[place]
        shot.key, shot.host_us = first_a, edges.host_us[start]
        shot.lead, shot.trail = lead, trail
        shot.block_a, shot.block_b = block_a, block_b
        shot.companion, shot.used = np.nan, _BOTH


def _without(pairs: Places, edges: Edges) -> Edges:
    """Return the edges that do not belong to any pair in `pairs`."""
    count = len(edges.t) - 4 * len(pairs)
    times = np.empty((2, count), np.int64)
    rest = Edges(times[0], times[1], np.empty(count, np.uint32))
    _fill_rest(rest, pairs, edges)
    return rest


@compiled
def _fill_rest(rest: Edges, pairs: Places, edges: Edges) -> None:
    kept = pair = place = 0
    while place < len(edges.t):
        if pair < len(pairs) and place == pairs[pair]:
            pair += 1
            place += 4
            continue
        rest.t[kept], rest.host_us[kept] = edges.t[place], edges.host_us[place]
        rest.what[kept] = edges.what[place]
        kept += 1
        place += 1
