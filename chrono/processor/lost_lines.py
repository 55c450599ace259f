"""Decide if the transit of a shot is still certain when lines were lost near the shot.

A break is a time when lines may be missing. Near a shot means up to two transits before or
after it; in reach means up to the longest transit that the rig allows. For example, if an edge
of a body is lost, the program may pair two bodies, and the transit may be too short.

- A break between a shot's edges, or where its missing edges may be, sets the flag GAP.
- A lost line that may have been a missing edge of another shot does not count.
- If both blocking times are equal, the transit stays with up to three lost lines. Otherwise,
  all lines lost near must be possible missing edges, and one more lost line may be in reach.
- If another passage is in reach, the transit stays only with one lost line, equal blocking
  times and the declared length within 25 %.
- The transit always stays if both blocking times are equal, and the length is wrong by at most
  10 % and at most half of (body length / spacing). A pair of two bodies would be more wrong.
- With a lost line in reach, a companion needs all edges and equal blocking times.
"""

from typing import NamedTuple

import numpy as np

from chrono.arrays.array_types import Bools, Floats, Ints, Places
from chrono.arrays.structured_arrays import expand_runs, part
from chrono.processor.passage_pairing import LENGTH_TOLERANCE, body_lengths
from chrono.processor.rig_rules import Rules
from chrono.processor.shot_records import EdgesUsed, Flag, Shots
from chrono.processor.shots import NO_SHOTS, Launches, blocked_alike
from chrono.processor.timeline import Beats, Breaks, PassageTimes

WHOLE_LOSS = 3
CLOSE_LENGTH, CLOSE_SHARE = 0.10, 0.5


class FinishedShots(NamedTuple):
    """
    The final shots in order of time, the launches that are not final yet, and the breaks.

    The breaks do not count lost lines that may have been missing edges of final shots.
    """

    shots: Shots
    waiting: Launches
    breaks: tuple[Breaks, Breaks]


def finish_launches(
    waiting: Launches,
    breaks: tuple[Breaks, Breaks],
    beats: Beats,
    passed: PassageTimes,
    known: int,
    rules: Rules,
) -> FinishedShots:
    """
    Return the shots that are final because all data near them are known.

    A shot is final after a beat or after enough time, and after the last break near the shot.
    `breaks` contains first the gaps between lines, then the breaks at damaged lines and lost
    links.
    """
    if not len(waiting):
        return FinishedShots(NO_SHOTS, waiting, breaks)
    key = waiting["shot"]["key"]
    if (key[1:] < key[:-1]).any():
        waiting = waiting.take(key.argsort(kind="stable"))
    end = waiting["stop"] + rules.windows.slow
    final = end + rules.windows.wait <= known
    if len(beats.t) and rules.windows.wait:
        final |= end <= beats.t[-1]
    final &= waiting["shot"]["key"] < known
    is_broken = any(len(each.mark) for each in breaks)
    around = [_within_reach(each, waiting, rules) for each in breaks] if is_broken else []
    for each, (begin, stop) in zip(breaks, around, strict=False):
        touched = (stop > begin).nonzero()[0]
        final[touched] &= np.maximum(each.latest[stop[touched] - 1], end[touched]) < known
    n = int(np.argmin(np.append(final, False)))
    shots = part(waiting[:n], "shot")
    if is_broken and n:
        breaks = _mark_gaps(shots, waiting, n, breaks, around, passed, rules)
    if len(beats.t) and n:
        _mark_board_loss(shots, waiting[:n], beats, rules)
    return FinishedShots(shots, waiting[n:], breaks)


_Ranges = tuple[Places, Places]
"""For each launch: the index of the first break that touches it, and the index after the last
break."""


def _inside(breaks: Breaks, launches: Launches, rules: Rules) -> _Ranges:
    """For each launch, return the breaks that may hide its edges."""
    lacks = launches["lacks"]
    return _ranges(breaks, breaks.mark, launches, (lacks & 1, lacks >> 3), _latest_end(rules))


def _beside(breaks: Breaks, launches: Launches, rules: Rules) -> _Ranges:
    """For each launch, return the breaks up to two transits before or after the launch."""
    near = np.minimum(rules.windows.slow, np.abs(launches["twice"]))
    soon = rules.windows.slow + rules.windows.wait
    return _ranges(breaks, breaks.mark, launches, (near, near), soon)


def _within_reach(breaks: Breaks, launches: Launches, rules: Rules) -> _Ranges:
    """For each launch, return the breaks up to the longest transit before or after."""
    slow = np.full(len(launches), rules.windows.slow)
    return _ranges(breaks, breaks.latest, launches, (slow, slow), _latest_end(rules))


def _latest_end(rules: Rules) -> int:
    """Return how long after a launch a break may end; later breaks do not count."""
    return rules.windows.slow + rules.windows.wait + rules.units(rules.stall_s / 2)


def _ranges(
    breaks: Breaks, ends: Ints, launches: Launches, reach: tuple[Ints, Ints], latest: int
) -> _Ranges:
    """For each launch, return the breaks within `reach` that end at most `latest` after it."""
    start, stop = launches["start"], launches["stop"]
    begin = np.searchsorted(ends, start - reach[0], side="right")
    end = np.searchsorted(breaks.before, stop + reach[1], side="left")
    end = np.minimum(end, np.searchsorted(breaks.mark, stop + latest, side="right"))
    return begin, np.maximum(begin, end)


