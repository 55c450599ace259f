"""The Compare screen shows whether one setup is faster than another setup."""

from asyncio import to_thread
from collections.abc import Sequence

import numpy as np
from rich.text import Text
from textual import work
from textual.containers import VerticalScroll
from textual.widget import Widget
from textual.widgets import Static

from chrono.dashboard.clipped_text import fit, update_text
from chrono.dashboard.framed_screen import FramedScreen
from chrono.dashboard.preferences import Preferences
from chrono.dashboard.run_driver import RunDriver
from chrono.dashboard.shot_text import SEGMENT_COLOURS
from chrono.measuring.setup_comparison import Comparison, Group, PairComparison, compare_groups
from chrono.reports.character_chart import (
    DOTS_HIGH,
    DOTS_WIDE,
    Axis,
    Chart,
    axis_lines,
    fit_axis,
)
from chrono.reports.comparison_text import (
    headline_lines,
    is_matrix,
    many_lines,
    matrix_lines,
    note_lines,
    pair_lines,
    suspicious_lines,
)
from chrono.session.pooled_samples import damaged_lines_of
from chrono.session.view_cache import SessionView
from chrono.units import format_speed, speed_in

TOO_FEW = "A comparison needs counted shots of at least two setups."
LEAST_CELLS = 20
_APART = range(6, 21)
"""Allowed distances between two ticks of an axis [cells]."""


class ComparisonScreen(FramedScreen):
    """A screen that compares setups: their shots, their mean speeds, and the differences."""

    def __init__(self, driver: RunDriver, preferences: Preferences) -> None:
        super().__init__(driver, preferences)
        self._groups: list[Group] = []
        self._compared: list[Group] = []
        self._found: Comparison | None = None
        self._at_work = False

    def compose_body(self) -> list[Widget]:
        """Return a widget that shows a text which the user can scroll."""
        return [VerticalScroll(Static(id="compared"), id="comparison")]

    def on_resize(self) -> None:
        """Draw the screen again after its size has changed."""
        self.call_after_refresh(self._draw)

    def show_view(self, view: SessionView, unit: str) -> None:
        """
        Draw the comparison of the setups.

        If a shot or a mark changed, first compute the comparison again.
        """
        self._groups = self.driver.looks.groups()
        if self._groups is not self._compared and not self._at_work:
            self._at_work = True
            self._compare()
        self._draw()

    @work(group="compare")
    async def _compare(self) -> None:
        try:
            while self._groups is not self._compared:
                groups = self._groups
                self._found = await to_thread(compare_groups, groups)
                self._compared = groups
                self._draw()
        finally:
            self._at_work = False

    def _draw(self) -> None:
        if not self.stands:
            return
        text = self.query_one("#compared", Static)
        columns = text.content_size.width
        if columns >= LEAST_CELLS:
            unit = self.preferences.unit
            damaged = damaged_lines_of(self.driver.run.session)
            shown = comparison_screen_text(self._groups, self._found, unit, columns, damaged)
            update_text(text, shown)


def comparison_screen_text(
    groups: Sequence[Group],
    found: Comparison | None,
    unit: str,
    columns: int,
    damaged_lines: int = 0,
) -> Text:
    """
    Return the text of the screen: which setup is faster, the mean of each setup, and each pair.
    """
    text = Text()
    if len(groups) < 2:
        text.append(f"{TOO_FEW}\n\n", "bold yellow")
    elif found is not None and len(found.groups) > 1:
        answer, *doubts = headline_lines(found, unit, damaged_lines)
        text.append(f"{answer}\n", "bold").append("".join(f"{line}\n" for line in doubts))
        latest = latest_pair(found)
        text.append_text(groups_text(groups, unit, columns))
        text.append("\n").append_text(pair_text(latest, unit, columns))
        pairs = [pair for pair in found.pairs if pair is not latest and not is_matrix(found)]
        for pair in pairs:
            text.append("\n").append_text(pair_text(pair, unit, columns))
        more = [suspicious_lines(found), note_lines(found, unit)]
        if is_matrix(found):
            more[:0] = [matrix_lines(found, unit, columns), many_lines(found)]
        for lines in filter(None, more):
            text.append("\n").append("".join(f"{line}\n" for line in lines))
        return text
    return text.append_text(groups_text(groups, unit, columns)) if groups else text


