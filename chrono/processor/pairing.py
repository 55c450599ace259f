"""Two passages, one at each gate: could one body have made both, and with what transit?

`compare_passages` answers for any number of pairs at once. Rules:

- The transit is the mean of the leading and the trailing one where both are sound. An edge
  of a late line makes its pair unsound; without a sound pair there is no transit.
- One body blocks both gates for about the same time: 10 % and 20 us are allowed, and what
  15 m/s² along the path could change. Where they differ more, one gate saw something else as
  well. If the core of a passage agrees with the other gate, the core is taken. Else the
  declared length decides: the longer blocking may be the right one (the body crossed the
  other beam off its middle: the mean is right), or the shorter one (the longer began or
  ended with something else: the leading or the trailing edges are right, whichever fits).
  Else a ratio up to 1.5 is still one body, in doubt; beyond it the two are strangers.
- Pairs that miss an edge must fit the declared length within a factor of 3.
"""

from enum import IntEnum

import numpy as np
import numpy.typing as npt

from chrono.processor.passages import CORE, LATE_LEAD, LATE_TRAIL, LEAD, TRAIL, Passages
from chrono.processor.rules import Rules
from chrono.processor.table import ABSENT, EdgesUsed
from chrono.processor.timebase import Ints

Floats = npt.NDArray[np.float64]
Flags = npt.NDArray[np.bool_]

AGREEMENT = 0.10
AGREEMENT_SLACK_S = 20e-6
ACCELERATION_MPS2 = 15.0
DOUBT_RATIO = 1.5
LENGTH_TOLERANCE = 0.25
"""A body this far off its declared length is called short or long."""
CHORD_TOLERANCE = 0.15
INCOMPLETE_FACTOR = 3.0


class Kind(IntEnum):
    """What two passages are to each other."""

    STRANGERS = 0
    NORMAL = 1
    SLOW = 2
    FAST = 3
    REVERSED = 4
    FLASH = 5
    LONE = 6


PAIR_DTYPE = np.dtype(
    [
        ("lead", "i8"),
        ("trail", "i8"),
        ("block_a", "i8"),
        ("block_b", "i8"),
        ("twice", "i8"),  # twice the transit, known for every pair that shares an edge
        ("score", "f8"),  # the better, the likelier one body; 0 for strangers
        ("used", "u1"),
        ("kind", "u1"),
        ("doubt", "u1"),
    ],
    align=True,
)
Pairs = npt.NDArray[np.void]

_USED = np.array([EdgesUsed.NONE, EdgesUsed.LEAD, EdgesUsed.TRAIL, EdgesUsed.BOTH], np.uint8)
_BASE_SCORE = np.array([0.0, 1.0, 0.3, 0.3, 0.4, 0.0, 0.0])


def compare_passages(a: Passages, b: Passages, length_m: Floats, rules: Rules) -> Pairs:
    """
    Compare passages of gate A with passages of gate B, one to one.

    Parameters
    ----------
    a, b : structured arrays of PASSAGE_DTYPE, shape (N,)
    length_m : ndarray, shape (N,)
        Declared length of the body at that time [m], NaN if none.
    rules : Rules

    Returns
    -------
    structured array of PAIR_DTYPE, shape (N,)
    """
    pairs = np.zeros(len(a), PAIR_DTYPE)
    shared, late = a["marks"] & b["marks"], a["marks"] | b["marks"]
    has_lead, has_trail = shared & LEAD > 0, shared & TRAIL > 0
    pairs["lead"] = np.where(has_lead, b["first"] - a["first"], ABSENT)
    pairs["trail"] = np.where(has_trail, b["last"] - a["last"], ABSENT)
    pairs["block_a"], pairs["block_b"] = _block(a), _block(b)
    sound = has_lead & (late & LATE_LEAD == 0), has_trail & (late & LATE_TRAIL == 0)
    pairs["used"] = _USED[sound[0] + 2 * sound[1]]
    strangers = ~(has_lead | has_trail)
    odd = np.flatnonzero(has_lead & has_trail & ~blocks_agree(pairs, rules))
    if len(odd):
        strangers[odd] = _settle(pairs, odd, a[odd], b[odd], length_m[odd], rules)
    pairs["twice"] = _twice(pairs)
    pairs["kind"] = _kinds(pairs["twice"], rules)
    strangers |= _unlikely(pairs, length_m, rules)
    pairs["kind"][strangers] = Kind.STRANGERS
    pairs["used"][(pairs["twice"] <= 0) | (pairs["kind"] == Kind.STRANGERS)] = EdgesUsed.NONE
    pairs["score"] = _scores(pairs, length_m, rules)
    return pairs


