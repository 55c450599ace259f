"""Fit a straight line to the beats with the smallest reading delays.

In a plot of the computer's (host's) time against the board's time, all beats without a delay
lie on a straight line. A delayed beat lies above this line, never below. A segment is a series
of beats without a break, and a block is a part of a segment. The straight line is fitted to the
beats with the smallest delay in each block.
"""

from collections import deque
from collections.abc import Sequence
from dataclasses import dataclass, field
from math import sqrt

import numpy as np

from chrono.arrays.array_types import Floats

BEATS_PER_BLOCK = 5
MAX_BLOCKS = 60
MIN_BLOCKS = 4
STEP_S = 20e-3
"""If the smallest delay changes by less than this value, the change does not count as a step. A
latency timer causes small steps when the time between beat and timer changes slowly.
"""
STEP_FACTOR = 15
"""Limit for a step between neighbouring minima, as a multiple of the median step. If the steps
are exponentially distributed, only 1 of 30,000 steps exceeds 15 medians.
"""

MAX_RECENT = 600
MAX_LAG = 40
ORDERED = 4.0
"""Limit for the autocorrelation of the delays, in units of 1/√n. Independent delays exceed this
limit by chance at one of 40 lags in 3 of 1000 runs (a normal variable exceeds 4 in 6 of
100,000).
"""
SPREAD_QUANTILE = 0.9

Point = tuple[float, float]
"""The two times of one beat [s]: by the board's clock, and by the host's clock."""


def _no_points() -> deque[Point]:
    return deque(maxlen=MAX_RECENT)


@dataclass
class BeatSegment:
    """
    A series of beats without a break, divided into blocks with the same number of beats.

    From each block, only the points that `lower_hull` returns are stored.
    """

    beats_per_block: int = BEATS_PER_BLOCK
    blocks: list[Floats] = field(default_factory=list)
    recent: deque[Point] = field(default_factory=_no_points)


@dataclass(frozen=True)
class EnvelopeLine:
    """
    The straight line that was fitted to the beats with the smallest delays in a segment.

    The factor `wander` is above 1 if the delays drift. The uncertainty `u` of the slope already
    includes this factor. If the delays depend on each other, `order_s` is the spread of the
    delays [s], otherwise 0.
    """

    slope: float
    u: float
    dof: int
    weight: float
    span_s: float
    wander: float
    order_s: float


def fit_lines(segments: list[BeatSegment]) -> list[EnvelopeLine]:
    """Split the segments where the delay changes suddenly, and fit a line to each part."""
    usable = [segment for segment in segments if len(segment.blocks) >= MIN_BLOCKS]
    if not usable:
        return []
    slope = _coarse_slope(usable)
    parts = [part for segment in usable for part in _split_at_steps(segment, slope)]
    return [_line(part, slope) for part in parts if len(part.blocks) >= MIN_BLOCKS]


def _coarse_slope(segments: list[BeatSegment]) -> float:
    """Return the median of many slopes; a few late beats hardly change this median."""
    slope = 1.0
    for _ in range(10):
        before = slope
        slope = float(np.median(np.concatenate([_far_slopes(s, before) for s in segments])))
        if slope == before:
            break
    return slope


