"""Speed per shot with error bars: the last shots of the current setup."""

from collections.abc import Iterable
from math import isfinite

import numpy as np
import numpy.typing as npt
from textual_plot import PlotWidget

from chrono.session.shotlog import ShotRow
from chrono.units import speed_in

Points = npt.NDArray[np.float64]

LAST_SHOTS = 100
LEAST_SHOTS_WIDE = 10


class SpeedPlot(PlotWidget):
    """Counted shots as ●, others as ×, each with its ± (95 %)."""

    can_focus = False

    def __init__(self) -> None:
        super().__init__(id="speeds", allow_pan_and_zoom=False)
        self.points = _points([], "m/s")
        """Number, speed, ± and counted of each shot that is plotted, shape (N, 4)."""
        self.limits = (0.0, 1.0)
        """Ends of the speed axis."""

    def on_mount(self) -> None:
        """Leave little room around it."""
        super().on_mount()
        self.margin_top, self.margin_bottom, self.margin_left = 0, 1, 9

    def show_shots(self, rows: Iterable[ShotRow], setup: str, unit: str) -> None:
        """Plot the last shots of a setup that have a speed."""
        chosen = [row for row in rows if row.setup == setup and isfinite(row.speed_mps)]
        points = _points(chosen[-LAST_SHOTS:], unit)
        title = f"{unit} by shot, ± 95 %   ● counted   × not"
        if self.border_title == title and np.array_equal(points, self.points):
            return
        self.points, self.border_title = points, title
        self.clear()
        if len(points):
            self._set_limits(points)
        for counted, marker, style in ((1, "●", "cyan"), (0, "×", "yellow")):
            x, y, u = points[points[:, 3] == counted, :3].T
            if len(x):
                self.errorbar(x, y, yerr=u, marker=marker, marker_style=style)

    def _set_limits(self, points: Points) -> None:
        x, y, u = points[:, :3].T
        low, high = float(np.min(y - u)), float(np.max(y + u))
        margin = 0.08 * (high - low) or 0.01 * abs(high) or 1.0
        self.limits = low - margin, high + margin
        self.set_ylimits(*self.limits)
        last = max(float(x[-1]), float(x[0]) + LEAST_SHOTS_WIDE - 1)
        self.set_xlimits(float(x[0]) - 0.7, last + 0.7)


def _points(rows: list[ShotRow], unit: str) -> Points:
    """Return number, speed, ± and counted of each shot, shape (N, 4), all finite."""
    points = [
        (
            row.number,
            speed_in(unit, row.speed_mps),
            speed_in(unit, row.U95_mps) if isfinite(row.U95_mps) else 0.0,
            row.counted,
        )
        for row in rows
    ]
    return np.array(points, np.float64).reshape(-1, 4)
