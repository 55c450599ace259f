"""Find the passage at gate A and the passage at gate B that belong to one body.

A passage is one blocking of one gate. The program sorts the passages of both gates by time. For
example, the order A B A B usually means two bodies, and each body has one passage at each gate.

- A flash is light that trips both gates at once: two passages at different gates begin
  together, and end within a quarter of their blocking time. All other rules ignore flashes.
- A clean pair is a passage at gate A, and directly after it its only possible partner at gate
  B. Both block their gates equally long without chatter, or both have only a leading edge.
- A cluster is a group of at most 48 other passages close in time. A clean pair ends a cluster.
  The program chooses the pairs with the largest sum of scores (see `passage_pairing`).
- The bodies of a cluster keep their order. With up to 6 passages at each gate, one body may
  overtake another if this makes the sum of scores clearly larger.

A pair of passages is final when no later passage can change the pair.
"""

from typing import NamedTuple

import numpy as np
import numpy.typing as npt

from chrono.arrays.array_types import Bools, Bytes, Ints, Places
from chrono.arrays.structured_arrays import join
from chrono.processor.passage_pairing import (
    AGREEMENT,
    PAIR_DTYPE,
    Pairs,
    Relation,
    compare_passages,
    surplus_of,
)
from chrono.processor.passages import (
    CORE,
    COVERED,
    LATE_LEAD,
    LATE_TRAIL,
    LEAD,
    LIT,
    NO_PASSAGES,
    SUSPECT,
    TRAIL,
    WHOLE,
    Passages,
)
from chrono.processor.rig_rules import Lengths, Rules
from chrono.processor.shot_records import ABSENT, EdgesUsed
from chrono.processor.timeline import NOWHERE

BODY_DTYPE = np.dtype(
    [
        ("key", "i8"),  # first edge
        ("end", "i8"),  # last edge
        ("host_us", "i8"),
        ("lead", "i8"),
        ("trail", "i8"),
        ("block_a", "i8"),
        ("block_b", "i8"),
        ("twice", "i8"),
        ("surplus", "i8"),
        ("u_lead", "f4"),  # part of the uncertainty that bounce and late lines cause
        ("u_trail", "f4"),
        ("used", "u1"),
        ("kind", "u1"),
        ("sound", "u1"),
        ("gates", "u1"),  # bit 0: seen at A, bit 1: seen at B
        ("suspect", "u1"),  # in the middle of flicker
        ("covered", "u1"),  # a lamp may cover an edge
        ("lit", "u1"),  # a lamp flickers at a gate
        ("lacks", "u1"),  # missing edges: 1 leading, 2 trailing at A; 4, 8 at B
    ],
    align=True,
)
Bodies = npt.NDArray[np.void]
NO_BODIES: Bodies = np.zeros(0, BODY_DTYPE)

MAX_CLUSTER = 48
FLASH_ENDS = 0.25
MAX_CROSSING = 6
CROSSING_GAIN = 0.25

_TIMED = WHOLE | LATE_LEAD | LATE_TRAIL | CORE


class PassageQueue(NamedTuple):
    """
    Passages that are not final yet, in order of time.

    - `front_gate`, `front_first`: gate and time of the last final passage outside a flash. The
      gate is 2 before the first such passage.
    - `front_flash`: true if the last final passage and the first passage here look like a
      flash.
    - `due`: no passage here becomes final before all data up to this time are known.
    """

    passages: Passages = NO_PASSAGES
    front_gate: int = 2
    front_first: int = 0
    front_flash: bool = False
    due: int = 0


def match_passages(
    new: Passages, queue: PassageQueue, known: int, lengths: Lengths, rules: Rules
) -> tuple[Bodies, PassageQueue, int]:
    """
    Match the passages at gate A with the passages at gate B.

    Return the bodies that became final, the passages that are not final yet, and a time: all
    bodies before this time have been returned.
    """
    if not len(new) and (known < queue.due or not len(queue.passages)):
        return NO_BODIES, queue, min([known, *queue.passages["first"][:1].tolist()])
    passages = _in_order(join(queue.passages, new))
    n = int(passages["first"].searchsorted(known))
    if not n:
        return NO_BODIES, queue._replace(passages=passages, due=0), known
    seen = passages[:n]
    units = _find_units(seen, queue, rules)
    cut = _settled(seen, units, known)
    bodies, _ = _bodies(seen, units, cut, lengths, rules)
    front = units.upright[units.upright < cut]
    due = min([*units.wanted[cut:].tolist(), *passages["first"][n : n + 1].tolist()], default=0)
    queue = PassageQueue(
        passages[cut:], queue.front_gate, queue.front_first, queue.front_flash, due
    )
    if cut:
        queue = queue._replace(front_flash=bool(units.looks_flash[cut - 1]))
    if len(front):
        queue = queue._replace(
            front_gate=int(seen["gate"][front[-1]]), front_first=int(seen["first"][front[-1]])
        )
    return bodies, queue, min([known, *passages["first"][cut : cut + 1].tolist()])


