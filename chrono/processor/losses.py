"""Lines lost about a shot: is its transit certain all the same, and when is the shot final?

- A break between first and last edge, or in the time in which the missing partner could have
  come, is a gap.
- Lines lost up to twice the transit before and after may have been another body's, but for
  those that another shot's missing edges explain: where no beat comes between two shots, one
  break reaches from the one to the other.
- The transit is kept if both gates saw the body alike and at most three such lines were lost
  (any number if the length is the declared one within 10 %), or if its own missing edges
  explain every one of them and no other body is near; never on lines that give no levels.
- Edges the board lost between the beats around a shot set `board-lost`.
- A shot is final once a beat or enough time has passed, and everything is known up to the end
  of the last break near it.
"""

from typing import Any, NamedTuple

import numpy as np

from chrono.arrays.records import part
from chrono.processor.pairing import LENGTH_TOLERANCE
from chrono.processor.rules import Rules
from chrono.processor.shots import NO_SHOTS, Launches, blocked_alike
from chrono.processor.table import EdgesUsed, Flag, Shots
from chrono.processor.timeline import Beats, Breaks, Ints, Places

WHOLE_LOSS, ANY_LOSS = 3, 2**62
CLOSE_LENGTH = 0.10


class Finished(NamedTuple):
    """The shots that are final, in order of key, the launches that are not, and the breaks
    less what the missing edges of those shots explain."""

    shots: Shots
    waiting: Launches
    breaks: tuple[Breaks, Breaks]


def finish_launches(
    waiting: Launches, breaks: tuple[Breaks, Breaks], beats: Beats, known: int, rules: Rules
) -> Finished:
    """
    Finish the launches whose surroundings are known.

    `breaks` are the gaps between lines, and the notes of damaged lines and lost links.
    """
    if not len(waiting):
        return Finished(NO_SHOTS, waiting, breaks)
    key = waiting["shot"]["key"]
    if (key[1:] < key[:-1]).any():
        waiting = waiting.take(key.argsort(kind="stable"))
    end = waiting["stop"] + rules.windows.slow
    final = end + rules.windows.wait <= known
    if len(beats.t) and rules.windows.wait:
        final |= end <= beats.t[-1]
    final &= waiting["shot"]["key"] < known
    is_broken = any(len(each.mark) for each in breaks)
    around = [_ranges(each, waiting, True, rules) for each in breaks] if is_broken else []
    for each, (begin, stop) in zip(breaks, around, strict=False):
        touched = (stop > begin).nonzero()[0]
        final[touched] &= each.mark[stop[touched] - 1] < known
    n = int(np.argmin(np.append(final, False)))
    shots = part(waiting[:n], "shot")
    if is_broken and n:
        breaks = _mark_gaps(shots, waiting, n, breaks, around, rules)
    if len(beats.t) and n:
        _mark_board_loss(shots, waiting[:n], beats, rules)
    return Finished(shots, waiting[n:], breaks)


_Ranges = tuple[Places, Places]
"""Of each launch: places of the first break that touches it and of the one behind the last."""


def _ranges(breaks: Breaks, launches: Launches, widely: bool, rules: Rules) -> _Ranges:
    """Return which breaks touch each launch itself, or the time in which others may be near."""
    start, stop, lacks = launches["start"], launches["stop"], launches["lacks"]
    slow = rules.windows.slow
    limit = stop + slow + rules.windows.wait
    near = np.minimum(slow, np.abs(launches["twice"])) if widely else 0
    first, last = start - near, stop + near
    if not widely:
        first, last = start - (lacks & 1), stop + (lacks >> 3)
    begin = np.searchsorted(breaks.mark, first, side="right")
    end = np.searchsorted(breaks.before, last, side="left")
    end = np.minimum(end, np.searchsorted(breaks.mark, limit, side="right"))
    return begin, np.maximum(begin, end)


