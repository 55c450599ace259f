"""The Shots screen: the latest speed large, what its ± is made of, statistics, plot, table.

Where the cursor stands on an older shot, that one is shown in full below the table.
"""

from typing import ClassVar

from rich.text import Text
from textual import events, on
from textual.binding import Binding, BindingType
from textual.containers import Horizontal, Vertical
from textual.renderables.digits import Digits as DigitsRenderable
from textual.widget import Widget
from textual.widgets import Digits, Static

from chrono.dashboard.clipped_text import Clipped
from chrono.dashboard.framed_screen import FramedScreen, update_text
from chrono.dashboard.shot_table import ShotTable
from chrono.dashboard.shot_text import (
    budget_bar,
    flag_lines,
    large_text,
    shot_text,
    statistics_lines,
    statistics_text,
)
from chrono.dashboard.speed_plot import SpeedPlot
from chrono.session.looks import SessionView
from chrono.session.shotlog import ShotRow

ALL_OF_IT = "Enter: all of it"

PLOT_PAUSE_S = 0.3
"""A plot takes as long to draw as ten shots to list: it follows the table."""


class ShotsScreen(FramedScreen):
    """Speeds and what is known of them."""

    BINDINGS: ClassVar[list[BindingType]] = [
        Binding("up,left", "move(-1)", show=False),
        Binding("down,right", "move(1)", show=False),
        Binding("pageup", "move_page(-1)", show=False),
        Binding("pagedown", "move_page(1)", show=False),
        Binding("home", "move(-1_000_000_000)", show=False),
        Binding("end", "move(1_000_000_000)", show=False),
    ]

    def __init__(self) -> None:
        super().__init__()
        self._plot_due = False

    def compose_body(self) -> list[Widget]:
        """Return the latest shot and the statistics above, plot and table below."""
        latest = Vertical(
            Digits("", id="speed"),
            Clipped("shot", 2, 2, ALL_OF_IT),
            Clipped("flags", 1, 4, ALL_OF_IT),
            Static(id="budget"),
            id="latest",
        )
        statistics = Static(id="statistics")
        statistics.border_title = "this setup"
        top = Horizontal(latest, statistics, id="top")
        return [top, SpeedPlot(), ShotTable(), Clipped("chosen", 3, 6, ALL_OF_IT)]

    def on_mount(self) -> None:
        """Let the arrow keys choose shots."""
        self.table.focus()

    @property
    def table(self) -> ShotTable:
        """The table of shots."""
        return self.query_one(ShotTable)

    @property
    def selected(self) -> ShotRow | None:
        """The shot under the cursor."""
        return self.table.selected

    def action_move(self, lines: int) -> None:
        """Choose another shot."""
        self.table.move(lines)

    def action_move_page(self, pages: int) -> None:
        """Choose a shot as many lines away as are seen."""
        self.table.move_page(pages)

    def toggle_plot(self) -> None:
        """Show the plot or hide it."""
        self.toggle_class("-swapped")

    def toggle_histogram(self) -> None:
        """Change what the plot shows; on a small screen it comes in the place of the table."""
        plot = self.query_one(SpeedPlot)
        if plot.size.height:
            plot.toggle_histogram()
        else:
            plot.histogram = True
            self.toggle_plot()

    def on_resize(self, event: events.Resize) -> None:
        """Fit texts to the new size."""
        self.call_after_refresh(self.dashboard.refresh_all)

    def show_view(self, view: SessionView, unit: str) -> None:
        """Show shots and statistics as they are now."""
        with self.app.batch_update():
            self.table.show_shots(self.dashboard.looks, unit)
            self.show_chosen()
            self._show_latest(view, unit)
            self._show_statistics(view, unit)
        if not self._plot_due:
            self._plot_due = True
            self.set_timer(PLOT_PAUSE_S, self._show_plot)

    @on(ShotTable.Moved)
    def show_chosen(self) -> None:
        """Show in full what the table cuts off of a shot that is not the newest."""
        row, widget = self.table.chosen, self.query_one("#chosen", Clipped)
        self.set_class(row is not None, "-choosing")
        if row is not None:
            room = widget.content_size.width or self.app.size.width - 2
            text = shot_text(row, room)
            flags = self._flag_lines(row, self.dashboard.unit, room)
            widget.show(text.append("\n").append_text(flags))

    def _show_statistics(self, view: SessionView, unit: str) -> None:
        if self.has_class("-slim"):
            room = self.app.size.width - 2
            text = statistics_lines(view.series, view.setup, view.shots, unit, room)
        else:
            text = statistics_text(view.series, view.setup, view.shots, unit)
        self._set("statistics", text)

    def _show_latest(self, view: SessionView, unit: str) -> None:
        latest = view.latest
        room = self.query_one("#latest").content_size.width or 40
        large = large_text(latest, unit)
        if DigitsRenderable.get_width(large) > room:
            large = large.partition(" ")[0]
        self.query_one("#speed", Digits).update(large)
        shot = (
            shot_text(latest, room)
            if latest
            else Text.assemble(("no shot yet", "bright_black"))
        )
        self.query_one("#shot", Clipped).show(shot)
        flags = self._flag_lines(latest, unit, room) if latest else Text()
        self.query_one("#flags", Clipped).show(flags)
        bar = budget_bar(view.budget, room) if view.budget else Text()
        self._set("budget", bar)

    def _flag_lines(self, row: ShotRow, unit: str, room: int) -> Text:
        return flag_lines(row, unit, room, explained=not self.has_class("-low"))

    def _set(self, name: str, text: Text) -> None:
        update_text(self.query_one(f"#{name}", Static), text)

    def _show_plot(self) -> None:
        self._plot_due = False
        view = self.dashboard.view
        if view is not None:
            plot = self.query_one(SpeedPlot)
            plot.show_shots(view.rows, view.setup.name, self.dashboard.unit)
