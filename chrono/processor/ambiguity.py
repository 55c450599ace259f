"""Check if the edges of a main body may belong to two different bodies.

A launch may contain several bodies; the main body gives the speed. A passage is one blocking of
one gate. If one body overtakes another between the gates, the program may pair wrong passages.
For a main body with a declared length, the program tries other pairs with one of its passages:

- From the transit and the blocking times, the program computes the length at each gate. A
  passage that is too long hides an edge: the shadows of two bodies touched. For example, a body
  of 20 mm that looks 20 mm long at gate A and 30 mm at gate B hides an edge at gate B.
- At a gate without a hidden edge, the length of another pair may be up to 15 % wrong.
- The main body is ambiguous if another pair hides fewer edges. With equally many hidden edges,
  the other pair must be closer to the declared length, by a tenth of this length. If the main
  body's two lengths differ and are over 15 % wrong, the other pair may hide more edges.
- An ambiguous main body and its companion have no transit.
- If the edges fit with and without overtaking, the program assumes that no body overtook.
"""

from typing import NamedTuple

import numpy as np

from chrono.arrays.array_types import Bools, Floats, Ints, Places
from chrono.arrays.structured_arrays import expand_runs
from chrono.processor.body_matching import are_alike
from chrono.processor.passage_pairing import CHORD_TOLERANCE, level_blocks
from chrono.processor.rig_rules import Rules
from chrono.processor.shot_records import ABSENT, EdgesUsed, Flag, Shots
from chrono.processor.shots import Launches
from chrono.processor.timeline import PassageTimes

HIDDEN = 1.1
"""A passage hides an edge if it exceeds the body and the other passage by this factor."""
BETTER = 0.1
SAME = 0.006
"""Two transits give the same speed if their relative difference is smaller than this."""


_Gates = tuple[tuple[Ints, Ints], tuple[Ints, Ints]]
"""First and last edges of all whole passages at gates A and B, in order of time."""

_TOLD_OF_A_TRANSIT = Flag.LEAD_ONLY | Flag.TRAIL_ONLY | Flag.SHORT | Flag.LONG


class _Seen(NamedTuple):
    """First and last edges of passages at gate A and at gate B, in arrays of shape (N,)."""

    a: tuple[Ints, Ints]
    b: tuple[Ints, Ints]

    @property
    def blocks(self) -> tuple[Ints, Ints]:
        """The blocking times of the passages at gate A, and at gate B."""
        return self.a[1] - self.a[0], self.b[1] - self.b[0]


class _Fit(NamedTuple):
    """Hidden edges and length error of each pair; `alike` means two equal lengths."""

    hidden: Ints
    off: Floats
    alike: Bools

    def take(self, places: Places) -> "_Fit":
        return _Fit(self.hidden[places], self.off[places], self.alike[places])


def flag_ambiguous(
    launches: Launches, passed: PassageTimes, declared_m: Floats, rules: Rules
) -> None:
    """
    Remove the transit of each ambiguous main body in the array `launches`, shape (N,).

    `passed` must contain all passages up to the slowest transit before and after the main
    bodies. `declared_m`, shape (N,), contains their declared lengths [m], NaN without a
    declared length.
    """
    places = _with_company(launches, passed, declared_m, rules)
    if not len(places):
        return
    gates = passed.whole_of(0), passed.whole_of(1)
    start, lead = launches["start"][places], launches["shot"]["lead"][places]
    own_a = _nearest(gates[0][0], start - np.minimum(lead, 0))
    own_b = _nearest(gates[1][0], start + np.maximum(lead, 0))
    own = _pairs(gates, own_a, own_b)
    owner, others = _others(gates, own_a, own_b, own, rules)
    transit, declared = launches["twice"][places] / 2, declared_m[places]
    own_fit = _fit(own, transit, declared, rules)
    is_doubtful = np.zeros(len(places), np.bool_)
    for fit, valid in _rivals(others, transit[owner], declared[owner], rules):
        better = _is_better(fit, own_fit.take(owner))
        is_doubtful[owner[valid & better]] = True
    _take_transit(launches["shot"], places[is_doubtful])


def _with_company(
    launches: Launches, passed: PassageTimes, declared_m: Floats, rules: Rules
) -> Places:
    """Return the main bodies with four edges, a declared length and other passages near."""
    shot = launches["shot"]
    asked = (shot["used"] > 0) & np.isfinite(declared_m) & (launches["lacks"] == 0)
    places = (asked & (shot["lead"] != ABSENT) & (shot["trail"] != ABSENT)).nonzero()[0]
    first = np.sort(passed.first)
    start, slow = launches["start"][places], rules.windows.slow
    near = first.searchsorted(start + slow, "right") - first.searchsorted(start - slow, "left")
    return np.asarray(places[near > 2])