def _mark_gaps(
    shots: Shots,
    launches: Launches,
    n: int,
    breaks: tuple[Breaks, Breaks],
    around: list[_Ranges],
    rules: Rules,
) -> tuple[Breaks, Breaks]:
    """Judge the first `n` launches; return the breaks less what their edges explain."""
    inside = [_ranges(each, launches, False, rules) for each in breaks]
    for begin, end in inside:
        shots["flags"][(end > begin)[:n]] |= np.uint32(Flag.GAP)
    missing = _missing_edges(launches, rules)
    explained = np.zeros(len(launches), np.int64)
    left = [each._replace(lost=each.lost.copy()) for each in breaks]
    after = left
    for place in missing.nonzero()[0].tolist():
        if place >= n and after is left:
            after = [each._replace(lost=each.lost.copy()) for each in left]
        explained[place] = _explain(launches[place], int(missing[place]), place, inside, left)
    lost = explained + sum(_totals(*pair) for pair in zip(left, around, strict=True))
    touched = ((lost[:n] > 0) & (shots["used"] > 0)).nonzero()[0]
    bearable = _bearable_loss(launches.take(touched), missing[touched], rules)
    doubtful = touched[lost[touched] > bearable]
    shots["used"][doubtful] = EdgesUsed.NONE
    shots["flags"][doubtful] |= np.uint32(Flag.GAP)
    return after[0], after[1]


def _missing_edges(launches: Launches, rules: Rules) -> Ints:
    """Return how many lost lines the missing edges of each launch explain."""
    if rules.lines != "framed":
        return np.zeros(len(launches), np.int64)
    lacks, off = launches["lacks"], np.abs(launches["ratio"] - 1)
    is_sure = (launches["alone"] > 0) & ~(off > LENGTH_TOLERANCE)
    is_sure &= launches["shot"]["used"] > 0
    missing = sum((lacks >> edge & 1).astype(np.int64) for edge in range(4))
    return np.where(is_sure, missing, 0)


def _explain(
    launch: Any, missing: int, place: int, inside: list[_Ranges], left: list[Breaks]
) -> int:
    """
    Take what a launch's missing edges explain out of the lines lost in breaks, in place.

    First in the breaks between its edges: what is missing there can be nowhere else.
    """
    rest = missing
    for is_between in (True, False):
        for (begin, end), breaks in zip(inside, left, strict=True):
            for one in range(begin[place], end[place]):
                within = breaks.before[one] >= launch["start"]
                if (within and breaks.mark[one] <= launch["stop"]) == is_between:
                    taken = min(rest, int(breaks.lost[one]))
                    breaks.lost[one] -= taken
                    rest -= taken
    return missing - rest


def _totals(breaks: Breaks, ranges: _Ranges) -> Ints:
    """Return how many lines were lost in each range."""
    total = np.concatenate(([0], np.cumsum(breaks.lost)))
    begin, end = ranges
    return np.asarray(total[end] - total[begin])


def _bearable_loss(launches: Launches, missing: Ints, rules: Rules) -> Ints:
    """Return how many lines may be lost around each and its transit still be certain."""
    alike = blocked_alike(launches, rules)
    bearable = np.where(alike, WHOLE_LOSS, 0)
    bearable[alike & (np.abs(launches["ratio"] - 1) <= CLOSE_LENGTH)] = ANY_LOSS
    return np.where(missing > 0, missing, bearable)


def _mark_board_loss(shots: Shots, done: Launches, beats: Beats, rules: Rules) -> None:
    lost = np.concatenate(([0], beats.lost))
    if lost[np.searchsorted(beats.t, done["start"].min(), side="right")] == lost[-1]:
        return
    before = np.searchsorted(beats.t, done["start"], side="right")
    after = np.searchsorted(beats.t, done["stop"], side="left") + 1
    in_time = np.searchsorted(beats.t, done["stop"] + rules.windows.wait, side="right")
    after = np.maximum(np.minimum(after, in_time), before)
    shots["flags"][lost[after] > lost[before]] |= np.uint32(Flag.BOARD_LOST)