def blocks_agree(pairs: Pairs, rules: Rules) -> Flags:
    """Tell whether the blocking times of whole pairs are those of one body."""
    return _agree(pairs["block_a"], pairs["block_b"], pairs["lead"], rules)


def body_lengths(pairs: Pairs, rules: Rules) -> Floats:
    """Return speed times mean blocking time [m], NaN where there is none."""
    a, b, twice = pairs["block_a"], pairs["block_b"], pairs["twice"]
    gates = (a >= 0).astype(np.int64) + (b >= 0)
    total = np.maximum(a, 0) + np.maximum(b, 0)
    sound = (gates > 0) & (twice > 0)
    length = 2 * rules.spacing_m * total / np.where(sound, gates * twice, 1)
    length[~sound] = np.nan
    return length


def _block(passages: Passages) -> Ints:
    whole = passages["marks"] & (LEAD | TRAIL) == LEAD | TRAIL
    return np.where(whole, passages["last"] - passages["first"], ABSENT)


def _agree(block_a: Ints, block_b: Ints, transit: Ints, rules: Rules) -> Flags:
    changed = ACCELERATION_MPS2 * (transit * rules.unit_s) ** 2 / rules.spacing_m
    allowed = (AGREEMENT + np.minimum(changed, 1.0)) * np.maximum(block_a, block_b)
    return np.abs(block_a - block_b) <= allowed + AGREEMENT_SLACK_S / rules.unit_s


def _settle(
    pairs: Pairs,
    odd: npt.NDArray[np.intp],
    a: Passages,
    b: Passages,
    length: Floats,
    rules: Rules,
) -> Flags:
    """Decide pairs whose blocking times disagree, in place; tell which are strangers."""
    part = pairs[odd]
    by_core = _take_cores(part, a, b, rules)
    small = np.minimum(part["block_a"], part["block_b"]).astype(np.float64)
    big = np.maximum(part["block_a"], part["block_b"]).astype(np.float64)
    off_middle = (
        _misfit(big, (part["lead"] + part["trail"]) / 2, length, rules) <= CHORD_TOLERANCE
    )
    misfit = [_misfit(small, part[pair], length, rules) for pair in ("lead", "trail")]
    by_lead = ~off_middle & (misfit[0] <= np.minimum(misfit[1], LENGTH_TOLERANCE))
    by_trail = ~off_middle & ~by_lead & (misfit[1] <= LENGTH_TOLERANCE)
    doubtful = ~(off_middle | by_lead | by_trail | by_core)
    for chosen, keep in ((by_lead, EdgesUsed.LEAD), (by_trail, EdgesUsed.TRAIL)):
        _use_only(part, chosen & ~by_core, keep)
    part["doubt"] = doubtful
    pairs[odd] = part
    return doubtful & (big > DOUBT_RATIO * np.maximum(small, 1))


def _take_cores(part: Pairs, a: Passages, b: Passages, rules: Rules) -> Flags:
    """Use the core of a passage, of either gate or both, where the gates then agree."""
    done = np.zeros(len(part), np.bool_)
    cored = (a["marks"] & CORE > 0, b["marks"] & CORE > 0)
    if not (cored[0] | cored[1]).any():
        return done
    for core_a, core_b in ((True, False), (False, True), (True, True)):
        first_a, last_a = _ends(a, core_a)
        first_b, last_b = _ends(b, core_b)
        lead, trail = first_b - first_a, last_b - last_a
        fits = _agree(last_a - first_a, last_b - first_b, lead, rules) & ~done
        fits &= (cored[0] | (not core_a)) & (cored[1] | (not core_b))
        values = (lead, trail, last_a - first_a, last_b - first_b)
        for name, value in zip(("lead", "trail", "block_a", "block_b"), values, strict=True):
            part[name][fits] = value[fits]
        done |= fits
    return done


