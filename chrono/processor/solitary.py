"""The short way for the commonest launch: one whole body, with nothing else near in time.

Four edges that make a clean pair by the rules of `matching` are a shot of their own if no
rule of any stage reaches from them to anything else:

- All other edges are further away than a launch, a transit and a step of flicker last.
- Obstacles are further away still, by the block limit too: edges that make no such shot, for
  a gate may stay open that long; breaks, and times in which the board lost edges.
- What stands at the ends of what was fed is an obstacle, as what lies beyond is not known
  here; so is all that is less than the rules' `dead` time old.

These shots are final at once. The other edges go the whole way, which would give the same.
"""

from typing import NamedTuple

import numpy as np

from chrono.processor.flicker import STRETCH_S
from chrono.processor.matching import Lengths, are_alike, in_window
from chrono.processor.pairing import Flags, body_lengths
from chrono.processor.rules import BACK_STEP_S, Rules
from chrono.processor.shots import NO_SHOTS, length_flags
from chrono.processor.table import SHOT_DTYPE, EdgesUsed, Shots
from chrono.processor.timebase import Beats, Breaks, Edges, Ints, Places

_A_CLEAR, _B_CLEAR, _A_BLOCKED, _B_BLOCKED = range(4)
"""`Edges.what` of exact edges."""

_FEWEST_EDGES = 64
"""With fewer the whole way is as quick."""

_FOREVER = 1 << 62


def take_solitary(
    edges: Edges,
    breaks: tuple[Breaks, ...],
    beats: Beats,
    known: int,
    lengths: Lengths,
    rules: Rules,
) -> tuple[Shots, Edges]:
    """
    Return the shots of the solitary launches, in order of key, and the edges of all others.

    Parameters
    ----------
    edges : Edges
        New edges of both gates.
    breaks : tuple of Breaks
    beats : Beats
    known : int
        Time before which every edge is known.
    lengths : Lengths
    rules : Rules
    """
    if len(edges.t) < _FEWEST_EDGES:
        return NO_SHOTS, edges
    starts = _group_starts(edges.t, rules)
    ends = np.append(starts[1:], len(edges.t)) - 1
    pairs, clean = _pairs(edges, starts, rules)
    others = np.ones(len(starts), np.bool_)
    others[pairs.group[clean]] = False
    others[[0, -1]] = True
    loose = edges.t[starts[others]], edges.t[ends[others]]
    newest = np.array([known - rules.windows.dead // 2]), np.array([_FOREVER])
    around = [loose, newest, _losses(beats), *((b.before, b.mark) for b in breaks)]
    alone = (clean & _far_from(around, pairs, rules)).nonzero()[0]
    pairs = _Pairs(*(column.take(alone) for column in pairs))
    others[:] = True
    others[pairs.group] = False
    rest = np.repeat(others, ends + 1 - starts).nonzero()[0]
    return _shots(pairs, edges.host_us[starts[pairs.group]], lengths, rules), edges.take(rest)


def _group_starts(t: Ints, rules: Rules) -> Places:
    """Return where groups of edges begin that are further apart than neighbours look."""
    windows = rules.windows
    apart = max(windows.launch, windows.slow, windows.quiet, rules.units(STRETCH_S))
    apart += rules.units(BACK_STEP_S)
    return np.concatenate(([0], (t[1:] - t[:-1] > apart).nonzero()[0] + 1))


class _Pairs(NamedTuple):
    """Groups of four edges that may be a body: first and last edges at gates A and B."""

    group: Places
    first_a: Ints
    last_a: Ints
    first_b: Ints
    last_b: Ints


def _pairs(edges: Edges, starts: Places, rules: Rules) -> tuple[_Pairs, Flags]:
    """Return the groups that may be a body, and which of them are a clean pair."""
    words = np.ndarray(len(edges.t) - 3, "<u4", np.ascontiguousarray(edges.what), strides=(1,))
    group = (starts[1:] - starts[:-1] == 4).nonzero()[0]
    word = words[starts.take(group)]
    is_short = word == _word(_A_BLOCKED, _A_CLEAR, _B_BLOCKED, _B_CLEAR)
    fits = is_short | (word == _word(_A_BLOCKED, _B_BLOCKED, _A_CLEAR, _B_CLEAR))
    group, is_short = group[fits], is_short[fits]
    first = starts.take(group)
    t0, t1, t2, t3 = (edges.t.take(first + i) for i in range(4))
    last_a, first_b = np.where(is_short, t1, t2), np.where(is_short, t2, t1)
    clean = in_window(first_b - t0, rules.windows) & in_window(t3 - last_a, rules.windows)
    clean &= are_alike(last_a - t0, t3 - first_b, rules) & (t3 - t0 < rules.windows.block_limit)
    clean &= (t1 >= t0) & (t2 >= t1) & (t3 >= t2)
    return _Pairs(group, t0, last_a, first_b, t3), clean


def _word(*edges: int) -> int:
    """Return four edges as one integer, the first lowest."""
    return int.from_bytes(bytes(edges), "little")


Spans = tuple[Ints, Ints]
"""Begins and ends of stretches of time."""


def _losses(beats: Beats) -> Spans:
    """Return the times between beats in which the board lost edges."""
    grown = np.diff(beats.lost, prepend=0).nonzero()[0]
    return np.append(-_FOREVER, beats.t)[grown], beats.t[grown]


def _far_from(obstacles: list[Spans], pairs: _Pairs, rules: Rules) -> Flags:
    """Tell which pairs are further from all obstacles than any rule reaches."""
    reach = rules.windows.launch + rules.windows.block_limit
    begin, end = (np.concatenate(side) for side in zip(*obstacles, strict=True))
    near = np.zeros(len(pairs.group) + 1, np.intp)
    np.add.at(near, pairs.last_b.searchsorted(begin - reach), 1)
    np.subtract.at(near, pairs.first_a.searchsorted(end + reach, side="right"), 1)
    return near.cumsum()[:-1] == 0


def _shots(pairs: _Pairs, host_us: Ints, lengths: Lengths, rules: Rules) -> Shots:
    """Make a shot of each pair."""
    _, first_a, last_a, first_b, last_b = pairs
    lead, trail = first_b - first_a, last_b - last_a
    block_a, block_b = last_a - first_a, last_b - first_b
    length = body_lengths(block_a, block_b, lead + trail, rules)
    shots = np.zeros(len(lead), SHOT_DTYPE)
    shots["key"], shots["end"], shots["host_us"] = first_a, last_b, host_us
    shots["lead"], shots["trail"] = lead, trail
    shots["block_a"], shots["block_b"] = block_a, block_b
    shots["companion"], shots["used"] = np.nan, EdgesUsed.BOTH
    shots["flags"] = length_flags(length / lengths.at(first_a))
    return shots
