"""The columns of measured shots."""

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from chrono.arrays.array_types import Floats


@dataclass(frozen=True, eq=False)
class Measured:
    """
    Columns of measured shots, one element per shot; NaN where not measurable.

    Attributes
    ----------
    speed_mps : ndarray of float64, shape (N,)
        Speed [m/s].
    u_mps, U95_mps : ndarray of float64, shape (N,)
        Combined standard uncertainty; half-width of the interval that holds 95 % [m/s].
    u_random_mps, u_shared_mps : ndarray of float64, shape (N,)
        The two parts of `u_mps` [m/s].
    transit_s : ndarray of float64, shape (N,)
        Transit by the board's clock [s].
    body_length_m : ndarray of float64, shape (N,)
        Speed times the mean blocking time of the gates that have one [m].
    companion_speed_mps : ndarray of float64, shape (N,)
        Speed of the first companion [m/s].
    bounce_s : ndarray of float64, shape (N,)
        Part of the transit's standard uncertainty from bounce and late lines [s].
    """

    speed_mps: Floats
    u_mps: Floats
    U95_mps: Floats
    u_random_mps: Floats
    u_shared_mps: Floats
    transit_s: Floats
    body_length_m: Floats
    companion_speed_mps: Floats
    bounce_s: Floats


def join_measured(pieces: Sequence[Measured]) -> Measured:
    """Return the columns of all pieces, one after the other."""
    if len(pieces) == 1:
        return pieces[0]
    names = Measured.__dataclass_fields__
    return Measured(
        **{n: np.concatenate([np.zeros(0), *(getattr(p, n) for p in pieces)]) for n in names}
    )
