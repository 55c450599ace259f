"""Plot the last shots: the speed of each shot with its error bar, or a histogram of speeds."""

import math
from collections.abc import Iterable
from itertools import pairwise
from math import isfinite

import numpy as np
from rich.style import Style
from rich.text import Text
from textual.widget import Widget

from chrono.arrays.array_types import Floats
from chrono.dashboard.clipped_text import fit
from chrono.reports.character_chart import DOTS_HIGH, DOTS_WIDE, Axis, Chart, Piece, fit_axis
from chrono.reports.setup_words import setup_text
from chrono.session.shot_log import ShotRow
from chrono.units import speed_in

Points = Floats

LAST_SHOTS = 100
LEAST_SHOTS_WIDE = 10
LEAST_INTERVALS = 4
LABEL_CELLS = 9
"""Width of the space at the left for the numbers of the ticks [cells]."""
STYLES = {"counted": "cyan", "not": "yellow", "change": "bright_black", "axis": "bright_black"}


class SpeedPlot(Widget):
    """
    A widget with a plot of each shot's speed and ± (95 %), or with a histogram of the speeds.
    """

    can_focus = False

    def __init__(self) -> None:
        super().__init__(id="speeds")
        self.points = _points([], "m/s")
        """Number, speed, ± and counted (0 or 1) of each plotted shot, shape (N, 4)."""
        self.histogram = False
        self._changes: list[tuple[float, str]] = []
        self._setup = ""
        self._unit = "m/s"

    def show_shots(self, rows: Iterable[ShotRow], setup: str, unit: str) -> None:
        """
        Plot the last shots that have a speed.

        The histogram shows only the counted shots of one setup.
        """
        chosen = [row for row in rows if isfinite(row.speed_mps)][-LAST_SHOTS:]
        self.points, self._setup, self._unit = _points(chosen, unit), setup, unit
        self._changes = [
            ((a.number + b.number) / 2, b.setup)
            for a, b in pairwise(chosen)
            if a.setup != b.setup
        ]
        of_setup = [row.setup == setup and row.counted for row in chosen]
        self._speeds = self.points[np.array(of_setup, bool), 1]
        self.refresh()

    def toggle_histogram(self) -> None:
        """Switch between the histogram of speeds and the plot of each shot's speed."""
        self.histogram = not self.histogram
        self.refresh()

    def render(self) -> Text:
        """Draw the plot in the current size of the widget."""
        columns, lines = self.content_size.width - LABEL_CELLS, self.content_size.height
        if columns < LEAST_SHOTS_WIDE or lines < 5 or not len(self.points):
            self.border_title = self._unit
            return Text("" if len(self.points) else "no speed yet", "bright_black")
        if self.histogram:
            self.border_title = (
                f"counted shots at each speed, {self._unit}: {fit(setup_text(self._setup), 24)}"
            )
            return histogram_text(self._speeds, columns, lines)
        chart, words = shots_chart(self.points, columns, lines - 2)
        self.border_title = f"speed in {self._unit}, {words}; × uncounted shot"
        top = chart.y.high - chart.y.per_cell / 2
        for x, name in self._changes:
            chart.bar(x, chart.y.low, chart.y.high, "change")
            chart.sign(x + chart.x.per_cell, top, fit(setup_text(name), 16), "change")
        return _text(chart.lines())


def shots_chart(points: Points, columns: int, lines: int) -> tuple[Chart, str]:
    """
    Draw a plot of the speed of each shot.

    Parameters
    ----------
    points : ndarray, shape (N, 4)
        Number, speed, ± and counted of each shot; N at least 1.
    columns, lines : int
        Cells of the picture without its axes.

    Returns
    -------
    Chart
    str
        A note that says if the ± is drawn or is smaller than a dot.
    """
    x, y, u = points[:, :3].T
    last = max(float(x[-1]), float(x[0]) + LEAST_SHOTS_WIDE - 1)
    axis_x = fit_axis(
        float(x[0]) - 0.4, last + 0.4, columns, apart=range(5, 21), least_step=1.0
    )
    axis_y = fit_axis(float(np.min(y - u)), float(np.max(y + u)), lines)
    chart = Chart(axis_x, axis_y)
    drawn = u > axis_y.per_cell / DOTS_HIGH / 2
    wide = 1 / axis_x.per_cell * DOTS_WIDE >= 3
    for number, speed, half, counted in points:
        style = "counted" if counted else "not"
        if half > axis_y.per_cell / DOTS_HIGH / 2:
            chart.bar(number, speed - half, speed + half, style)
        (chart.mark if wide else chart.point)(number, speed, style)
        if not counted:
            chart.sign(number, speed, "×", style)
    return chart, "± 95 %" if drawn.any() else "± within the dot"


def histogram_text(speeds: Points, columns: int, lines: int) -> Text:
    """
    Draw a histogram of speeds, with one line for each interval of speeds.

    The intervals have a round width such as 0.5 m/s. The histogram of n speeds has at least
    2·∛n intervals if there is room (the Rice rule; Lane, Online Statistics Education).
    """
    if len(speeds) < 2:
        return Text.assemble(
            ("a histogram needs at least two counted shots of this setup", "bright_black")
        )
    axis = _intervals(speeds, lines)
    counts = np.bincount(
        np.clip(
            np.floor(np.array([axis.place(v) for v in speeds]) + 0.5).astype(int),
            0,
            axis.cells - 1,
        ),
        minlength=axis.cells,
    )
    room = columns - 4
    labels = dict(axis.ticks())
    text = Text()
    for cell in range(axis.cells - 1, -1, -1):
        count = int(counts[cell])
        length = round(room * count / max(int(counts.max()), 1))
        text.append(f"{labels.get(cell, ''):>{LABEL_CELLS - 2}} ", STYLES["axis"])
        text.append("█" * max(length, bool(count)), STYLES["counted"])
        text.append(f" {count}\n" if count else "\n", STYLES["axis"])
    return text


def _intervals(speeds: Points, lines: int) -> Axis:
    """Divide the range of all speeds into equal intervals with a round width."""
    low, high = float(speeds.min()), float(speeds.max())
    wanted = math.ceil(2 * len(speeds) ** (1 / 3) - 1e-9)
    axis = fit_axis(low, high, LEAST_INTERVALS, apart=(1, 2))
    for cells in range(LEAST_INTERVALS, lines + 1):
        if (high - low) / axis.per_cell + 1 >= wanted:
            break
        axis = fit_axis(low, high, cells, apart=(1, 2))
    return axis


def _text(lines: list[list[Piece]]) -> Text:
    """Join pieces of text into one text with the colours of the screen."""
    text = Text(no_wrap=True)
    for line in lines:
        for piece, style in line:
            text.append(piece, Style.parse(STYLES[style]) if style else "")
        text.append("\n")
    return text


def _points(rows: list[ShotRow], unit: str) -> Points:
    """
    Return an array, shape (N, 4), with number, speed, ± and "counted" (0 or 1) of N shots.

    All values are finite.
    """
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
