"""Group the edges of one gate into passages.

At an edge, a gate becomes blocked or clear. A passage is all edges of one body at one gate. If
the gate cannot separate two bodies, they make one passage. For example, gate A becomes blocked
at 1.000 s and clear at 1.002 s: these two edges are one passage. After the time `quiet` without
an edge, the next edge begins a new passage. If the gate is blocked, the program waits for the
time `block_limit` instead.

- The first edge is the leading edge, the last edge is the trailing edge. If one of them is
  missing, the passage is incomplete. All other edges are chatter.
- The core is the longest time in the passage for which the gate stayed blocked.
- A stuck passage lasts at least `block_limit` or has more than 1024 edges. Only its leading
  edge is used.
- A late edge happened after the edge before it, and at its stated time at the latest.
"""

from typing import NamedTuple

import numpy as np
import numpy.typing as npt

from chrono.arrays.array_types import Bools, Places, Words
from chrono.arrays.structured_arrays import expand_runs
from chrono.processor.rig_rules import RuleTimes
from chrono.processor.timeline import LATE, NO_BODY, NO_EDGES, Edges, PassageTimes

PASSAGE_DTYPE = np.dtype(
    [
        ("first", "i8"),  # first edge
        ("last", "i8"),  # trailing edge; the first edge if there is no trailing edge
        ("core_first", "i8"),  # start and end of the core
        ("core_last", "i8"),
        ("lead_from", "i8"),  # earliest time of the leading edge; `core_first` is the latest
        ("trail_from", "i8"),  # earliest time of the trailing edge; `last` is the latest
        ("host_us", "i8"),  # computer's clock when the first edge's line was read
        ("gate", "u1"),
        ("marks", "u1"),  # bits below
    ],
    align=True,
)

LEAD, TRAIL, LATE_LEAD, LATE_TRAIL, CORE = 1, 2, 4, 8, 16
"""The bits of `marks` have these meanings. LEAD and TRAIL: the passage has a leading edge, a
trailing edge. LATE_LEAD and LATE_TRAIL: this edge is a late edge. CORE: the core is shorter
than the passage."""

SUSPECT, COVERED, LIT = 32, 64, 128
"""The rules for flicker set these bits of `marks`. SUSPECT: the passage may be flicker.
COVERED: flicker may hide an edge. LIT: the lamp is on."""

WHOLE = LEAD | TRAIL

Passages = npt.NDArray[np.void]
NO_PASSAGES: Passages = np.zeros(0, PASSAGE_DTYPE)

MAX_EDGES = 1024


class OpenGroups(NamedTuple):
    """Edges of unfinished passages; `passed_over`: gates whose passage was returned already."""

    edges: Edges
    passed_over: frozenset[int]


NO_GROUPS = OpenGroups(NO_EDGES, frozenset())


def group_passages(
    new: Edges, carried: OpenGroups, known: int, windows: RuleTimes
) -> tuple[Passages, OpenGroups, int]:
    """
    Group edges into passages.

    Returns
    -------
    passages : Passages
        The final passages, first of gate A, then of gate B.
    groups : OpenGroups
        The edges of all unfinished passages, for the next call.
    known : int
        All passages before this time have been returned.
    """
    edges = _by_gate(new, carried.edges)
    if not len(edges.t):
        return NO_PASSAGES, NO_GROUPS, known
    starts = _group_starts(edges, windows)
    ends = np.append(starts[1:], len(edges.t)) - 1
    stuck = edges.t[ends] - edges.t[starts] >= windows.block_limit
    stuck |= ends - starts >= MAX_EDGES
    out = np.ones(len(starts), np.bool_)
    for group in _firsts(edges, starts):
        out[group] = int(edges.what[starts[group]] & 1) not in carried.passed_over
    still_open = []
    for group in _lasts(edges, starts):
        state = _state(edges, int(starts[group]), int(ends[group]), known, windows)
        if state == _CLOSED:
            continue
        is_passed_over = not out[group] or stuck[group] or state == _DECIDED
        out[group] &= is_passed_over
        still_open.append((int(starts[group]), int(ends[group]), is_passed_over))
    groups, known = _carry(edges, still_open, known)
    return _passages(edges, starts[out], ends[out], stuck[out]), groups, known


def passages_of_edges(edges: Edges, windows: RuleTimes) -> tuple[Places, Places]:
    """
    Find the passage of each edge; the input must contain all edges.

    Returns
    -------
    order : ndarray of intp, shape (N,)
        Indices of the edges, first of gate A, then of gate B.
    passage : ndarray of intp, shape (N,)
        For each edge in this order, the index of its passage in the result of `group_passages`.
    """
    order = (edges.what & 1).argsort(kind="stable")
    begins = np.zeros(len(order), np.intp)
    if len(order):
        begins[_group_starts(edges.take(order), windows)] = 1
    return order, begins.cumsum() - 1


def passage_times(passages: Passages) -> PassageTimes:
    """Return the first edge, last edge and gate of each passage; `NO_BODY` if incomplete."""
    is_whole = passages["marks"] & WHOLE == WHOLE
    gate = np.where(is_whole, passages["gate"], np.uint8(NO_BODY))
    return PassageTimes(passages["first"].copy(), passages["last"].copy(), gate)


_CLOSED, _DECIDED, _WAITING = range(3)


def _by_gate(new: Edges, carried: Edges) -> Edges:
    """Return all edges of gate A, then all edges of gate B."""
    edges = carried.followed_by(new) if len(carried.t) else new
    at_b = (edges.what & 1).astype(np.bool_)
    return edges.take(np.concatenate(((~at_b).nonzero()[0], at_b.nonzero()[0])))


