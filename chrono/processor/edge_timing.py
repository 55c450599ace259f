"""Edges that bounced or came late: when they were, how certain that is, whether it will do.

Noise at a comparator's threshold makes it trip several times where a body's edge crosses the
beam. Rules, for the leading edges of a pair of passages and alike for its trailing ones:

- An edge lies between its first trip and its last one, that of the passage's core; a late
  line's trip at any time since the edge before it. It is timed at the middle. Its error is
  taken as rectangular over that span.
- An edge without a bounce met the same noise as those of its shot that have one. So none of
  the edges used counts with less than the longest bounce of them all, and where that is the
  only one, so that its length is chance, with √2 times that. Where late lines bound bounces
  these are longer than the noise makes them: there it is the longest of the same gate. (How
  well this holds is simulated from the physics of a comparator, see its tests.)
- A pair of edges is unsound where that makes the transit's standard uncertainty, from its own
  spans, more than a hundredth of it, or where a span is longer than the core: then nothing
  tells a bounce from a body. It keeps the first and last edges, for pairing only.

Noise slower than the bounce moves all trips of an edge alike, and cannot be seen in them.
"""

from collections.abc import Sequence
from typing import NamedTuple

import numpy as np

from chrono.arrays.array_types import Bools, Floats, Ints
from chrono.processor.passages import (
    CORE,
    LATE_LEAD,
    LATE_TRAIL,
    LEAD,
    TRAIL,
    WHOLE,
    Passages,
)
from chrono.processor.shot_records import ABSENT

MOST_U = 0.01
"""Largest standard uncertainty of a sound transit from bounce and late lines, as a part."""
ONLY_ONE = np.sqrt(2.0)
"""By how much a shot's only bounce counts for more than its length."""

_MOVED = CORE | LATE_LEAD | LATE_TRAIL


class TimedPairs(NamedTuple):
    """
    Pairs of passages, shape (N,): transits of leading and trailing edges, whether each is
    sound, and their standard uncertainties from bounce and late lines; blocking times. All
    in counter units, ABSENT where an edge is.
    """

    lead: Ints
    trail: Ints
    is_lead_sound: Bools
    is_trail_sound: Bools
    u_lead: Floats
    u_trail: Floats
    block_a: Ints
    block_b: Ints


def time_edges(a: Passages, b: Passages) -> TimedPairs:
    """Time passages of gate A with those of gate B, one to one."""
    shared = a["marks"] & b["marks"]
    has_lead, has_trail = shared & LEAD > 0, shared & TRAIL > 0
    lead, trail = b["first"] - a["first"], b["last"] - a["last"]
    sound_lead, sound_trail = has_lead, has_trail
    u_lead = u_trail = np.zeros(len(a))
    if ((a["marks"] | b["marks"]) & _MOVED).any():
        middle_lead = _twice_lead(b) - _twice_lead(a) >> 1
        middle_trail = _twice_trail(b) - _twice_trail(a) >> 1
        sound_lead, sound_trail, u_lead, u_trail = _judge(a, b, middle_lead, middle_trail)
        sound_lead, sound_trail = sound_lead & has_lead, sound_trail & has_trail
        lead = np.where(sound_lead, middle_lead, lead)
        trail = np.where(sound_trail, middle_trail, trail)
    return TimedPairs(
        np.where(has_lead, lead, ABSENT),
        np.where(has_trail, trail, ABSENT),
        sound_lead,
        sound_trail,
        u_lead,
        u_trail,
        _block(a, sound_lead, sound_trail),
        _block(b, sound_lead, sound_trail),
    )


def _judge(
    a: Passages, b: Passages, lead: Ints, trail: Ints
) -> tuple[Bools, Bools, Floats, Floats]:
    """Tell which pairs of edges are sound by their spans, and how uncertain each is."""
    heads, tails = [[span(each) for each in (a, b)] for span in (_head, _tail)]
    sound_lead = _is_clear(heads, a, b) & (_u(heads) <= MOST_U * np.abs(lead))
    sound_trail = _is_clear(tails, a, b) & (_u(tails) <= MOST_U * np.abs(trail))
    least = _least_spans(a, b, sound_lead, sound_trail)
    u_lead, u_trail = (
        _u([np.maximum(*pair) for pair in zip(spans, least, strict=True)])
        for spans in (heads, tails)
    )
    return sound_lead, sound_trail, u_lead, u_trail


def _least_spans(
    a: Passages, b: Passages, sound_lead: Bools, sound_trail: Bools
) -> tuple[Floats, Floats]:
    """Return with what span the edges used count at least, at both gates."""
    at_a, at_b = (
        np.stack(
            (
                sound_lead * (each["core_first"] - each["first"]),
                sound_trail * (each["last"] - each["core_last"]),
            )
        )
        for each in (a, b)
    )
    bounces = np.concatenate((at_a, at_b))
    is_only = np.count_nonzero(bounces, axis=0) == 1
    longest = bounces.max(axis=0) * np.where(is_only, ONLY_ONE, 1.0)
    is_late = (a["marks"] | b["marks"]) & (LATE_LEAD | LATE_TRAIL) > 0
    return (
        np.where(is_late, at_a.max(axis=0), longest),
        np.where(is_late, at_b.max(axis=0), longest),
    )


def _u(spans: Sequence[Ints | Floats]) -> Floats:
    """Return the u of a transit whose two edges lie anywhere within their spans."""
    return np.asarray(np.sqrt(sum(np.square(each, dtype=np.float64) for each in spans) / 12))


def _head(passages: Passages) -> Ints:
    return passages["core_first"] - passages["lead_from"]


def _tail(passages: Passages) -> Ints:
    return passages["last"] - passages["trail_from"]


def _is_clear(spans: list[Ints], a: Passages, b: Passages) -> Bools:
    """Tell where spans are shorter than the core, which only whole passages have."""
    is_clear = np.ones(len(a), np.bool_)
    for span, each in zip(spans, (a, b), strict=True):
        core = each["core_last"] - each["core_first"]
        is_clear &= (span < core) | (each["marks"] & WHOLE != WHOLE)
    return is_clear


def _twice_lead(passages: Passages) -> Ints:
    return passages["lead_from"] + passages["core_first"]


def _twice_trail(passages: Passages) -> Ints:
    return passages["trail_from"] + passages["last"]


def _block(passages: Passages, sound_lead: Bools, sound_trail: Bools) -> Ints:
    """Return the blocking times, those of the core where an edge is not sound."""
    begin = np.where(sound_lead, _twice_lead(passages), 2 * passages["core_first"])
    end = np.where(sound_trail, _twice_trail(passages), 2 * passages["core_last"])
    whole = passages["marks"] & WHOLE == WHOLE
    return np.where(whole, end - begin >> 1, ABSENT)