def _mark_gaps(
    shots: Shots,
    launches: Launches,
    n: int,
    breaks: tuple[Breaks, Breaks],
    within_reach: list[_Ranges],
    passed: PassageTimes,
    rules: Rules,
) -> tuple[Breaks, Breaks]:
    """Mark the first `n` launches; return the breaks without edges of these launches."""
    inside, beside = (
        [find(each, launches, rules) for each in breaks] for find in (_inside, _beside)
    )
    for begin, end in inside:
        shots["flags"][(end > begin)[:n]] |= np.uint32(Flag.GAP)
    missing = _missing_edges(launches, rules)
    done, later = (part.nonzero()[0] + at for part, at in ((missing[:n], 0), (missing[n:], n)))
    after, explained = _explain(launches, missing, done, inside, breaks)
    left, explained_later = _explain(launches, missing, later, inside, after)
    explained += explained_later
    near, far = (
        explained + sum(_totals(*pair) for pair in zip(left, ranges, strict=True))
        for ranges in (beside, within_reach)
    )
    shots["companion"][(far[:n] > 0) & (launches["follows"][:n] == 0)] = np.nan
    touched = ((far[:n] > 0) & (shots["used"] > 0)).nonzero()[0]
    lost = near[touched], far[touched]
    is_doubtful = _is_doubtful(launches.take(touched), lost, missing[touched], passed, rules)
    shots["used"][touched[is_doubtful]] = EdgesUsed.NONE
    shots["flags"][touched[is_doubtful]] |= np.uint32(Flag.GAP)
    return after[0], after[1]


def _missing_edges(launches: Launches, rules: Rules) -> Ints:
    """Return for each launch how many edges may be missing because of lost lines."""
    if not rules.lines.has_levels:
        return np.zeros(len(launches), np.int64)
    lacks, off = launches["lacks"], np.abs(launches["ratio"] - 1)
    is_sure = (launches["alone"] > 0) & ~(off > LENGTH_TOLERANCE)
    is_sure &= launches["shot"]["used"] > 0
    missing = sum((lacks >> edge & 1).astype(np.int64) for edge in range(4))
    return np.where(is_sure, missing, 0)


def _explain(
    launches: Launches,
    missing: Ints,
    places: Places,
    inside: list[_Ranges],
    breaks: tuple[Breaks, Breaks],
) -> tuple[tuple[Breaks, Breaks], Ints]:
    """Return the breaks without possible missing edges, and how many each launch has."""
    explained = np.zeros(len(launches), np.int64)
    if not len(places):
        return breaks, explained
    start, stop = launches["start"][places], launches["stop"][places]
    near = []
    for kind, (each, (begin, end)) in enumerate(zip(breaks, inside, strict=True)):
        owner, one = expand_runs(begin[places], (end - begin)[places])
        is_between = (each.before[one] >= start[owner]) & (each.mark[one] <= stop[owner])
        near.append(np.stack((one, np.full(len(one), kind), ~is_between, owner)))
    columns = np.concatenate(near, axis=1)
    lost, rest = [each.lost.tolist() for each in breaks], missing[places].tolist()
    for one, kind, _, owner in columns[:, np.lexsort(columns)].T.tolist():
        taken = min(rest[owner], lost[kind][one])
        lost[kind][one] -= taken
        rest[owner] -= taken
    explained[places] = missing[places] - rest
    gaps, notes = (
        each._replace(lost=np.array(left, np.int64))
        for each, left in zip(breaks, lost, strict=True)
    )
    return (gaps, notes), explained


def _totals(breaks: Breaks, ranges: _Ranges) -> Ints:
    """Return the number of lost lines in the breaks of each launch."""
    total = np.concatenate(([0], np.cumsum(breaks.lost)))
    begin, end = ranges
    return np.asarray(total[end] - total[begin])


def _is_doubtful(
    launches: Launches,
    lost: tuple[Ints, Ints],
    missing: Ints,
    passed: PassageTimes,
    rules: Rules,
) -> Bools:
    """Return which transits may be wrong; `lost` counts the lines lost near and in reach."""
    near, far = lost
    alike, off = blocked_alike(launches, rules), np.abs(launches["ratio"] - 1)
    bearable = np.where(missing > 0, missing, np.where(alike, WHOLE_LOSS, 0))
    doubtful = (near > bearable) | (far > bearable + ~alike)
    bears_one = alike & (off <= LENGTH_TOLERANCE)
    doubtful |= _in_company(launches, passed, rules) & (far > bears_one)
    is_certain = alike & (off <= _close_length(launches, rules))
    return np.asarray(doubtful & ~is_certain)


def _close_length(launches: Launches, rules: Rules) -> Floats:
    """Return the relative length error up to which a transit always stays."""
    shot = launches["shot"]
    length = body_lengths(shot["block_a"], shot["block_b"], launches["twice"], rules)
    return np.minimum(CLOSE_LENGTH, CLOSE_SHARE * length / rules.spacing_m)


def _in_company(launches: Launches, passed: PassageTimes, rules: Rules) -> Bools:
    """Return which launches have another passage up to the longest transit away."""
    slow = rules.windows.slow
    begun = np.searchsorted(np.sort(passed.first), launches["stop"] + slow, side="right")
    ended = np.searchsorted(np.sort(passed.last), launches["start"] - slow, side="left")
    return np.asarray(begun - ended > 2)


def _mark_board_loss(shots: Shots, done: Launches, beats: Beats, rules: Rules) -> None:
    lost = np.concatenate(([0], beats.lost))
    if lost[np.searchsorted(beats.t, done["start"].min(), side="right")] == lost[-1]:
        return
    before = np.searchsorted(beats.t, done["start"], side="right")
    after = np.searchsorted(beats.t, done["stop"], side="left") + 1
    in_time = np.searchsorted(beats.t, done["stop"] + rules.windows.wait, side="right")
    after = np.maximum(np.minimum(after, in_time), before)
    shots["flags"][lost[after] > lost[before]] |= np.uint32(Flag.BOARD_LOST)
