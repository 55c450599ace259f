"""An axis on which every decade is as long as the others."""

import math
from dataclasses import dataclass

from chrono.reports.chart import Axis


@dataclass(frozen=True)
class DecadeAxis(Axis):
    """
    An axis of logarithms: `first`, `per_cell` and `step` are in decades.

    Attributes
    ----------
    scale : float
        What a value is divided by where it is written.
    """

    scale: float = 1.0

    def place(self, value: float) -> float:
        """Return where a value above zero stands, in cells from the middle of the first."""
        return (math.log10(value) - self.first) / self.per_cell

    def ticks(self) -> list[tuple[int, str]]:
        """Return the cell and the text of each decade and, where there is room, of 2 and 5."""
        found: dict[int, str] = {}
        for digit in (1, 2, 5) if 1 / self.per_cell >= 12 else (1,):
            for decade in range(math.floor(self.first), math.ceil(self.high) + 1):
                cell = round(self.place(digit * 10.0**decade))
                if 0 <= cell < self.cells:
                    found.setdefault(cell, f"{digit * 10.0**decade / self.scale:g}")
        return sorted(found.items())


def decade_axis(low: float, high: float, cells: int, scale: float = 1.0) -> DecadeAxis:
    """Return the axis that shows `low` … `high`, above zero, over all cells."""
    first, last = math.log10(low), math.log10(high)
    return DecadeAxis(first, (last - first) / (cells - 1), cells, 1.0, scale)