def match_whole(
    passages: Passages, lengths: Lengths, rules: Rules
) -> tuple[Bodies, Places, Places]:
    """
    Match the passages of both gates, if all passages are already known.

    Return the bodies in any order, and the indices of both passages of each body, in two arrays
    of shape (N,). Both indices are equal if the body has only one passage.
    """
    order = (passages["first"] * 2 + passages["gate"]).argsort(kind="stable")
    seen = passages.take(order)
    units = _find_units(seen, PassageQueue(), rules)
    bodies, sides = _bodies(seen, units, len(seen), lengths, rules)
    one, two = (np.concatenate([NOWHERE, *places]) for places in zip(*sides, strict=True))
    return bodies, order[one], order[two]


class _Units(NamedTuple):
    """The passages as flashes, clean pairs and clusters, and the time when each is final."""

    flash: Places
    clean: tuple[Places, Places]
    other: Places
    cluster: Places
    last: Places
    wanted: Ints
    upright: Places
    looks_flash: Bools


def _in_order(passages: Passages) -> Passages:
    rank = passages["first"] * 2 + passages["gate"]
    if (rank[1:] >= rank[:-1]).all():
        return passages
    return passages.take(rank.argsort(kind="stable"))


def _find_units(seen: Passages, queue: PassageQueue, rules: Rules) -> _Units:
    windows = rules.windows
    n = len(seen)
    first, gate = seen["first"].copy(), seen["gate"].copy()
    last, wanted = np.arange(n), first + windows.slow + 2 * windows.flash
    looks_flash = _looks_flash(seen, first, gate, windows.flash)
    is_flash = looks_flash & ~np.concatenate(([queue.front_flash], looks_flash[:-1]))
    flash = is_flash.nonzero()[0]
    upright = last.copy()
    if len(flash):
        last[flash] = flash + 1
        wanted[flash] = first[flash + 1] + windows.flash
        wanted[flash + 1] = wanted[flash]
        upright = np.flatnonzero(~(is_flash | np.concatenate(([False], is_flash[:-1]))))
    pair = _clean(seen.take(upright) if len(flash) else seen, queue, rules).nonzero()[0]
    clean = upright[pair], upright[pair + 1]
    last[clean[0]] = clean[1]
    wanted[clean[1]] = wanted[clean[0]]
    in_clean = np.zeros(n, np.bool_)
    in_clean[clean[0]] = in_clean[clean[1]] = True
    other = upright[~in_clean[upright]]
    cluster = NOWHERE
    if len(other):
        block = np.searchsorted(clean[0], other)
        cluster = _clusters(first[other], gate[other], block, rules)
        ends = np.append(np.flatnonzero(np.diff(cluster)), len(other) - 1)
        last[other] = other[ends][cluster]
        wanted[other] += windows.reach
    return _Units(flash, clean, other, cluster, last, wanted, upright, looks_flash)


_NOTHING = np.zeros(0, np.bool_)
_NO_PAIRS: Pairs = np.zeros(0, PAIR_DTYPE)


def _looks_flash(seen: Passages, first: Ints, gate: Bytes, limit: int) -> Bools:
    """Return which passages look like a flash, together with the passage after them."""
    looks = np.zeros(len(seen), np.bool_)
    near = ((first[1:] - first[:-1] <= limit) & (gate[1:] != gate[:-1])).nonzero()[0]
    if len(near):
        one, two = seen.take(near), seen.take(near + 1)
        edges = one["marks"] & WHOLE
        alike = (edges == two["marks"] & WHOLE) & (edges & LEAD > 0)
        longer = np.maximum(one["last"] - one["first"], two["last"] - two["first"])
        ends = np.abs(two["last"] - one["last"]) <= np.maximum(limit, FLASH_ENDS * longer)
        looks[near] = alike & (ends | (edges & TRAIL == 0))
    return looks


