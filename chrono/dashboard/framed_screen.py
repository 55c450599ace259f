"""The frame of every screen shows the status, the problems, the safety caution and the keys."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any, cast

from rich.text import Text
from textual.app import ComposeResult
from textual.screen import Screen
from textual.widget import Widget
from textual.widgets import Static

from chrono.cautions import CAUTION_LINE
from chrono.dashboard.actions import ACTIONS
from chrono.dashboard.base_app import BaseApp
from chrono.dashboard.clipped_text import Clipped
from chrono.dashboard.key_bar import KeyBar, KeyLabel
from chrono.dashboard.preferences import Preferences
from chrono.dashboard.run_driver import RunDriver
from chrono.dashboard.status_text import status_line, urgent_lines

if TYPE_CHECKING:
    from chrono.session.run import Run
    from chrono.session.view_cache import SessionView

KEY_LABELS = [KeyLabel(act.key, act.sign, act.label, act.name, act.rank) for act in ACTIONS]


class FramedScreen(Screen[None]):
    """
    A screen that shows the status, the problems, the safety caution and the keys.

    The application calls `show_view` and `show_run` to update the screen.

    Parameters
    ----------
    driver : RunDriver
        Contains the run that is shown.
    preferences : Preferences
        Contains the unit of speeds.
    """

    def __init__(self, driver: RunDriver, preferences: Preferences) -> None:
        super().__init__()
        self.driver, self.preferences = driver, preferences
        self._mounted = False

    @property
    def stands(self) -> bool:
        """True while all widgets of this screen exist: from its start until it closes."""
        return self._mounted and self.app.is_running

    def on_mount(self) -> None:
        """Store that all widgets of this screen exist now."""
        self._mounted = True

    def compose(self) -> ComposeResult:
        """Put the widgets of this screen between the status line and the key bar."""
        yield Clipped("status", 2, 3)
        yield Clipped("trouble", 3, 8, "b: more")
        if self.driver.run.near_launches:
            yield Static(f"⚠ {CAUTION_LINE}", id="caution", markup=False)
        yield from self.compose_body()
        yield KeyBar(KEY_LABELS)

    def compose_body(self) -> list[Widget]:
        """Return the widgets that belong only to this screen."""
        raise NotImplementedError

    def check_action(self, action: str, parameters: tuple[object, ...]) -> bool | None:
        """Ask the application whether an action is possible now."""
        return self.app.check_action(action, parameters)

    def warn(self, text: str) -> None:
        """Show the operator a warning about a problem."""
        cast(BaseApp[Any], self.app).warn(text)

    def on_screen_resume(self) -> None:
        """Update the screen when the user returns to it."""
        self.refresh_all()

    def refresh_all(self) -> None:
        """Update every part of the screen."""
        if self.stands:
            self.show_view(self.driver.look(), self.preferences.unit)
            self.show_run(self.driver.run)

    def show_view(self, view: SessionView, unit: str) -> None:
        """Show the current shots and statistics."""

    def show_run(self, run: Run) -> None:
        """Show the status and the problems. The application calls this ten times per second."""
        self.query_one("#status", Clipped).show(status_line(run))
        troubles = urgent_lines(run, self.driver.looks.slope())
        trouble = self.query_one("#trouble", Clipped)
        trouble.display = bool(troubles)
        trouble.show(Text("\n".join(troubles)))
        self.set_class(bool(troubles), "-troubled")
