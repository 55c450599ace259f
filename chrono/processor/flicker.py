"""Separate lamp flicker at a gate from bodies.

A passage is one blocking of a gate. A flickering lamp makes passages at equal steps (the time
from one leading edge to the next); for example, one passage every 10 ms at 100 Hz.

- The program looks at 13 passages of one gate in a row, at most 0.11 s apart. The gate flickers
  if at least 7 of their 12 steps are within 10 % of the median, and the median is the period of
  a lamp with 40 to 2000 Hz. All limits are one counter tick wider.
- A passage fits if the step to a neighbour is one, two or three periods, within 10 % of a
  period, or if the next passage but one is one period away. To fit closely, the limit is eight
  times the median deviation of the steps, but at least 1 % of a period.
- Flicker fits closely and has 0.5 to 1.5 times the median blocking time. Other passages that
  fit are SUSPECT: they are bodies only if they have a partner at the other gate.
- COVERED marks a body if a change of the lamp may have replaced one of its edges. LIT marks
  each passage while a gate flickers; it has a transit only with the declared length.
"""

from dataclasses import dataclass, replace
from typing import NamedTuple

import numpy as np
from numpy.lib.stride_tricks import sliding_window_view

from chrono.arrays.array_types import Bools, Floats, Ints, Places
from chrono.arrays.structured_arrays import choose, copy, join
from chrono.processor.passages import COVERED, LEAD, LIT, NO_PASSAGES, SUSPECT, Passages
from chrono.processor.rig_rules import SERIES_S, Rules

WINDOW = 13
STEPS_ALIKE = 7
TOLERANCE = 0.10
MOST_PERIODS = 3
DEVIATIONS, LEAST_TOLERANCE = 8.0, 0.01
PERIODS_S = (0.5e-3, SERIES_S)
STRETCH_S = 0.11
SPAN_GAP_S = 2.0


@dataclass(frozen=True)
class FlickerSpan:
    """
    A span of time in which a lamp flickered at one gate.

    Attributes
    ----------
    gate : int
        0 for gate A, 1 for gate B.
    first, last : int
        Times of the first and the last passage in the span [counter units].
    count : int
        Number of passages in the span.
    steps, stepped : int
        Number of steps of one period from a passage to the next, and the sum of these steps
        [counter units].
    blocked : int
        Sum of the blocking times [counter units].
    unit_s : float
        Time of one counter unit [s].
    """

    gate: int
    first: int
    last: int
    count: int
    steps: int
    stepped: int
    blocked: int
    unit_s: float

    @property
    def frequency_hz(self) -> float:
        """Mean frequency of the lamp [Hz]; NaN if there is no step of one period."""
        return self.steps / (self.stepped * self.unit_s) if self.steps else float("nan")

    @property
    def duty(self) -> float:
        """The part of each period for which the gate is blocked, 0 … 1."""
        return self.blocked / self.count * self.frequency_hz * self.unit_s


Spans = tuple[FlickerSpan, ...]


class PendingPassages(NamedTuple):
    """Passages of one gate for the next call; the first `judged` are already decided."""

    passages: Passages = NO_PASSAGES
    judged: int = 0


class JudgedPassages(NamedTuple):
    """
    Passages of one gate, divided into passages of flicker and other passages.

    `to_next` is the time from each passage of flicker to the next passage. It is 0 if this time
    is not one period of the lamp.
    """

    others: Passages
    flicker: Passages
    to_next: Ints


def judge_flicker(
    new: Passages, watched: PendingPassages, known: int, rules: Rules
) -> tuple[JudgedPassages, PendingPassages, int]:
    """
    Decide which passages of one gate are flicker.

    Return the judged passages, the passages for the next call, and a time: all passages before
    this time that are not flicker have been returned.
    """
    passages = join(watched.passages, new)
    n = len(passages)
    if not n:
        return JudgedPassages(passages, NO_PASSAGES, _NO_STEPS), PendingPassages(), known
    first = passages["first"].copy()
    apart = rules.units(STRETCH_S)
    if not len(new) and known <= first[-1] + apart:
        known = min([known, *first[watched.judged : watched.judged + 1].tolist()])
        return JudgedPassages(new, NO_PASSAGES, _NO_STEPS), watched, known
    begin = np.concatenate(([0], (first[1:] - first[:-1] > apart).nonzero()[0] + 1))
    start, settled = int(begin[-1]), n
    if known <= int(first[-1]) + apart:
        settled = max(n - WINDOW + 1, start)
    judged = _judge(passages, begin, watched.judged, settled, rules)
    kept = max(start, settled - WINDOW + 1) if settled < n else n
    if settled < n:
        known = min(known, int(first[settled]))
    return judged, PendingPassages(passages[kept:], settled - kept), known


