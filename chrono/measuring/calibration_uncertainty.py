"""Compute the mean of a series and the combined uncertainty of a calibration.

All calibrations of the program use the functions in this file. A calibration's uncertainty is a
list of contributions, as in the error budget of a shot. This file does not use gates, files or
screens.
"""

import math
from collections.abc import Iterable
from dataclasses import dataclass

import numpy as np

from chrono.arrays.array_types import Floats
from chrono.measuring.coverage_interval import coverage_half_width
from chrono.measuring.error_budget import (
    Contribution,
    Input,
    combined_uncertainty,
    effective_dof,
    expanded_uncertainty,
    normal,
)

MIN_REPEATS = 5
"""Smallest number of repeats. With fewer repeats the standard deviation may easily be wrong by
half of its value.
"""


@dataclass(frozen=True)
class CombinedUncertainty:
    """
    The uncertainty of a calibration's result, in the result's SI unit.

    Attributes
    ----------
    contributions : tuple of Contribution
        The parts of the uncertainty.
    u : float
        Combined standard uncertainty (JCGM 100:2008, eq. 10).
    dof : float
        Effective degrees of freedom (JCGM 100:2008, eq. G.2b).
    U95 : float
        Expanded uncertainty for 95 % coverage, see `combine`.
    """

    contributions: tuple[Contribution, ...]
    u: float
    dof: float
    U95: float


def combine(contributions: Iterable[Contribution]) -> CombinedUncertainty:
    """
    Combine the contributions to the uncertainty of one result; their errors are independent.

    Notes
    -----
    Two ways to compute U95 are valid, and the smaller result is used. t_95(ν_eff)·u_c is too
    wide if the largest contribution is rectangular. The interval of the combined distribution
    is too wide if the largest contribution comes from few repeats. (An interval from a sum of t
    distributions contains the true value in more than 95 % of repeated calibrations.)
    """
    parts = tuple(contributions)
    return CombinedUncertainty(
        contributions=parts,
        u=combined_uncertainty(parts),
        dof=effective_dof(parts),
        U95=_expanded(parts),
    )


def mean_input(name: str, values: Floats, unit: str = "") -> Input:
    """
    Return the mean of repeated measurements as an input of an error budget.

    The uncertainty of the mean comes from the scatter of the measurements (type A, JCGM
    100:2008, 4.2.3).

    Parameters
    ----------
    name : str
        Name of the input.
    values : ndarray of float64, shape (N,), N >= 2
        The repeated observations.
    unit : str, optional
        SI unit of the observations.
    """
    u = float(np.std(values, ddof=1)) / math.sqrt(len(values))
    return normal(name, u, dof=len(values) - 1, nature="shared", unit=unit)


def _expanded(parts: tuple[Contribution, ...]) -> float:
    expanded = expanded_uncertainty(parts)
    if all(part.input.distribution == "normal" for part in parts if part.u_out > 0):
        return expanded
    return min(expanded, coverage_half_width(parts))