def _clean(upright: Passages, queue: PassageQueue, rules: Rules) -> Bools:
    """Return which passages (without the last) form a clean pair with the next passage."""
    windows = rules.windows
    if len(upright) < 2:
        return _NOTHING
    first, last = upright["first"].copy(), upright["last"].copy()
    gate, edges = upright["gate"].copy(), upright["marks"] & _TIMED
    lead, trail = first[1:] - first[:-1], last[1:] - last[:-1]
    clean = (gate[:-1] == 0) & (gate[1:] == 1) & (edges[:-1] == edges[1:])
    clean &= in_window(lead, windows.fast, windows.slow)
    block = last - first
    whole = (edges[:-1] == WHOLE) & in_window(trail, windows.fast, windows.slow)
    whole &= are_alike(block[:-1], block[1:], lead, rules.gain, windows.alike)
    clean &= (edges[:-1] == LEAD) | whole
    ahead = np.concatenate(([queue.front_first], first[:-2])), [queue.front_gate], gate[:-2]
    rival_a = (np.concatenate(ahead[1:]) == 0) & (first[1:] - ahead[0] <= windows.slow)
    clean &= ~rival_a
    clean[:-1] &= (gate[2:] == 0) | (first[2:] - first[:-2] > windows.slow)
    return clean


# `fast_path` also compiles the next two functions, for one body at a time.


def in_window(transit: Ints, fast: float, slow: int) -> Bools:
    """Return which transits give a speed that the rig allows."""
    return (transit >= fast) & (transit <= slow)


def are_alike(block_a: Ints, block_b: Ints, transit: Ints, gain: float, slack: float) -> Bools:
    """
    Return which pairs of passages block both gates for nearly the same time.

    `gain` (see `Rules`) corrects the blocking times on a sloping path, where a body is faster
    at one gate.
    """
    gained = np.maximum(np.minimum(gain * transit * transit, 0.9), -0.9)
    at_a, at_b = block_a * (1 - gained), block_b * (1 + gained)
    allowed = AGREEMENT * np.maximum(at_a, at_b) + slack
    return np.abs(at_b - at_a) <= allowed


def _clusters(first: Ints, gate: Bytes, block: Places, rules: Rules) -> Places:
    """Return each passage's cluster number; `block` counts the clean pairs before it."""
    place = np.arange(len(first))
    limit = np.searchsorted(first, first + rules.windows.reach, side="right") - 1
    limit = np.minimum(limit, np.searchsorted(block, block, side="right") - 1)
    last_of = [np.maximum.accumulate(np.where(gate == g, place, -1)) for g in (0, 1)]
    partner = np.where(gate == 0, last_of[1][limit], last_of[0][limit])
    reached = np.maximum.accumulate(np.maximum(partner, place))
    new = np.concatenate(([True], reached[:-1] < place[1:]))
    start = np.maximum.accumulate(np.where(new, place, 0))
    new |= (place - start) % MAX_CLUSTER == 0
    return np.cumsum(new) - 1


def _settled(seen: Passages, units: _Units, known: int) -> int:
    """Return how many passages at the start of the list are final."""
    open_places = np.flatnonzero(units.wanted > known)
    limit = int(open_places[0]) if len(open_places) else len(seen)
    whole = np.flatnonzero(np.maximum.accumulate(units.last[:limit]) == np.arange(limit))
    return int(whole[-1]) + 1 if len(whole) else 0


_Sides = list[tuple[Places, Places]]


def _bodies(
    seen: Passages, units: _Units, cut: int, lengths: Lengths, rules: Rules
) -> tuple[Bodies, _Sides]:
    """Return the bodies before the index `cut`, and the indices of their passages."""
    flash = units.flash[units.flash < cut]
    clean = [places[units.clean[0] < cut] for places in units.clean]
    is_settled = units.other < cut
    paired, compared, lone = _pair_clusters(
        seen, units.other[is_settled], units.cluster[is_settled], lengths, rules
    )
    parts = [_clean_bodies(seen.take(clean[0]), seen.take(clean[1]), rules)]
    if len(compared):
        parts.append(_paired(seen.take(paired[0]), seen.take(paired[1]), compared))
    if len(lone):
        parts.append(_lone(seen.take(lone)))
    if len(flash):
        parts.append(_flashes(seen.take(flash), seen.take(flash + 1), lengths, rules))
    sides = [(clean[0], clean[1]), paired, (lone, lone), (flash, flash + 1)]
    return join(*parts), sides


