"""Estimate the jitter of the timestamps, and the body's length at each gate, from shots.

Jitter makes the difference between the leading and the trailing transit scatter. The sensors
add a constant difference, and drag adds a difference proportional to the transit. The module
removes these two differences. Balls that cross the beams off-centre also cause scatter, so with
balls the jitter may be smaller than the scatter.
"""

import math
from dataclasses import dataclass

import numpy as np

from chrono.arrays.array_types import Bools, Floats, Places
from chrono.measuring.error_budget import COVERAGE
from chrono.measuring.series_statistics import s_interval
from chrono.processor.shot_records import EdgesUsed, Flag, Shots

LEAST_DOF = 5
"""Smallest number of degrees of freedom. With fewer degrees of freedom a standard deviation may
be wrong by a factor of three."""
STAMPS = 4
"""Number of timestamps in the difference of two transits."""


@dataclass(frozen=True)
class TimingJitter:
    """
    The jitter of one timestamp, estimated from shots.

    Attributes
    ----------
    shots : int
        Number of shots used.
    dof : int
        Degrees of freedom of the scatter.
    jitter_s : float
        Standard deviation of one timestamp [s], if bodies crossed both beams in the same way; 0
        if steps of the counter explain all the scatter.
    low_s, high_s : float
        95 % interval of the jitter [s], for all counter steps and off-centre balls that the rig
        allows.
    stated_s : float
        The rig's value [s].
    chords_s : float
        Largest effect of off-centre balls that the rig allows, as jitter of one timestamp [s];
        0 for flat bodies.
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
        """True if counter steps and off-centre balls may cause all the scatter."""
        return self.low_s == 0

    @property
    def states_too_little(self) -> bool:
        """True if the rig's jitter is smaller than the lower end of the measured interval."""
        return self.low_s > self.stated_s

    @property
    def may_be_chords(self) -> bool:
        """True if off-centre balls may explain a scatter above the rig's jitter."""
        suspected = self.scatters_more and self.chords_s > self.stated_s
        return self.is_upper_limit and suspected

    @property
    def scatters_more(self) -> bool:
        """True if the edge times scatter more than the rig's jitter and chance can cause."""
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
    Estimate the jitter from the differences between trailing and leading transits.

    Parameters
    ----------
    difference_s, transit_s : ndarray of float64, shape (N,)
        Trailing minus leading transit, and their mean [s].
    body : ndarray of int, shape (N,)
        Number of the body of each shot. The part proportional to the transit is fitted for each
        body.
    u_chord_s : ndarray of float64, shape (N,)
        Standard deviation of the difference that an off-centre ball may cause in each shot [s].
    tick_s : float
        Step of the counter [s].
    stated_s : float
        The rig's jitter [s].

    Returns
    -------
    TimingJitter or None
        None if fewer than `LEAST_DOF` degrees of freedom are left.

    Notes
    -----
    The difference has the variance 4σ² + tick²/3, plus the variance from off-centre balls. If
    all shots are nearly equal, steps of the counter may add at most tick² to the variance, or
    hide at most tick²/3. The interval includes both cases.
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
    Length of the body at each gate: the median of all counted shots [m].

    Attributes
    ----------
    shots : int
    at_a_m, at_b_m : float
    declared_m : float
        Length that the rig or the setup states.
    """

    shots: int
    at_a_m: float
    at_b_m: float
    declared_m: float

    def is_off(self, tolerance: float) -> bool:
        """Check if the length at a gate differs too much from the declared length."""
        return any(
            abs(length / self.declared_m - 1) > tolerance
            for length in (self.at_a_m, self.at_b_m)
        )


def blocking_of(
    length_a_m: Floats, length_b_m: Floats, declared_m: float
) -> BlockedLengths | None:
    """Return the body's median length at each gate [m], or None if no shot has both lengths."""
    both = np.isfinite(length_a_m) & np.isfinite(length_b_m)
    if not both.any():
        return None
    a_m, b_m = (float(np.median(each[both])) for each in (length_a_m, length_b_m))
    return BlockedLengths(int(both.sum()), a_m, b_m, declared_m)


def tells_timing(shots: Shots) -> Bools:
    """Find the shots with two pairs of edges and no flag, bounce or late line; shape (N,)."""
    is_clean = (shots["flags"] == 0) & (shots["bounce"] == 0)
    return (shots["used"] == EdgesUsed.BOTH) & is_clean


def has_clean_lengths(shots: Shots) -> Bools:
    """
    Find the shots whose lengths at both gates are reliable, shape (N,).

    A reliable shot has a blocking time at both gates, no bounce, and no flag except `LEAD_ONLY`
    or `TRAIL_ONLY`.
    """
    of_pair = np.uint32(Flag.LEAD_ONLY | Flag.TRAIL_ONLY)
    is_clean = ((shots["flags"] & ~of_pair) == 0) & (shots["bounce"] == 0)
    return is_clean & (shots["block_a"] > 0) & (shots["block_b"] > 0)
