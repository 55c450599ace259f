"""What the shots themselves tell of the timing: its jitter, and how long each gate is blocked.

A body that crosses both beams alike gives the same transit by its leading and its trailing
edges, but for the jitter of four timestamps. What differs in proportion to the transit is of
the speed (drag, chords that repeat), what differs always is of the sensors; the rest is
scatter. A ball that crosses the beams at other heights each time scatters like that too, so
of its edges only an upper limit can be told.
"""

import math
from dataclasses import dataclass

import numpy as np

from chrono.arrays.array_types import Bools, Floats, Places
from chrono.measuring.error_budget import COVERAGE
from chrono.measuring.series_statistics import s_interval
from chrono.processor.shot_records import EdgesUsed, Flag, Shots

LEAST_DOF = 5
"""Fewer degrees of freedom leave a standard deviation open to a factor of three."""
STAMPS = 4
"""Timestamps in the difference of two transits."""


@dataclass(frozen=True)
class TimingJitter:
    """
    The jitter of one timestamp as the shots tell it.

    Attributes
    ----------
    shots : int
        How many tell it.
    dof : int
        Degrees of freedom of the scatter.
    jitter_s : float
        Standard deviation of one timestamp [s], if bodies crossed both beams alike; 0 where
        steps of the counter explain all.
    low_s, high_s : float
        Interval that holds it with 95 % [s], whatever part steps and chords have, as far as
        the rig states them.
    stated_s : float
        What the rig says [s].
    chords_s : float
        What chords as stated may add, as the jitter of one timestamp [s]; 0 for flat bodies.
    """

    shots: int
    dof: int
    jitter_s: float
    low_s: float
    high_s: float
    stated_s: float
    chords_s: float

    @property
    def is_upper_limit(self) -> bool:
        """Whether steps and chords may be all there is."""
        return self.low_s == 0

    @property
    def states_too_little(self) -> bool:
        """Whether the rig's jitter is below all that the shots allow."""
        return self.low_s > self.stated_s

    @property
    def may_be_chords(self) -> bool:
        """Whether edges scatter more than the rig's jitter, and chords may be all of that."""
        suspected = self.scatters_more and self.chords_s > self.stated_s
        return self.is_upper_limit and suspected

    @property
    def scatters_more(self) -> bool:
        """Whether edges scatter more than the rig's jitter lets them, and not by chance."""
        return s_interval(self.jitter_s, self.dof + 1, COVERAGE)[0] > self.stated_s


def timing_scatter(
    difference_s: Floats,
    transit_s: Floats,
    body: Places,
    u_chord_s: Floats,
    *,
    tick_s: float,
    stated_s: float,
) -> TimingJitter | None:
    """
    Return what trailing less leading transits tell of the jitter.

    Parameters
    ----------
    difference_s, transit_s : ndarray of float64, shape (N,)
        Trailing less leading transit, and their mean [s].
    body : ndarray of int, shape (N,)
        Which body each shot had: what is in proportion to the transit is each body's own.
    u_chord_s : ndarray of float64, shape (N,)
        Standard deviation of the difference that chords may give each shot [s].
    tick_s : float
        Step of the counter [s].
    stated_s : float
        The rig's jitter [s].

    Returns
    -------
    TimingJitter or None
        None where fewer than `LEAST_DOF` degrees of freedom are left.

    Notes
    -----
    The difference has the variance 4σ² + tick²/3 and that of the chords. Where shots are
    equal to a step, steps may add up to tick² or hide as much as tick²/3: the interval holds
    both, and both no chords at all and those that the rig allows.
    """
    columns = [np.ones(len(transit_s))]
    columns += [np.where(body == one, transit_s, 0.0) for one in np.unique(body)]
    scaled = np.stack([column / max(column.max(initial=0.0), 1e-30) for column in columns], 1)
    solution, _, rank, _ = np.linalg.lstsq(scaled, difference_s, rcond=1e-9)
    dof = len(difference_s) - int(rank)
    if dof < LEAST_DOF:
        return None
    rest = difference_s - scaled @ solution
    s = math.sqrt(float(rest @ rest) / dof)
    low, high = s_interval(s, dof + 1, COVERAGE)
    chords = float(np.mean(u_chord_s**2))
    return TimingJitter(
        shots=len(difference_s),
        dof=dof,
        jitter_s=_of_one_stamp(s * s - tick_s**2 / 3),
        low_s=_of_one_stamp(low * low - tick_s**2 - chords),
        high_s=_of_one_stamp(high * high + tick_s**2 / 3),
        stated_s=stated_s,
        chords_s=_of_one_stamp(chords),
    )


def _of_one_stamp(variance: float) -> float:
    return math.sqrt(max(variance, 0.0) / STAMPS)


@dataclass(frozen=True)
class BlockedLengths:
    """
    How long a body blocked each gate, as a length: medians of the counted shots [m].

    Attributes
    ----------
    shots : int
    at_a_m, at_b_m : float
    declared_m : float
        What rig or setup says.
    """

    shots: int
    at_a_m: float
    at_b_m: float
    declared_m: float

    def is_off(self, tolerance: float) -> bool:
        """Whether one gate's is off the declared length by more than a part of it."""
        return any(
            abs(length / self.declared_m - 1) > tolerance
            for length in (self.at_a_m, self.at_b_m)
        )


def blocking_of(
    length_a_m: Floats, length_b_m: Floats, declared_m: float
) -> BlockedLengths | None:
    """Return the medians of what both gates see [m], None where no shot has both."""
    both = np.isfinite(length_a_m) & np.isfinite(length_b_m)
    if not both.any():
        return None
    a_m, b_m = (float(np.median(each[both])) for each in (length_a_m, length_b_m))
    return BlockedLengths(int(both.sum()), a_m, b_m, declared_m)


def tells_timing(shots: Shots) -> Bools:
    """
    Tell which shots have two sound pairs of edges and nothing to be said about, (N,).

    Of those with bounces or late lines this scatter is in their own budget already.
    """
    is_clean = (shots["flags"] == 0) & (shots["bounce"] == 0)
    return (shots["used"] == EdgesUsed.BOTH) & is_clean


def has_clean_lengths(shots: Shots) -> Bools:
    """Tell which shots blocked both gates and are flagged at most for the pair used, (N,)."""
    of_pair = np.uint32(Flag.LEAD_ONLY | Flag.TRAIL_ONLY)
    is_clean = ((shots["flags"] & ~of_pair) == 0) & (shots["bounce"] == 0)
    return is_clean & (shots["block_a"] > 0) & (shots["block_b"] > 0)
