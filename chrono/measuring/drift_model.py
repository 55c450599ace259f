"""Compute the mean speed of each setup, and one drift for the whole session.

Each setup has its own mean and its own spread. A drift is a steady change of the speed from
shot to shot. Source of the standard errors: method HC2, MacKinnon and White, Journal of
Econometrics 29 (1985) 305. Source of the degrees of freedom: Bell and McCaffrey, Survey
Methodology 28 (2002) 169. Without a drift, the results are the same as in Welch's test.
"""

import math
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from chrono.arrays.array_types import Floats, Ints
from chrono.measuring.series_statistics import Sample

_FREE_LEAST = 1e-9
"""If the freedom (1 minus the leverage) of a shot is below this value, this shot alone
determines the drift. In this case the error of the drift is unknown.
"""


@dataclass(frozen=True)
class FittedDifference:
    """
    Difference between the mean speeds of two setups, after a correction for drift.

    Attributes
    ----------
    difference_mps : float
        Mean of the second setup minus mean of the first [m/s].
    u_mps, dof : float
        Standard uncertainty of the difference from the scatter [m/s], and its degrees of
        freedom.
    u_own_mps : float
        Standard uncertainty of the difference from the random uncertainty of each shot [m/s].
        The random uncertainty of a shot is known in advance.
    """

    difference_mps: float
    u_mps: float
    dof: float
    u_own_mps: float


@dataclass(frozen=True, eq=False)
class DriftFit:
    """
    The mean speeds of K setups, and one drift for all setups, computed from N shots.

    Attributes
    ----------
    setup : ndarray of int64, shape (N,)
        Number of each shot's setup, from 0.
    counts, means_mps, middles : ndarray of float64, shape (K,)
        Number of shots, mean speed [m/s] and mean shot number of each setup.
    along : ndarray of float64, shape (N,)
        Shot number minus the setup's mean shot number, scaled so that the sum of squares is 1.
    length : float
        Scale of `along`: root of the sum of squares before scaling [shots].
    slope : float
        Drift per unit of `along` [m/s].
    residuals_mps, freedom, own_mps : ndarray of float64, shape (N,)
        For each shot: the residual of the speed [m/s], the part of the speed's error that is in
        the residual (1 minus the leverage), and the random uncertainty of the speed [m/s].
    """

    setup: Ints
    counts: Floats
    means_mps: Floats
    middles: Floats
    along: Floats
    length: float
    slope: float
    residuals_mps: Floats
    freedom: Floats
    own_mps: Floats

    def difference(self, first: int, second: int) -> FittedDifference:
        """
        Return the difference between the mean speeds of two setups.

        `first` and `second` are the positions of the setups in the list.
        """
        path = (self.middles[second] - self.middles[first]) / self.length
        share = np.zeros(len(self.counts))
        share[[first, second]] = -1 / self.counts[first], 1 / self.counts[second]
        factors = share[self.setup] - path * self.along
        weights = factors**2 / self.freedom
        return FittedDifference(
            float(self.means_mps[second] - self.means_mps[first] - self.slope * path),
            math.sqrt(float(weights @ self.residuals_mps**2)),
            self._freedom_of(weights),
            math.sqrt(float(factors**2 @ self.own_mps**2)),
        )

    def _freedom_of(self, weights: Floats) -> float:
        """
        Return the degrees of freedom of Σ w·e²; a shot has the weight w and the residual e.

        Notes
        -----
        The residuals are e = M·ε with M = I − Q·Qᵀ. With A = M·diag(w)·M and Σ = diag(σ²), the
        mean of Σ w·e² is tr(A·Σ) and its variance is 2·tr(A·Σ·A·Σ). So the degrees of freedom
        are tr(A·Σ)² divided by tr(A·Σ·A·Σ). In full, A_ij = γ·q_i·q_j + q_i·p_j + p_i·q_j. If
        both shots are from the same setup of n shots, add W/n² − (w_i + w_j)/n. If both are the
        same shot, also add w_i. Here γ = Σ w·q², W is Σ w of the setup, and p is −w·q minus its
        mean in the setup. The spread of each setup comes from its residuals. Bell and McCaffrey
        assume equal spreads. With this assumption, differences would be claimed too often for
        setups with few shots and different spreads.
        """
        n, along = self.counts, self.along
        spreads = self._sums(self.residuals_mps**2 / self.freedom) / n
        if not spreads.any():
            return float(len(self.setup) - len(n) - 1)
        spreads, weights = spreads / spreads.max(), weights / weights.max()
        of_shot = spreads[self.setup]
        across = (self._sums(weights * along) / n)[self.setup] - weights * along
        gamma = float(weights @ along**2)
        own = gamma * along**2 + 2 * along * across
        whole, squares = self._sums(weights), self._sums(weights**2)
        mean = float(of_shot @ own + spreads @ (whole * (1 - 1 / n)))
        a, b, c = (
            float(of_shot @ product) for product in (along**2, along * across, across**2)
        )
        variance = gamma**2 * a * a + 4 * gamma * a * b + 2 * a * c + 2 * b * b
        within = squares * (1 - 2 / n) + (whole / n) ** 2 + 2 * self._sums(weights * own)
        return mean**2 / (variance + float(spreads**2 @ within))

    def _sums(self, values: Floats) -> Floats:
        """Return, for each setup, the sum of the values of its shots, shape (K,)."""
        return np.bincount(self.setup, values, len(self.counts)).astype(np.float64)


def fit_drift(samples: Sequence[Sample]) -> DriftFit | None:
    """
    Fit one mean speed per setup, and one drift that is common to all setups.

    Parameters
    ----------
    samples : sequence of Sample
        Samples of one session, each with two shots or more.

    Returns
    -------
    DriftFit or None
        None if a single shot alone would determine the drift, or for fewer than two samples.
    """
    if len(samples) < 2:
        return None
    counts = np.array([len(each.number) for each in samples])
    setup = np.repeat(np.arange(len(samples)), counts)
    middles = np.array([each.number.mean() for each in samples])
    means = np.array([each.speed_mps.mean() for each in samples])
    distances = np.concatenate([each.number for each in samples]) - middles[setup]
    length = math.sqrt(float(distances @ distances))
    along = distances / length
    freedom = 1 - 1 / counts[setup] - along**2
    if freedom.min() < _FREE_LEAST:
        return None
    deviations = np.concatenate([each.speed_mps for each in samples]) - means[setup]
    slope = float(along @ deviations)
    return DriftFit(
        setup,
        counts.astype(np.float64),
        means,
        middles,
        along,
        length,
        slope,
        deviations - slope * along,
        freedom,
        np.concatenate([each.u_random_mps for each in samples]),
    )