def _pair_clusters(
    seen: Passages, other: Places, cluster: Places, lengths: Lengths, rules: Rules
) -> tuple[tuple[Places, Places], Pairs, Places]:
    """Pair the passages in all clusters; return the pairs and the passages left over."""
    if not len(other):
        return (NOWHERE, NOWHERE), _NO_PAIRS, NOWHERE
    at_b = seen["gate"][other] == 1
    sides = other[~at_b], other[at_b]
    counts = [np.bincount(cluster[at], minlength=cluster[-1] + 1) for at in (~at_b, at_b)]
    size = counts[0] * counts[1]
    begin = np.cumsum(size) - size
    owner = np.repeat(np.arange(len(size)), size)
    cell = np.divmod(np.arange(len(owner)) - begin[owner], counts[1][owner])
    cells_a, cells_b = (
        side[(np.cumsum(count) - count)[owner] + place]
        for side, count, place in zip(sides, counts, cell, strict=True)
    )
    one, two = seen.take(cells_a), seen.take(cells_b)
    cells = compare_passages(one, two, lengths.at(one["first"]), rules)
    score, alike = cells["score"], np.where(cells["alike"], cells["score"], 0.0)
    chosen = begin[size == 1][score[begin[size == 1]] > 0].tolist()
    for many in (size > 1).nonzero()[0].tolist():
        part, shape = slice(begin[many], begin[many] + size[many]), (-1, counts[1][many])
        pairs = align(score[part].reshape(shape).tolist(), alike[part].reshape(shape).tolist())
        chosen += [part.start + i * shape[1] + j for i, j in pairs]
    paired = cells_a[chosen], cells_b[chosen]
    is_lone = np.zeros(len(seen), np.bool_)
    is_lone[other] = True
    is_lone[np.concatenate(paired)] = False
    return paired, cells.take(chosen), is_lone.nonzero()[0]


def align(scores: list[list[float]], alike: list[list[float]]) -> list[tuple[int, int]]:
    """
    Pair the items of two sequences so that the sum of scores is as large as possible.

    Both sequences keep their order in the pairs. In sequences of up to 6 items, the order may
    change, as in (0, 1) and (1, 0), if this makes the sum of scores clearly larger.

    Parameters
    ----------
    scores : list of list of float, shape (M, N)
        Score of the pair of item i (first sequence) and item j (second sequence); 0 forbids the
        pair.
    alike : list of list of float, shape (M, N)
        The same scores, but 0 also forbids a change of order with this pair.

    Returns
    -------
    list of (i, j)
        The pairs; if several results are equally good, the earliest pairs.
    """
    m, n = len(scores), len(scores[0]) if scores else 0
    best = [[0.0] * (n + 1) for _ in range(m + 1)]
    for i in range(m - 1, -1, -1):
        for j in range(n - 1, -1, -1):
            paired = scores[i][j] + best[i + 1][j + 1] if scores[i][j] > 0 else 0.0
            best[i][j] = max(paired, best[i + 1][j], best[i][j + 1])
    pairs = _follow(scores, best)
    if min(m, n) > 1 and max(m, n) <= MAX_CROSSING:
        crossing = _align_crossing(alike)
        if sum(scores[i][j] for i, j in crossing) > best[0][0] + CROSSING_GAIN:
            return crossing
    return pairs


def _align_crossing(scores: list[list[float]]) -> list[tuple[int, int]]:
    """Pair the items in any order, with the largest possible sum of scores."""
    best: dict[int, tuple[float, list[tuple[int, int]]]] = {0: (0.0, [])}
    for i, row in enumerate(scores):
        for taken, (total, pairs) in list(best.items()):
            for j, score in enumerate(row):
                with_j = taken | 1 << j
                if (
                    score > 0
                    and with_j != taken
                    and total + score > best.get(with_j, (-1.0,))[0]
                ):
                    best[with_j] = total + score, [*pairs, (i, j)]
    return max(best.values(), key=lambda found: found[0])[1]