def _far_slopes(segment: BeatSegment, slope: float) -> Floats:
    low = _lowest(segment.blocks, slope)
    far = max(1, len(low) // 4)
    step = low[far:] - low[:-far]
    ratio: Floats = step[:, 1] / step[:, 0]
    return ratio


def _lowest(blocks: list[Floats], slope: float) -> Floats:
    """Return the beat with the smallest delay from each of N blocks, shape (N, 2)."""
    return np.array([block[np.argmin(block[:, 1] - slope * block[:, 0])] for block in blocks])


def _split_at_steps(segment: BeatSegment, slope: float) -> list[BeatSegment]:
    """Split a segment where the delay changes suddenly."""
    low = _lowest(segment.blocks, slope)
    change = np.diff(low[:, 1] - slope * low[:, 0])
    change -= np.median(change)
    limit = max(STEP_S, STEP_FACTOR * float(np.median(np.abs(change))))
    cuts: list[int] = (np.flatnonzero(np.abs(change) > limit) + 1).tolist()
    starts, ends = [0, *(cut + 1 for cut in cuts)], [*(cut - 1 for cut in cuts), len(low)]
    return [
        BeatSegment(
            segment.beats_per_block, segment.blocks[start : max(start, end)], segment.recent
        )
        for start, end in zip(starts, ends, strict=True)
    ]


def halved(segment: BeatSegment) -> list[BeatSegment]:
    """Split a segment where the delay changes suddenly; otherwise, join its blocks in pairs."""
    parts = _split_at_steps(segment, _coarse_slope([segment]))
    if len(parts) > 1:
        kept = [part for part in parts[:-1] if len(part.blocks) >= MIN_BLOCKS]
        return [*kept, parts[-1]]
    pairs = zip(segment.blocks[::2], segment.blocks[1::2], strict=True)
    merged = [lower_hull(np.concatenate(pair).tolist()) for pair in pairs]
    return [BeatSegment(2 * segment.beats_per_block, merged, segment.recent)]


def lower_hull(points: Sequence[Sequence[float]]) -> Floats:
    """
    Return the points on the lower edge of all points (the lower convex hull).

    The given points must be sorted by the board's time.
    """
    hull: list[Sequence[float]] = []
    for point in points:
        while len(hull) > 1 and not _turns_up(hull[-2], hull[-1], point):
            hull.pop()
        hull.append(point)
    return np.array(hull)


def _turns_up(a: Sequence[float], b: Sequence[float], c: Sequence[float]) -> bool:
    return (b[0] - a[0]) * (c[1] - b[1]) > (c[0] - b[0]) * (b[1] - a[1])


def _line(segment: BeatSegment, slope: float) -> EnvelopeLine:
    """Fit a line by least squares to the beats with the smallest delay in each block."""
    for _ in range(10):
        before = slope
        low = _lowest(segment.blocks, before)
        x, y = low[:, 0] - low[:, 0].mean(), low[:, 1] - low[:, 1].mean()
        sxx = float(x @ x)
        slope = float(x @ y) / sxx
        if slope == before:
            break
    residual = y - slope * x
    dof = len(low) - 2
    wander = _wander(residual)
    return EnvelopeLine(
        slope=slope,
        u=wander * sqrt(float(residual @ residual) / dof / sxx),
        dof=dof,
        weight=sxx * segment.beats_per_block**2,
        span_s=_span_s(segment),
        wander=wander,
        order_s=_order(segment, slope),
    )


def _order(segment: BeatSegment, slope: float) -> float:
    """Return the spread of the delays [s] if they depend on each other, otherwise 0."""
    first, last = segment.blocks[0][0, 0], segment.blocks[-1][-1, 0]
    points = np.array([point for point in segment.recent if first <= point[0] <= last])
    if len(points) < MIN_BLOCKS * BEATS_PER_BLOCK:
        return 0.0
    delay = points[:, 1] - slope * points[:, 0]
    # The ranks of the delays are used, so that a few very late beats have little effect.
    rank = np.argsort(np.argsort(delay)) - (len(delay) - 1) / 2
    power = float(rank @ rank)
    lags = range(1, min(MAX_LAG, len(rank) // 3) + 1)
    strongest = max(abs(float(rank[lag:] @ rank[:-lag])) for lag in lags) / power
    if strongest * sqrt(len(rank)) < ORDERED:
        return 0.0
    return float(np.quantile(delay, SPREAD_QUANTILE) - delay.min())


def _wander(residual: Floats) -> float:
    """
    Return by which factor a drift of the delays makes the uncertainty of the slope larger.

    The factor is √((1 + r)/(1 − r)), as for a first-order autoregression. The symbol r is the
    correlation of neighbouring deviations from the line. For n points and r up to 2/√n, the
    factor is 1.
    """
    power = float(residual @ residual)
    r = float(residual[1:] @ residual[:-1]) / power if power > 0 else 0.0
    return sqrt((1 + r) / (1 - r)) if r > 2 / sqrt(len(residual)) else 1.0


def information(segment: BeatSegment) -> float:
    """Return a score for a segment of beats: a larger score means a more precise rate."""
    if len(segment.blocks) < MIN_BLOCKS:
        return 0.0
    return _span_s(segment) ** 2 * len(segment.blocks) * segment.beats_per_block**2


def _span_s(segment: BeatSegment) -> float:
    """Return the board's time from the first to the last beat of a segment [s]."""
    return float(segment.blocks[-1][-1, 0] - segment.blocks[0][0, 0])
