"""Periodic tripping of a gate, as lamps make it, told from bodies.

Rules, local to one gate and a few passages in time:

- Passages no further apart than 0.11 s form a stretch. In a stretch of 13 and more, each
  passage is seen with the 12 around it. If 7 of the 12 steps between them lie within 10 % of
  their median, and that is a period of 20 … 2000 Hz, the gate flickers there. A step is that
  of the leading edges, or of the trailing ones where a leading one was lost.
- A passage of such a stretch is flicker if the step before or after it is one to three
  periods, within 10 % of a period, and its blocking time is between half and one and a half
  of the median. Else it is what came between: a body. If its step fits but not its blocking,
  it is suspect: a body if it finds its partner at the other gate, else flicker.
- Flicker makes no shots; it is summed up in spans, which end after 2 s without it.
"""

from dataclasses import dataclass, replace
from typing import NamedTuple

import numpy as np
from numpy.lib.stride_tricks import sliding_window_view

from chrono.arrays.array_types import Bools, Floats, Ints, Places
from chrono.arrays.structured_arrays import choose, copy, join
from chrono.processor.passages import LEAD, NO_PASSAGES, SUSPECT, Passages
from chrono.processor.rig_rules import Rules

WINDOW = 13
STEPS_ALIKE = 7
TOLERANCE = 0.10
MOST_PERIODS = 3
PERIODS_S = (0.5e-3, 50e-3)
STRETCH_S = 0.11
SPAN_GAP_S = 2.0


@dataclass(frozen=True)
class FlickerSpan:
    """
    One time of flicker at one gate.

    Attributes
    ----------
    gate : int
        0 for gate A, 1 for gate B.
    first, last : int
        Times of its first and last passage [counter units].
    count : int
        Passages in it.
    steps, stepped : int
        Number of passages that followed the one before in one period, and the sum of those
        periods [counter units].
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
        """Mean frequency [Hz], NaN if no two passages followed each other."""
        return self.steps / (self.stepped * self.unit_s) if self.steps else float("nan")

    @property
    def duty(self) -> float:
        """Blocked part of a period, 0 … 1."""
        return self.blocked / self.count * self.frequency_hz * self.unit_s


Spans = tuple[FlickerSpan, ...]


class PendingPassages(NamedTuple):
    """Passages of one gate that are still to be judged, after `judged` that were."""

    passages: Passages = NO_PASSAGES
    judged: int = 0


class JudgedPassages(NamedTuple):
    """What is no flicker; what is, and the step to the next in one period, 0 if none."""

    others: Passages
    flicker: Passages
    to_next: Ints


def judge_flicker(
    new: Passages, watched: PendingPassages, known: int, rules: Rules
) -> tuple[JudgedPassages, PendingPassages, int]:
    """
    Judge the passages of one gate.

    Returns
    -------
    judged : JudgedPassages
    watched : PendingPassages
    known : int
        Time before which all passages that are no flicker have been given out.
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
        settled = n - WINDOW // 2 if n - start >= WINDOW else start
    judged = _judge(passages, begin, watched.judged, settled, rules)
    kept = max(start, settled - WINDOW + 1) if settled < n else n
    if settled < n:
        known = min(known, int(first[settled]))
    return judged, PendingPassages(passages[kept:], settled - kept), known


_NO_STEPS = np.zeros(0, np.int64)


def _judge(
    passages: Passages, begin: Places, done: int, settled: int, rules: Rules
) -> JudgedPassages:
    """Judge the passages from `done` to `settled`; stretches begin at `begin`."""
    if len(passages) < WINDOW:
        return JudgedPassages(passages[done:settled], NO_PASSAGES, _NO_STEPS)
    size = np.diff(np.append(begin, len(passages)))
    if size.max() < WINDOW:
        return JudgedPassages(passages[done:settled], NO_PASSAGES, _NO_STEPS)
    places = np.arange(done, settled)
    stretch = np.searchsorted(begin, places, side="right") - 1
    places, stretch = places[size[stretch] >= WINDOW], stretch[size[stretch] >= WINDOW]
    fits, alike, to_next = _compare(passages, places, begin[stretch], size[stretch], rules)
    judged = copy(passages[done:settled])
    judged["marks"][places[fits & ~alike] - done] |= np.uint8(SUSPECT)
    is_flicker = np.zeros(len(judged), np.bool_)
    is_flicker[places[fits & alike] - done] = True
    return JudgedPassages(
        choose(judged, ~is_flicker), choose(judged, is_flicker), to_next[fits & alike]
    )


def _compare(
    passages: Passages, places: Places, start: Places, size: Places, rules: Rules
) -> tuple[Bools, Bools, Ints]:
    """Tell which passages are in step with a flicker around them, which are as long as it."""
    step = _steps(passages)
    block = passages["last"] - passages["first"]
    end = start + size - 1
    low = np.maximum(np.minimum(places - WINDOW // 2, end - WINDOW + 1), start)
    steps = sliding_window_view(step, WINDOW - 1)[low]
    period = np.median(steps, axis=1)
    in_step = np.abs(steps - period[:, np.newaxis]) <= TOLERANCE * period[:, np.newaxis]
    least, most = (limit / rules.unit_s for limit in PERIODS_S)
    flickers = (in_step.sum(axis=1) >= STEPS_ALIKE) & (period >= least) & (period <= most)
    padded = np.concatenate(([0], step, [0]))
    before = np.where(places > start, padded[places], 0) / period
    after = np.where(places < end, padded[places + 1], 0) / period
    usual = np.median(sliding_window_view(block, WINDOW)[low], axis=1)
    alike = np.abs(block[places] - usual) <= usual / 2
    to_next = np.where(_whole_periods(after) & (np.rint(after) == 1), padded[places + 1], 0)
    return flickers & (_whole_periods(before) | _whole_periods(after)), alike, to_next


def _steps(passages: Passages) -> Ints:
    """Return the times from each passage to the next one."""
    has_lead = passages["marks"] & LEAD > 0
    by_lead = has_lead[1:] & has_lead[:-1]
    return np.where(by_lead, np.diff(passages["first"]), np.diff(passages["last"]))


def _whole_periods(steps: Floats) -> Bools:
    whole = np.rint(steps)
    return (whole >= 1) & (whole <= MOST_PERIODS) & (np.abs(steps - whole) <= TOLERANCE)


def sum_up(spans: Spans, judged: JudgedPassages, rules: Rules) -> Spans:
    """Add flicker to the spans of its gate: to the last one, or as new ones."""
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
    """Add a span, to the last one if that is less than 2 s before."""
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