_NO_STEPS = np.zeros(0, np.int64)


def _judge(
    passages: Passages, begin: Places, done: int, settled: int, rules: Rules
) -> JudgedPassages:
    """Judge the passages `done` to `settled` - 1; `begin` is the start of each series."""
    if len(passages) < WINDOW:
        return JudgedPassages(passages[done:settled], NO_PASSAGES, _NO_STEPS)
    size = np.diff(np.append(begin, len(passages)))
    if size.max() < WINDOW:
        return JudgedPassages(passages[done:settled], NO_PASSAGES, _NO_STEPS)
    places = np.arange(done, settled)
    stretch = np.searchsorted(begin, places, side="right") - 1
    places, stretch = places[size[stretch] >= WINDOW], stretch[size[stretch] >= WINDOW]
    seen = _compare(passages, places, begin[stretch], size[stretch], rules)
    judged = copy(passages[done:settled])
    for mark, marked in (
        (SUSPECT, seen.is_suspect),
        (COVERED, seen.is_covered),
        (LIT, seen.is_lit),
    ):
        judged["marks"][places[marked] - done] |= np.uint8(mark)
    is_flicker = np.zeros(len(judged), np.bool_)
    is_flicker[places[seen.is_flicker] - done] = True
    return JudgedPassages(
        choose(judged, ~is_flicker), choose(judged, is_flicker), seen.to_next[seen.is_flicker]
    )


class _Compared(NamedTuple):
    """For each passage: its marks, and the time to the next passage."""

    is_flicker: Bools
    is_suspect: Bools
    is_covered: Bools
    is_lit: Bools
    to_next: Ints


def _compare(
    passages: Passages, places: Places, start: Places, size: Places, rules: Rules
) -> _Compared:
    """Compare each passage at the indices `places` with its neighbours."""
    step = _steps(passages)
    block = passages["last"] - passages["first"]
    tick = rules.tick_s / rules.unit_s
    low = _most_regular(step, places, start, start + size - WINDOW, rules)
    period, off, regular = _regularity(sliding_window_view(step, WINDOW - 1)[low], rules)
    flickers = regular >= STEPS_ALIKE
    loose = TOLERANCE * period + tick
    close = np.maximum(DEVIATIONS * np.median(off, axis=1), LEAST_TOLERANCE * period) + tick
    close = np.minimum(close, loose)
    before, after = _steps_around(step, places)
    is_between = _is_between(before, after, period, loose)
    over_one = np.pad(step[1:] + step[:-1], 2)
    in_step, is_close = (
        flickers
        & ~is_between
        & np.logical_or.reduce(
            [_whole_periods(x, period, each) for x in (before, after)]
            + [np.abs(over_one[at] - period) <= each for at in (places, places + 2)]
        )
        for each in (loose, close)
    )
    is_covered = flickers & ~is_between & _is_covered(passages, places, period, close)
    usual = np.median(sliding_window_view(block, WINDOW)[low], axis=1)
    alike = np.abs(block[places] - usual) <= usual / 2 + tick
    is_flicker = is_close & alike
    is_next = _whole_periods(after, period, loose) & (np.rint(after / period) == 1)
    return _Compared(
        is_flicker,
        in_step & ~is_flicker,
        is_covered & ~is_flicker,
        flickers,
        np.where(is_next, after, 0),
    )