def _nearest(sorted_times: Ints, wanted: Ints) -> Places:
    """For each wanted time, return the index of the nearest time in `sorted_times`."""
    after = np.minimum(np.searchsorted(sorted_times, wanted), len(sorted_times) - 1)
    before = np.maximum(after - 1, 0)
    is_before = wanted - sorted_times[before] <= sorted_times[after] - wanted
    return np.where(is_before, before, after)


def _pairs(gates: _Gates, at_a: Places, at_b: Places) -> _Seen:
    (a, a_last), (b, b_last) = gates
    return _Seen((a[at_a], a_last[at_a]), (b[at_b], b_last[at_b]))


def _others(
    gates: _Gates, own_a: Places, own_b: Places, own: _Seen, rules: Rules
) -> tuple[Places, _Seen]:
    """Return pairs with one passage of a main body: the main body's index, and the pair."""
    slow, (first_a, first_b) = rules.windows.slow, (gates[0][0], gates[1][0])
    owner_b, at_b = _ranges(first_b, own.a[0], own.a[0] + slow)
    owner_a, at_a = _ranges(first_a, own.b[0] - slow, own.b[0])
    owner = np.concatenate((owner_b, owner_a))
    at_a = np.concatenate((own_a[owner_b], at_a))
    at_b = np.concatenate((at_b, own_b[owner_a]))
    other = (at_a != own_a[owner]) | (at_b != own_b[owner])
    return owner[other], _pairs(gates, at_a[other], at_b[other])


def _ranges(sorted_times: Ints, begin: Ints, end: Ints) -> tuple[Places, Places]:
    """For each time inside a range, return the index of the range and of the time."""
    start = np.searchsorted(sorted_times, begin)
    count = np.searchsorted(sorted_times, end, side="right") - start
    return expand_runs(start, count)


def _fit(seen: _Seen, transit: Floats | Ints, declared_m: Floats, rules: Rules) -> _Fit:
    """Compare the length of each pair of passages with the declared length of the body."""
    scale = rules.spacing_m / (np.maximum(transit, 1.0) * declared_m)
    a, b = (block * scale for block in level_blocks(*seen.blocks, transit, rules))
    less, more = np.minimum(a, b), np.maximum(a, b)
    alike = more <= HIDDEN * less
    is_one = (more > HIDDEN) & ~alike
    is_two = is_one & (less > HIDDEN)
    off = np.where(is_one, np.abs(less - 1), np.maximum(more - 1, 1 - less))
    return _Fit(is_one.astype(np.int64) + is_two, np.where(is_two, 0.0, off), alike)


def _rivals(
    others: _Seen, transit: Floats, declared_m: Floats, rules: Rules
) -> list[tuple[_Fit, Bools]]:
    """Compare other pairs with the declared length; also return which pairs are possible."""
    lead, trail = (others.b[edge] - others.a[edge] for edge in (0, 1))
    a, b = others.blocks
    is_body = (lead > 0) & are_alike(a, b, lead, rules.gain, rules.windows.alike)
    found = []
    for each, may in (((lead + trail) / 2, is_body), (lead, ~is_body), (trail, ~is_body)):
        fit = _fit(others, each, declared_m, rules)
        may = may & (each >= rules.windows.fast) & (each <= rules.windows.slow)
        may &= (fit.off <= CHORD_TOLERANCE) & (np.abs(each - transit) > SAME * transit)
        found.append((fit, may))
    return found


def _is_better(rival: _Fit, own: _Fit) -> Bools:
    """Return which pairs of passages fit the declared length better than the pair in use."""
    is_odd = ~own.alike & (own.off > CHORD_TOLERANCE)
    is_like = rival.hidden == own.hidden
    better = (is_like | is_odd) & (rival.off < own.off - BETTER)
    better |= is_like & rival.alike & ~own.alike & (rival.off < own.off)
    return better | (rival.hidden < own.hidden)


def _take_transit(shot: Shots, places: Places) -> None:
    """Remove the transit of the shots at `places`, and set their flag AMBIGUOUS."""
    shot["used"][places] = EdgesUsed.NONE
    shot["companion"][places] = np.nan
    shot["flags"][places] &= ~np.uint32(_TOLD_OF_A_TRANSIT)
    shot["flags"][places] |= np.uint32(Flag.AMBIGUOUS)
