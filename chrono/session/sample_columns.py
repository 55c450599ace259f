"""The columns of measured shots that a sample takes, whoever keeps them."""

from collections.abc import Callable, Iterator
from typing import Protocol

from chrono.arrays.array_types import Floats

SAMPLE_COLUMNS = ("speed_mps", "u_random_mps", "u_shared_mps", "U95_mps")


class SampleColumns(Protocol):
    """Columns of what was measured that a sample takes; `Measured` has them."""

    @property
    def speed_mps(self) -> Floats:
        """Speeds [m/s]."""

    @property
    def u_random_mps(self) -> Floats:
        """Random parts of their uncertainties [m/s]."""

    @property
    def u_shared_mps(self) -> Floats:
        """Shared parts [m/s]."""

    @property
    def U95_mps(self) -> Floats:  # noqa: N802
        """Expanded uncertainties [m/s]."""


Pieces = Callable[[slice], Iterator[tuple[slice, SampleColumns]]]
"""Gives slices that cover one, and what was measured of each."""
