"""Values that stand apart from the rest: proposed for a look, never removed.

Rosner's generalised extreme studentised deviate finds several at once; with one candidate it
is Grubbs' test. (NIST e-Handbook 1.3.5.17.1 and 1.3.5.17.3.)
"""

import math

import numpy as np
import scipy

from chrono.arrays.array_types import Floats

RISK = 0.03
"""Of one clean series, of any length: below 5 % also where Rosner's values are approximate."""
LEAST_VALUES = 5
"""Below, one value among so few says nothing of the others' spread."""
CANDIDATE_SHARE = 5
"""At most one value in five is looked at: more are no outliers but a second kind of shot."""
MOST_CANDIDATES = 30
"""Nobody looks at a longer list, and each costs a pass over the values."""


def suspicious(values: Floats, risk: float = RISK) -> list[int]:
    """
    Return the places of values that do not go with the others, the furthest first.

    Parameters
    ----------
    values : ndarray of float64, shape (N,)
    risk : float, optional
        Probability of naming any in a normal sample.
    """
    n = len(values)
    if n < LEAST_VALUES:
        return []
    return generalised_esd(values, min(max(n // CANDIDATE_SHARE, 1), MOST_CANDIDATES), risk)


def generalised_esd(values: Floats, candidates: int, risk: float = 0.05) -> list[int]:
    """Return the places of outliers among the `candidates` furthest (Rosner 1983)."""
    n, found = len(values), 0
    places, statistics = extreme_deviates(values, candidates)
    for i, deviate in enumerate(statistics, 1):
        if deviate > critical_deviate(n - i + 1, risk):
            found = i
    return places[:found]


def extreme_deviates(values: Floats, candidates: int) -> tuple[list[int], list[float]]:
    """Return the places of the furthest values, taken away one by one, and their |x − x̄|/s."""
    order = np.argsort(values, kind="stable")
    rest = values[order]  # its ends are what may be furthest
    first = 0
    places: list[int] = []
    deviates: list[float] = []
    for _ in range(min(candidates, len(values) - 2)):
        mean, s = float(np.mean(rest)), float(np.std(rest, ddof=1))
        if s == 0:
            break
        below, above = mean - float(rest[0]), float(rest[-1]) - mean
        low = below >= above
        places.append(int(order[first if low else first + len(rest) - 1]))
        deviates.append(max(below, above) / s)
        first += low
        rest = rest[1:] if low else rest[:-1]
    return places, deviates


def critical_deviate(n: int, risk: float = 0.05, sides: int = 2) -> float:
    """Return the value that the largest |x − x̄|/s of n normal values exceeds with `risk`."""
    t = float(scipy.special.stdtrit(n - 2, 1 - risk / (sides * n)))
    return (n - 1) * t / math.sqrt(n * (n - 2 + t * t))
