"""The Shots screen shows the latest speed, the parts of its ±, statistics, a plot and a table.

If the operator selects an older shot, the screen shows this shot's details below the table.
This module also contains the actions for the selected shot.
"""

from __future__ import annotations

from asyncio import to_thread
from math import isfinite
from typing import TYPE_CHECKING, ClassVar

from rich.text import Text
from textual import events, on, work
from textual.app import RenderResult
from textual.binding import Binding, BindingType
from textual.containers import Horizontal, Vertical
from textual.geometry import Size
from textual.renderables.digits import Digits as DigitsRenderable
from textual.widget import Widget
from textual.widgets import Digits, Static

from chrono.dashboard.actions import ACTIONS
from chrono.dashboard.clipped_text import Clipped, update_text
from chrono.dashboard.dialogs import (
    LinesDialog,
    SetupDialog,
    TextDialog,
    asks,
    corrected,
    setup_form,
)
from chrono.dashboard.large_digits import large_digits
from chrono.dashboard.preferences import Preferences
from chrono.dashboard.run_driver import RunDriver
from chrono.dashboard.shot_edits import ShotEdits
from chrono.dashboard.shot_marking import MARKING, ShotMarking
from chrono.dashboard.shot_navigation import Match, ReplayControls, ShotFinder
from chrono.dashboard.shot_table import ShotTable
from chrono.dashboard.shot_text import (
    budget_bar,
    flag_lines,
    large_text,
    shot_lines,
    shot_text,
    statistics_lines,
    statistics_text,
)
from chrono.dashboard.speed_plot import SpeedPlot

if TYPE_CHECKING:
    from chrono.session.shot_log import ShotRow
    from chrono.session.view_cache import SessionView

ALL_OF_IT = "Enter: details"

LENGTH_CORRECTED = (
    "The program uses the body's length to find the edges of a shot, and to flag bodies "
    "that are too short or too long. "
    "To use the new length, open the recording again."
)

SMALL_LINES = 3
"""Height of Textual's own large digits [lines]."""

PLOT_PAUSE_S = 0.3
"""The plot is drawn this long after the table [s], because drawing a plot takes much time."""


HIGH_LINES, LINES_PER_LINE = 24, 3
"""On a terminal with more lines than `HIGH_LINES`, three more lines make the speed one line
higher."""


class LatestSpeed(Digits):
    """
    A display of the latest speed in large digits.

    On a larger terminal, the digits are larger.
    """

    def get_content_height(self, container: Size, viewport: Size, width: int) -> int:
        """Return the number of lines that the large digits need."""
        return len(self._drawn(width)) or super().get_content_height(container, viewport, width)

    def render(self) -> RenderResult:
        """Draw the latest speed."""
        drawn = self._drawn(self.content_size.width)
        return Text("\n".join(drawn), no_wrap=True) if drawn else super().render()

    def _drawn(self, columns: int) -> list[str]:
        lines = (self.app.size.height - HIGH_LINES) // LINES_PER_LINE
        drawn = large_digits(self.value, columns, lines)
        return drawn if len(drawn) > SMALL_LINES else []


