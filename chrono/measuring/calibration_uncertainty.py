"""What the calibrations share: the mean of a series, a combined uncertainty, the rig's keys.

Contributions are those of the error budget. Knows nothing of gates, files or screens.
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
"""Fewer repeats give a standard deviation that may well be off by half of itself."""

MAX_EVIDENCE = 1000
"""Characters that a rig file keeps of the evidence."""


@dataclass(frozen=True)
class CombinedUncertainty:
    """
    The uncertainty of a calibration's result, in the result's SI unit.

    Attributes
    ----------
    contributions : tuple of Contribution
        What it is made of.
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
    Combine independent contributions to one result.

    Notes
    -----
    U95 is the smaller of two honest ones: t_95(ν_eff)·u_c is too wide where a rectangular
    contribution dominates, the interval of the combined distribution too wide where few
    repeats do (sums of t distributions cover more than 95 % of repeated calibrations).
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
    Return the mean of a series as an input (type A, JCGM 100:2008, 4.2.3).

    Parameters
    ----------
    name : str
        Name of the input.
    values : ndarray of float64, shape (N,), N >= 2
        The repeated observations.
    unit : str, optional
        Their SI unit.
    """
    u = float(np.std(values, ddof=1)) / math.sqrt(len(values))
    return normal(name, u, dof=len(values) - 1, nature="shared", unit=unit)


def rig_changes(
    section: str, value: str, u: str, dof: float, date: str, evidence: str, **extra: object
) -> dict[str, object]:
    """
    Return the keys of a rig file that hold a calibration's result.

    Parameters
    ----------
    section : str
        ``clock``, ``latency`` or ``spacing``.
    value, u : str
        Result and standard uncertainty with their unit.
    dof : float
        Effective degrees of freedom; infinite ones are left out.
    date : str
        Day of the calibration, ISO 8601.
    evidence : str
        One line that tells what it rests on.
    **extra
        Further keys of the section.
    """
    keys = {"value": value, "u": u, **extra, "date": date, "evidence": evidence[:MAX_EVIDENCE]}
    if math.isfinite(dof):
        keys["dof"] = round(max(dof, 1.0), 2)
    return {f"calibration.{section}.{key}": item for key, item in keys.items()}


def _expanded(parts: tuple[Contribution, ...]) -> float:
    expanded = expanded_uncertainty(parts)
    if all(part.input.distribution == "normal" for part in parts if part.u_out > 0):
        return expanded
    return min(expanded, coverage_half_width(parts))