def _ends(passages: Passages, core: bool) -> tuple[Ints, Ints]:
    return (
        (passages["core_first"], passages["core_last"])
        if core
        else (passages["first"], passages["last"])
    )


def _misfit(block: Floats, transit: Floats, length_m: Floats, rules: Rules) -> Floats:
    """Return how far a blocking time is off the declared length, relative; inf if unknown."""
    with np.errstate(divide="ignore", invalid="ignore"):
        misfit = np.abs(rules.spacing_m * block / (transit * length_m) - 1.0)
    return np.where((transit > 0) & np.isfinite(misfit), misfit, np.inf)


def _use_only(part: Pairs, chosen: Flags, keep: EdgesUsed) -> None:
    """Keep one pair of edges, and the blocking time of the gate that saw less."""
    used = part["used"]
    has = (used == keep) | (used == EdgesUsed.BOTH)
    used[chosen] = np.where(has, np.uint8(keep), np.uint8(EdgesUsed.NONE))[chosen]
    a_is_big = part["block_a"] > part["block_b"]
    part["block_a"][chosen & a_is_big] = ABSENT
    part["block_b"][chosen & ~a_is_big] = ABSENT


def _twice(pairs: Pairs) -> Ints:
    lead, trail, used = pairs["lead"], pairs["trail"], pairs["used"]
    only = np.where(lead == ABSENT, trail, lead)
    only = np.where(used == EdgesUsed.TRAIL, trail, only)
    return np.where(used == EdgesUsed.BOTH, lead + trail, 2 * only)


def _kinds(twice: Ints, rules: Rules) -> npt.NDArray[np.uint8]:
    windows = rules.windows
    kinds = np.full(len(twice), Kind.STRANGERS, np.uint8)
    kinds[(twice < 0) & (twice >= -2 * windows.slow)] = Kind.REVERSED
    kinds[(twice >= 0) & (twice <= 2 * windows.reach)] = Kind.SLOW
    kinds[(twice >= 0) & (twice <= 2 * windows.slow)] = Kind.NORMAL
    kinds[(twice >= 0) & (twice < 2 * windows.fast)] = Kind.FAST
    return kinds


def _unlikely(pairs: Pairs, length_m: Floats, rules: Rules) -> Flags:
    """Tell which incomplete pairs are too far off the declared length."""
    whole = (pairs["lead"] != ABSENT) & (pairs["trail"] != ABSENT)
    with np.errstate(invalid="ignore"):
        ratio = body_lengths(pairs, rules) / length_m
    return ~whole & ((ratio > INCOMPLETE_FACTOR) | (ratio < 1 / INCOMPLETE_FACTOR))


def _scores(pairs: Pairs, length_m: Floats, rules: Rules) -> Floats:
    """Rate pairs: kind first, then how alike both blocking times are, then the length."""
    base = _BASE_SCORE[pairs["kind"]]
    a, b = pairs["block_a"].astype(np.float64), pairs["block_b"].astype(np.float64)
    a[a < 0] = b[b < 0] = np.nan
    alike = _likeness(a, b)
    fitting = _likeness(body_lengths(pairs, rules), length_m)
    return np.where(base > 0, base + 0.3 * alike + 0.2 * fitting, 0.0)


def _likeness(x: Floats, y: Floats) -> Floats:
    """Return 1 for equal values down to 0 for a factor of 2, ½ where one is unknown."""
    with np.errstate(invalid="ignore", divide="ignore"):
        likeness = 2.0 * np.minimum(x, y) / np.maximum(x, y) - 1.0
    return np.where(np.isfinite(likeness), np.clip(likeness, 0.0, 1.0), 0.5)