def _is_between(before: Ints, after: Ints, period: Floats, loose: Floats) -> Bools:
    """Return which passages lie between two passages that are one period apart."""
    off, off_before, off_after = (np.abs(x - period) for x in (before + after, before, after))
    nearer = off < np.minimum(off_before, off_after)
    return np.asarray((before > 0) & (after > 0) & (off <= loose) & nearer)


def _is_covered(passages: Passages, places: Places, period: Floats, close: Floats) -> Bools:
    """Return for each passage if a change of the lamp may have replaced an edge."""
    hidden = (passages["last"] - passages["first"])[places]
    is_covered = np.zeros(len(places), np.bool_)
    for edge, hides in (("first", (0, 1)), ("last", (1, 0))):
        for step, far in zip(
            _steps_around(np.diff(passages[edge]), places), hides, strict=True
        ):
            is_covered |= _whole_periods(step, period, close) & (
                step <= period + close + far * hidden
            )
    return is_covered


def _most_regular(
    step: Ints, places: Places, start: Places, latest: Places, rules: Rules
) -> Places:
    """For each passage, return the first index of the most regular group around it."""
    windows = sliding_window_view(step, WINDOW - 1)
    chosen = np.clip(places - WINDOW // 2, start, latest)
    best = _regularity(windows[chosen], rules)[2]
    for back in (0, WINDOW - 1):
        low = np.clip(places - back, start, latest)
        regular = _regularity(windows[low], rules)[2]
        chosen, best = np.where(regular > best, low, chosen), np.maximum(regular, best)
    return chosen


def _regularity(steps: Ints, rules: Rules) -> tuple[Floats, Floats, Ints]:
    """For each row, return the median step, the deviations, and how many steps are close."""
    period = np.median(steps, axis=1)
    off = np.abs(steps - period[:, np.newaxis])
    within = TOLERANCE * period + rules.tick_s / rules.unit_s
    least, most = (limit / rules.unit_s for limit in PERIODS_S)
    regular = (off <= within[:, np.newaxis]).sum(axis=1)
    return period, off, np.where((period >= least) & (period <= most), regular, 0)


def _steps_around(step: Ints, places: Places) -> tuple[Ints, Ints]:
    """Return the times since the previous and until the next passage; 0 if unknown."""
    padded = np.concatenate(([0], step, [0]))
    return padded[places], padded[places + 1]


def _steps(passages: Passages) -> Ints:
    """Return the time from each passage to the next passage."""
    has_lead = passages["marks"] & LEAD > 0
    by_lead = has_lead[1:] & has_lead[:-1]
    return np.where(by_lead, np.diff(passages["first"]), np.diff(passages["last"]))


def _whole_periods(steps: Ints, period: Floats, tolerance: Floats) -> Bools:
    whole = np.rint(steps / period)
    in_step = np.abs(steps - whole * period) <= tolerance
    return np.asarray((whole >= 1) & (whole <= MOST_PERIODS) & in_step)


def sum_up(spans: Spans, judged: JudgedPassages, rules: Rules) -> Spans:
    """Add new passages of flicker to the spans; a span ends after 2 s without flicker."""
    passages = judged.flicker
    if not len(passages):
        return spans
    first = passages["first"]
    begin = np.flatnonzero(np.diff(first) > rules.units(SPAN_GAP_S)) + 1
    for one in np.split(np.arange(len(passages)), begin):
        steps = judged.to_next[one]
        span = FlickerSpan(
            int(passages["gate"][0]),
            int(first[one[0]]),
            int(first[one[-1]]),
            len(one),
            int(np.count_nonzero(steps)),
            int(steps.sum()),
            int((passages["last"] - first)[one].sum()),
            rules.unit_s,
        )
        spans = _joined(spans, span)
    return spans


def _joined(spans: Spans, more: FlickerSpan) -> Spans:
    """Add a span of flicker; join it with the last span if that ended at most 2 s before."""
    if not spans or (more.first - spans[-1].last) * more.unit_s > SPAN_GAP_S:
        return (*spans, more)
    last = spans[-1]
    whole = replace(
        last,
        last=more.last,
        count=last.count + more.count,
        steps=last.steps + more.steps,
        stepped=last.stepped + more.stepped,
        blocked=last.blocked + more.blocked,
    )
    return (*spans[:-1], whole)
