"""What the calibrations share: contributions, their combination, the evaluation of a series.

Rules of JCGM 100 (GUM): contributions combine in quadrature, effective degrees of freedom
by Welch-Satterthwaite, U95 by Student's t. Knows nothing of rigs, files or gates.
"""

from collections.abc import Iterable
from dataclasses import dataclass
from math import inf, isfinite, sqrt

import numpy as np
import numpy.typing as npt
from scipy.special import stdtrit

Floats = npt.NDArray[np.float64]


@dataclass(frozen=True)
class Contribution:
    """
    One contribution to the uncertainty of a result.

    Attributes
    ----------
    name : str
        What it comes from, in the user's words.
    u : float
        Standard uncertainty it causes in the result [unit of the result].
    dof : float
        Degrees of freedom, infinite for a type B evaluation taken as exact.
    distribution : str
        ``normal``, ``rectangular`` or ``t``.
    """

    name: str
    u: float
    dof: float = inf
    distribution: str = "normal"


@dataclass(frozen=True)
class Combined:
    """
    A combined standard uncertainty with its effective degrees of freedom.

    Attributes
    ----------
    u : float
        Combined standard uncertainty.
    dof : float
        Effective degrees of freedom (not truncated).
    U95 : float
        Expanded uncertainty for a coverage of 95 %.
    """

    u: float
    dof: float

    @property
    def U95(self) -> float:  # noqa: N802 - the symbol of the GUM
        return coverage_factor(self.dof) * self.u


def coverage_factor(dof: float) -> float:
    """
    Return the factor k of U = k·u for 95 % coverage (two-sided Student's t).

    Source: JCGM 100:2008, G.3 and table G.2.
    """
    return float(stdtrit(dof, 0.975)) if isfinite(dof) else 1.959963984540054


def combine(contributions: Iterable[Contribution]) -> Combined:
    """
    Combine independent contributions (JCGM 100:2008, 5.1.2 and G.4.1).

    Parameters
    ----------
    contributions : iterable of Contribution
        Given in the unit of the result, sensitivities already applied.

    Returns
    -------
    Combined
        Zero uncertainty with infinite degrees of freedom when all contributions are zero.
    """
    parts = list(contributions)
    variance = sum(part.u**2 for part in parts)
    spent = sum(part.u**4 / part.dof for part in parts)
    return Combined(sqrt(variance), variance**2 / spent if spent > 0 else inf)


def rectangular_u(half_width: float) -> float:
    """Return the standard uncertainty of a rectangular distribution (JCGM 100, 4.3.7)."""
    return half_width / sqrt(3)


def mean_contribution(name: str, values: Floats) -> Contribution:
    """
    Return the type A uncertainty of the mean of a series (JCGM 100:2008, 4.2.3).

    Parameters
    ----------
    name : str
        Name of the contribution.
    values : ndarray of float64, shape (N,), N >= 2
        The repeated observations.
    """
    dof = len(values) - 1
    return Contribution(name, float(np.std(values, ddof=1)) / sqrt(len(values)), dof, "t")