def _follow(scores: list[list[float]], best: list[list[float]]) -> list[tuple[int, int]]:
    pairs, i, j = [], 0, 0
    while i < len(scores) and j < len(scores[0]):
        if scores[i][j] > 0 and scores[i][j] + best[i + 1][j + 1] >= best[i][j]:
            pairs.append((i, j))
            i, j = i + 1, j + 1
        elif best[i + 1][j] >= best[i][j + 1]:
            i += 1
        else:
            j += 1
    return pairs


def _mark_lamps(bodies: Bodies, marks: Bytes) -> None:
    """Mark each body whose edges a flickering lamp may have changed."""
    bodies["covered"], bodies["lit"] = marks & COVERED > 0, marks & LIT > 0


def _clean_bodies(a: Passages, b: Passages, rules: Rules) -> Bodies:
    bodies = np.zeros(len(a), BODY_DTYPE)
    if not len(a):
        return bodies
    first, last = a["first"].copy(), a["last"].copy()
    lead, block_b = b["first"] - first, b["last"] - b["first"]
    bodies["key"], bodies["host_us"], bodies["end"] = first, a["host_us"], b["last"]
    bodies["lead"], bodies["trail"] = lead, b["last"] - last
    bodies["block_a"], bodies["block_b"] = last - first, block_b
    bodies["twice"] = lead + bodies["trail"]
    bodies["surplus"] = surplus_of(bodies, rules)
    bodies["used"], bodies["sound"] = EdgesUsed.BOTH, 3
    bodies["kind"], bodies["gates"] = Relation.NORMAL, 3
    _mark_lamps(bodies, a["marks"] | b["marks"])
    half = (a["marks"] & TRAIL == 0).nonzero()[0]
    if len(half):
        for name in ("trail", "block_a", "block_b"):
            bodies[name][half] = ABSENT
        bodies["twice"][half] = 2 * lead[half]
        bodies["surplus"][half] = 0
        bodies["used"][half], bodies["sound"][half] = EdgesUsed.LEAD, 1
        bodies["lacks"][half] = 10
    return bodies


def _paired(a: Passages, b: Passages, pairs: Pairs) -> Bodies:
    bodies = np.zeros(len(a), BODY_DTYPE)
    a_is_first = a["first"] <= b["first"]
    bodies["key"] = np.where(a_is_first, a["first"], b["first"])
    bodies["host_us"] = np.where(a_is_first, a["host_us"], b["host_us"])
    bodies["end"] = np.maximum(a["last"], b["last"])
    for name in (
        "lead",
        "trail",
        "block_a",
        "block_b",
        "twice",
        "surplus",
        "u_lead",
        "u_trail",
        "used",
        "kind",
        "sound",
    ):
        bodies[name] = pairs[name]
    bodies["gates"] = 3
    _mark_lamps(bodies, a["marks"] | b["marks"])
    bodies["lacks"] = ~a["marks"] & WHOLE | (~b["marks"] & WHOLE) << 2
    return bodies


def _lone(passages: Passages) -> Bodies:
    bodies = np.zeros(len(passages), BODY_DTYPE)
    whole = passages["marks"] & WHOLE == WHOLE
    block = np.where(whole, passages["last"] - passages["first"], ABSENT)
    is_a = passages["gate"] == 0
    bodies["key"], bodies["end"] = passages["first"], passages["last"]
    bodies["host_us"] = passages["host_us"]
    bodies["lead"] = bodies["trail"] = ABSENT
    bodies["block_a"] = np.where(is_a, block, ABSENT)
    bodies["block_b"] = np.where(is_a, ABSENT, block)
    bodies["kind"] = Relation.LONE
    bodies["gates"] = passages["gate"] + 1
    bodies["suspect"] = passages["marks"] & SUSPECT > 0
    _mark_lamps(bodies, passages["marks"])
    bodies["lacks"] = ~passages["marks"] & WHOLE
    return bodies


def _flashes(one: Passages, two: Passages, lengths: Lengths, rules: Rules) -> Bodies:
    one_is_a = one["gate"] == 0
    a, b = np.where(one_is_a, one, two), np.where(one_is_a, two, one)
    pairs = np.zeros(len(a), PAIR_DTYPE)
    compared = compare_passages(a, b, lengths.at(a["first"]), rules)
    for name in ("lead", "trail", "block_a", "block_b", "twice"):
        pairs[name] = compared[name]
    pairs["kind"], pairs["used"] = Relation.FLASH, EdgesUsed.NONE
    return _paired(a, b, pairs)