class ShotsScreen(ShotMarking):
    """
    A screen that shows all shots with their speeds, a plot and the statistics.

    Parameters
    ----------
    driver : RunDriver
    preferences : Preferences
    edits : ShotEdits
        Stores the operator's entries on the selected shot.
    finder : ShotFinder
    replay : ReplayControls
        Controls that go to a later shot of a replay.
    """

    BINDINGS: ClassVar[list[BindingType]] = [
        *(
            Binding(act.key, act.name, act.label)
            for act in ACTIONS
            if act.group == "shot" and act.name not in MARKING
        ),
        Binding("up,left", "move(-1)", show=False),
        Binding("down,right", "move(1)", show=False),
        Binding("pageup", "move_page(-1)", show=False),
        Binding("pagedown", "move_page(1)", show=False),
        Binding("home", "move(-1_000_000_000)", show=False),
        Binding("end", "move(1_000_000_000)", show=False),
    ]

    def __init__(
        self,
        driver: RunDriver,
        preferences: Preferences,
        edits: ShotEdits,
        finder: ShotFinder,
        replay: ReplayControls,
    ) -> None:
        super().__init__(driver, preferences, edits)
        self._finder, self._replay = finder, replay
        self._plot_due = False

    def compose_body(self) -> list[Widget]:
        """Return the widgets: latest shot and statistics at the top, plot and table below."""
        latest = Vertical(
            LatestSpeed("", id="speed"),
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
        """Focus the table of shots, so that the arrow keys select a shot."""
        self.table.focus()

    @property
    def table(self) -> ShotTable:
        """The table of shots."""
        return self.query_one(ShotTable)

    @property
    def selected(self) -> ShotRow | None:
        """The shot that the cursor marks in the table."""
        return self.table.selected

    def on_resize(self, event: events.Resize) -> None:
        """Fit the texts to the new size of the screen."""
        self.call_after_refresh(self.refresh_all)

    # -- choosing a shot ---------------------------------------------------------------

    def action_move(self, lines: int) -> None:
        """Move the selection by a number of lines."""
        self.table.move(lines)

    def action_move_page(self, pages: int) -> None:
        """Move the selection by a number of pages."""
        self.table.move_page(pages)

    @asks
    async def action_find(self) -> None:
        """Ask the operator for a search text, and go to the next shot that matches."""
        title = "To find a shot, type its number or part of its setup, flags or note"
        dialog = TextDialog(
            title, self._finder.sought, required=True, replaced=True, enter="find"
        )
        text = await self.app.push_screen_wait(dialog)
        if text:
            self._finder.sought = text
            self.action_next_match()

    def action_next_match(self) -> None:
        """Go to the next shot that matches the search text."""
        self._go_to(self._finder.match_after(self.table.cursor))

    def action_previous_match(self) -> None:
        """Go back to the previous shot that matches the search text."""
        self._go_to(self._finder.match_before(self.table.cursor))

    def _go_to(self, match: Match | None) -> None:
        if match is None:
            self.warn(f"No shot matches {self._finder.sought!r}.")
            return
        if match.place < len(self.driver.looks):
            self.table.choose(match.place)
        else:
            self._go_in_time(match.place + 1)
        if match.of > 1:
            self.notify(f"match {match.count} of {match.of}", timeout=2)

    @work(exclusive=True, group="go")
    async def _go_in_time(self, number: int) -> None:
        await self._replay.go_to(number)

    # -- its setup ----------------------------------------------------

    @asks
    async def action_correct_setup(self) -> None:
        """
        Let the operator correct the setup of the selected shot; all shots of the setup change.
        """
        row = self.selected_or_warn()
        if row is None:
            return
        run = self.driver.run
        setups = run.session.setups
        setup, shots = setups.of(row.key), run.recorded.shots_of(row.setup)
        those = "only this shot" if shots == 1 else f"{shots} shots"
        if any(each.name == row.setup and each != setup for each in setups.all()):
            those += "; other entries of this setup have other values, and all get those below"
        title = f"Correct the setup of shot {row.number} (changes {those})"
        form = await self.app.push_screen_wait(SetupDialog(title, setup=setup))
        if form is None or setup_form(form) == setup_form(setup):
            return
        if not await self._edits.may_enter() or not self._edits.set_up(corrected(setup, form)):
            return
        if self.driver.run.recorded.lengths_corrected:
            self.notify(LENGTH_CORRECTED, timeout=12, markup=False)

    # -- details of the shot -------------------------------------------------------------

    def action_whole_shot(self) -> None:
        """Show all facts about the selected shot in a dialog."""
        row = self.selected_or_warn()
        if row is not None:
            setup = self.driver.run.session.setups.of(row.key)
            lines = shot_lines(row, setup, self.preferences.unit)
            self.app.push_screen(LinesDialog(f"Shot {row.number}", lines))

    def action_motion(self) -> None:
        """Compute energy, momentum and range of the selected shot, and show these values."""
        row = self.selected_or_warn()
        if row is None:
            return
        if isfinite(row.speed_mps):
            self._show_motion(row)
        else:
            self.warn(f"Shot {row.number} has no speed.")

    @work(exclusive=True, group="motion")
    async def _show_motion(self, row: ShotRow) -> None:
        from chrono.reports.motion_text import motion_lines, range_lines

        session = self.driver.run.session
        own = session.setups.of(row.key).body
        lines = motion_lines(row, session.rig, own, self.preferences.unit)
        dialog = LinesDialog(
            f"Shot {row.number}", [*lines, "The program computes how far the body would fly …"]
        )
        await self.app.push_screen(dialog)
        ranges = await to_thread(range_lines, row, session.rig, own)
        dialog.show([*lines, *ranges])

    def action_plot(self) -> None:
        """Show the plot of the speeds, or hide the plot."""
        self.toggle_class("-swapped")

    def action_histogram(self) -> None:
        """Switch between plot and histogram. On a small screen, show or hide the histogram."""
        plot = self.query_one(SpeedPlot)
        if plot.size.height:
            plot.toggle_histogram()
        else:
            plot.histogram = True
            self.action_plot()

    # -- drawing -----------------------------------------------------------------------

    def show_view(self, view: SessionView, unit: str) -> None:
        """Show the current shots and statistics."""
        with self.app.batch_update():
            self.table.show_shots(self.driver.looks, unit)
            self.show_chosen()
            self._show_latest(view, unit)
            self._show_statistics(view, unit)
        if not self._plot_due:
            self._plot_due = True
            self.set_timer(PLOT_PAUSE_S, self._show_plot)

    @on(ShotTable.Moved)
    def show_chosen(self) -> None:
        """
        Show all facts about an older shot that the operator chose.

        For the newest shot, show nothing.
        """
        if not self.stands:
            return
        row, widget = self.table.chosen, self.query_one("#chosen", Clipped)
        self.set_class(row is not None, "-choosing")
        if row is not None:
            room = widget.content_size.width or self.app.size.width - 2
            text = shot_text(row, room)
            flags = self._flag_lines(row, self.preferences.unit, room)
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
        shot = Text("no shot yet", "bright_black")
        if latest:
            is_tiny = self.has_class("-tiny")
            shot = Text(large_text(latest, unit)) if is_tiny else shot_text(latest, room)
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
        view = self.driver.view
        if view is not None and self.stands:
            plot = self.query_one(SpeedPlot)
            plot.show_shots(view.rows, view.setup.name, self.preferences.unit)
