"""Check if the edges of a main body may belong to two different bodies.

In a launch of several bodies, one body may overtake another between the gates, or hide another
at a gate. For a main body with a declared length, the program compares its pair of passages
(one passage at each gate) with other pairs:

- From the transit and the blocking times, the program computes the body's length at each gate.
  A passage that is too long hides an edge, because the shadows of two bodies touched at the
  gate. If both lengths are equal, no edge is hidden.
- Another pair contains one passage of the main body and one other passage. At a gate without a
  hidden edge, its length may differ by up to 15 % from the declared length, because a body that
  crosses a beam off its middle looks shorter.
- The main body is ambiguous if another pair hides fewer edges. The main body is also ambiguous
  if another pair hides the same number of edges, and its length is closer to the declared
  length by a tenth of this length. If the main body's own lengths differ and miss the declared
  length by more than 15 %, the other pair may even hide more edges.
- An ambiguous main body and its companion have no transit.

If two bodies touch at a gate, the edges may look the same whether or not one body overtook the
other. If both cases fit, the program assumes that no body overtook another.
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
"""If a passage is more than this many times as long as the body and as the passage at the other
gate, the passage hides an edge."""
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
    """
    The result of comparing two passages with a body of the declared length.

    - `hidden`: number of gates at which an edge is hidden.
    - `off`: relative difference from the declared length, without gates that hide an edge.
    - `alike`: true if both passages are about equally long.
    """

    hidden: Ints
    off: Floats
    alike: Bools

    def take(self, places: Places) -> "_Fit":
        """Return the results of the comparison at the indices `places`."""
        return _Fit(self.hidden[places], self.off[places], self.alike[places])


def flag_ambiguous(
    launches: Launches, passed: PassageTimes, declared_m: Floats, rules: Rules
) -> None:
    """
    Remove the transit of each main body whose edges may belong to another body.

    The function changes the array `launches`.

    Parameters
    ----------
    launches : structured array of LAUNCH_DTYPE, shape (N,)
    passed : PassageTimes
        All passages up to the slowest transit before and after the main bodies.
    declared_m : ndarray, shape (N,)
        Length declared for each main body [m], NaN without a declared length.
    rules : Rules
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
    """Return the main bodies with four edges, a declared length and other passages nearby."""
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
    """
    Return other pairs with one passage of a main body: the main body's index, and the pair.
    """
    slow, (first_a, first_b) = rules.windows.slow, (gates[0][0], gates[1][0])
    owner_b, at_b = _ranges(first_b, own.a[0], own.a[0] + slow)
    owner_a, at_a = _ranges(first_a, own.b[0] - slow, own.b[0])
    owner = np.concatenate((owner_b, owner_a))
    at_a = np.concatenate((own_a[owner_b], at_a))
    at_b = np.concatenate((at_b, own_b[owner_a]))
    other = (at_a != own_a[owner]) | (at_b != own_b[owner])
    return owner[other], _pairs(gates, at_a[other], at_b[other])


def _ranges(sorted_times: Ints, begin: Ints, end: Ints) -> tuple[Places, Places]:
    """For each time that lies in a range, return the index of the range and of the time."""
    start = np.searchsorted(sorted_times, begin)
    count = np.searchsorted(sorted_times, end, side="right") - start
    return expand_runs(start, count)


def _fit(seen: _Seen, transit: Floats | Ints, declared_m: Floats, rules: Rules) -> _Fit:
    """Compare each pair of passages with a body of the declared length and this transit."""
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
    """
    Compare other pairs with the declared length; return the results, and which are possible.

    The transit comes first from both kinds of edges, then from the leading edges only, then
    from the trailing edges only.
    """
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