def _level(what: Words) -> Words:
    return what >> np.uint32(1) & np.uint32(3)


def _group_starts(edges: Edges, windows: RuleTimes) -> Places:
    t, what = edges.t, edges.what
    step, level = t[1:] - t[:-1], _level(what)
    blocked = (level[:-1] == 1) & (level[1:] == 0)
    boundary = (step >= windows.quiet) & ~blocked
    boundary |= step >= windows.block_limit
    boundary |= (what[1:] ^ what[:-1]) & 1 == 1
    return np.concatenate(([0], boundary.nonzero()[0] + 1))


def _firsts(edges: Edges, starts: Places) -> list[int]:
    """Return the index of the first passage of each gate."""
    split = int(np.searchsorted(edges.what[starts] & 1, 1))
    return [group for group in (0, split) if group < len(starts)]


def _lasts(edges: Edges, starts: Places) -> list[int]:
    """Return the index of the last passage of each gate."""
    split = int(np.searchsorted(edges.what[starts] & 1, 1))
    return sorted({group for group in (split - 1, len(starts) - 1) if group >= 0})


def _state(edges: Edges, start: int, end: int, known: int, windows: RuleTimes) -> int:
    """Return whether a passage is complete, fixed already (gate still blocked), or waiting."""
    blocked = int(edges.what[end]) >> 1 & 3 == 1
    if known >= int(edges.t[end]) + (windows.block_limit if blocked else windows.quiet):
        return _CLOSED
    if blocked and known >= int(edges.t[start]) + windows.block_limit:
        return _DECIDED
    return _WAITING


def _carry(
    edges: Edges, still_open: list[tuple[int, int, bool]], known: int
) -> tuple[OpenGroups, int]:
    """Return the edges for the next call, and the time before which no passage is missing."""
    if not still_open:
        return NO_GROUPS, known
    kept = np.concatenate(
        [np.arange(end if passed else start, end + 1) for start, end, passed in still_open]
    )
    passed_over = frozenset(int(edges.what[e] & 1) for _, e, passed in still_open if passed)
    waiting = [int(edges.t[start]) for start, _, passed in still_open if not passed]
    groups = OpenGroups(edges.take(kept), passed_over)
    return groups, min([known, *waiting])


def _passages(edges: Edges, starts: Places, ends: Places, stuck: Bools) -> Passages:
    t, head, tail = edges.t, edges.what[starts], edges.what[ends]
    passages = np.zeros(len(starts), PASSAGE_DTYPE)
    has_lead = _level(head) != 0
    has_trail = (_level(tail) == 0) & ~stuck
    nothing = ~has_lead & ~has_trail
    passages["first"] = passages["core_first"] = t[starts]
    last = np.where(has_trail, ends, starts)
    passages["last"] = passages["core_last"] = t[last]
    earliest = edges.earliest
    passages["lead_from"], passages["trail_from"] = earliest[starts], earliest[last]
    passages["host_us"] = edges.host_us[starts]
    passages["gate"] = head & 1
    late = edges.what & LATE
    passages["marks"] = (
        has_lead * LEAD
        + (has_trail | nothing) * TRAIL
        + (has_lead & (late[starts] > 0)) * LATE_LEAD
        + (late[last] > 0) * LATE_TRAIL
    )
    merged = np.flatnonzero((ends - starts > 1 - (has_lead ^ has_trail)) & ~stuck)
    if len(merged):
        whole = (has_lead & has_trail)[merged]
        _find_cores(edges, passages, merged[whole], starts[merged[whole]], ends[merged[whole]])
        _mark_chatter(
            edges, passages, merged[~whole], starts[merged[~whole]], ends[merged[~whole]]
        )
    return passages


def _find_cores(
    edges: Edges, passages: Passages, merged: Places, starts: Places, ends: Places
) -> None:
    """Store the core of each complete passage with chatter."""
    if not len(merged):
        return
    sizes = ends - starts
    group, edge = expand_runs(starts, sizes)
    level = _level(edges.what)
    length = np.where(
        (level[edge] == 1) & (level[edge + 1] == 0), edges.t[edge + 1] - edges.t[edge], -1
    )
    order = np.lexsort((-length, group))
    best = order[np.cumsum(sizes) - sizes]
    found = length[best] >= 0
    merged, best = merged[found], edge[best[found]]
    passages["core_first"][merged] = edges.t[best]
    passages["core_last"][merged] = edges.t[best + 1]
    passages["trail_from"][merged] = edges.earliest[best + 1]
    late = edges.what & LATE > 0
    bounds = late[best] * LATE_LEAD + late[best + 1] * LATE_TRAIL + CORE
    passages["marks"][merged] |= bounds.astype(np.uint8)


def _mark_chatter(
    edges: Edges, passages: Passages, places: Places, starts: Places, ends: Places
) -> None:
    """Store the uncertain time of the one known edge of each incomplete passage."""
    known = _level(edges.what[ends]) < 2
    places, starts, ends = places[known], starts[known], ends[known]
    has_lead = passages["marks"][places] & LEAD > 0
    passages["core_first"][places[has_lead]] = edges.t[ends[has_lead]]
    passages["core_last"][places[~has_lead]] = edges.t[starts[~has_lead]]
    passages["trail_from"][places[~has_lead]] = edges.earliest[starts[~has_lead]]
    passages["marks"][places] |= np.uint8(CORE)
