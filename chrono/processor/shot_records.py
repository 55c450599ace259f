"""The table of shots: each row is one shot, with all times in counter units.

A corrected spacing of the gates in the rig file does not change the table of shots.
"""

from enum import IntEnum, IntFlag
from functools import lru_cache

import numpy as np
import numpy.typing as npt

ABSENT = np.iinfo(np.int64).min
"""This value means that a time difference was not measured."""

SHOT_DTYPE = np.dtype(
    [
        ("key", "i8"),  # unwrapped counter of the shot's first leading edge
        ("host_us", "i8"),  # computer's clock when the line of its first edge was read
        ("lead", "i8"),  # leading edge at B minus leading edge at A, or ABSENT
        ("trail", "i8"),  # trailing edge at B minus trailing edge at A, or ABSENT
        ("block_a", "i8"),  # blocking time at A, or ABSENT
        ("block_b", "i8"),  # blocking time at B, or ABSENT
        ("companion", "f8"),  # transit of the first companion, NaN without one
        ("bounce", "f4"),  # standard uncertainty of the transit from bounce and late lines
        ("companions", "u2"),  # how many companions followed
        ("used", "u1"),  # a value of EdgesUsed
        ("flags", "u4"),  # values of Flag, added
    ]
)
"""All times are in counter units."""

Shots = npt.NDArray[np.void]
"""A structured array of `SHOT_DTYPE`, shape (N,), in the order of `key`."""


class EdgesUsed(IntEnum):
    """Edges that gave the transit: none, both pairs, only leading or only trailing edges."""

    NONE = 0
    BOTH = 1
    LEAD = 2
    TRAIL = 3


class Flag(IntFlag):
    """Facts about a shot that a user should know; `flag_words` returns their visible names."""

    LONE_A = 1
    LONE_B = 2
    REVERSED = 4
    TOO_FAST = 8
    TOO_SLOW = 16
    SHORT = 32
    LONG = 64
    FRAGMENTS = 128
    COMPANION = 256
    FLASH = 512
    LEAD_ONLY = 1024
    TRAIL_ONLY = 2048
    GAP = 4096
    BOARD_LOST = 8192
    UNSOUND = 16384
    AMBIGUOUS = 32768
    FLICKER = 65536


NEVER_COUNTED = (
    Flag.LONE_A
    | Flag.LONE_B
    | Flag.REVERSED
    | Flag.TOO_FAST
    | Flag.TOO_SLOW
    | Flag.FLASH
    | Flag.FLICKER
)
"""A shot with one of these flags, or without a transit, does not count in the statistics."""


@lru_cache(maxsize=1024)
def flag_words(flags: int) -> tuple[str, ...]:
    """Return the names of all flags in `flags`, such as ``("lead-only", "gap")``."""
    return tuple(f.name.lower().replace("_", "-") for f in Flag if f & flags and f.name)


def sort_shots(shots: Shots) -> Shots:
    """Sort shots by `key`, the time of their first leading edge."""
    key = np.ascontiguousarray(shots["key"])
    return shots if (key[1:] >= key[:-1]).all() else shots.take(key.argsort(kind="stable"))


def make_unique(shots: Shots, last_key: int) -> Shots:
    """Increase keys until each key is larger than `last_key` and than the key before it."""
    key = np.ascontiguousarray(shots["key"])
    if len(key) and (key[0] <= last_key or (key[1:] <= key[:-1]).any()):
        place = np.arange(len(key))
        shots["key"] = np.maximum(np.maximum.accumulate(key - place), last_key + 1) + place
    return shots