def latest_pair(found: Comparison) -> PairComparison:
    """Return the comparison of the two setups that have the latest counted shots."""
    last = sorted(found.groups, key=lambda group: int(group.sample.number[-1]))[-2:]
    names = {group.name for group in last}
    return next(pair for pair in found.pairs if {pair.first.name, pair.second.name} == names)


def pair_text(pair: PairComparison, unit: str, columns: int) -> Text:
    """Describe the difference between two setups with sentences and a drawing."""
    title, *lines = pair_lines(pair, unit)
    text = Text().append(f"{title}\n", "bold")
    text.append("".join(f"{line.strip()}\n" for line in lines))
    if pair.difference is None:
        return text
    value, half = (
        speed_in(unit, v) for v in (pair.difference.difference_mps, pair.difference.U95_mps)
    )
    axis = fit_axis(min(value - half, 0.0), max(value + half, 0.0), columns, _APART)
    zero = round(axis.place(0.0))
    drawn = interval_line(axis, value - half, value, value + half)
    ruled = drawn if drawn[zero] != " " else f"{drawn[:zero]}│{drawn[zero + 1 :]}"
    text.append(f"{ruled.rstrip()}\n", "bold")
    return text.append("".join(f"{line}\n" for line in axis_lines(axis, unit)), "bright_black")


def groups_text(groups: Sequence[Group], unit: str, columns: int) -> Text:
    """
    Draw each setup: its mean speed, one dot for each shot, and the 95 % interval of the mean.
    """
    ends = [end for group in groups for end in _ends(group, unit)]
    axis = fit_axis(min(ends), max(ends), columns, _APART)
    text = Text()
    for place, group in enumerate(groups):
        colour = SEGMENT_COLOURS[place % len(SEGMENT_COLOURS)]
        series = group.series
        figures = f"{series.n} counted  " + format_speed(
            series.mean_mps, series.U95_mean_mps, unit
        )
        name = fit(group.name, max(columns - len(figures) - 2, 8))
        gap = max(columns - Text(name).cell_len - len(figures), 1)
        text.append(name, f"bold {colour}").append(f"{' ' * gap}{figures}\n")
        text.append(f"{_dots(axis, group, unit)}\n", colour)
        mean, half = (speed_in(unit, v) for v in (series.mean_mps, series.U95_mean_mps))
        text.append(f"{interval_line(axis, mean - half, mean, mean + half).rstrip()}\n", colour)
    return text.append("".join(f"{line}\n" for line in axis_lines(axis, unit)), "bright_black")


def interval_line(axis: Axis, low: float, middle: float, high: float) -> str:
    """Return a line of characters that shows an interval with its ends and its middle."""
    begin, at, end = (
        min(max(round(axis.place(value)), 0), axis.cells - 1) for value in (low, middle, high)
    )
    cells = [" "] * axis.cells
    cells[begin : end + 1] = "─" * (end + 1 - begin)
    cells[begin], cells[end], cells[at] = "├", "┤", "┼"
    return "".join(cells)


def _ends(group: Group, unit: str) -> tuple[float, float]:
    """Return the lowest and the highest speed in the drawing of a setup."""
    series = group.series
    low = min(series.min_mps, series.mean_mps - series.U95_mean_mps)
    high = max(series.max_mps, series.mean_mps + series.U95_mean_mps)
    return speed_in(unit, low), speed_in(unit, high)


def _dots(axis: Axis, group: Group, unit: str) -> str:
    """Draw one dot for each shot; if there is room, stack the dots of equal speeds."""
    chart = Chart(axis, Axis(0.0, 1.0, 1, 1.0))
    speeds = np.array([speed_in(unit, v) for v in group.sample.speed_mps])
    columns, counts = np.unique(
        np.floor((speeds - axis.low) / axis.per_cell * DOTS_WIDE), return_counts=True
    )
    for column, count in zip(columns, counts, strict=True):
        x = axis.low + (column + 0.5) / DOTS_WIDE * axis.per_cell
        for row in range(min(int(count), DOTS_HIGH)):
            chart.point(x, (row + 0.5) / DOTS_HIGH - 0.5)
    return "".join(piece for piece, _ in chart.lines()[0][1:]).rstrip()
