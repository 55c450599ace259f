"""The error lab as an application of its own."""

from pathlib import Path

from textual.app import App

from chrono.dashboard.base_app import ON_DARK, ON_LIGHT
from chrono.dashboard.lab_screen import LabScreen
from chrono.dashboard.preferences import recall
from chrono.dashboard.thread_latency import freeze_widgets, short_turns
from chrono.teaching.start import Start


class LabApp(App[None]):
    """
    Shows the lab until it is left.

    Parameters
    ----------
    start : Start
    hidden : bool, optional
        Begin with the ± hidden.
    """

    TITLE = "chrono lab"
    CSS_PATH = Path(__file__).with_name("dashboard.tcss")

    def __init__(self, start: Start, *, hidden: bool = False) -> None:
        super().__init__()
        self.ansi_theme_dark, self.ansi_theme_light = ON_DARK, ON_LIGHT
        theme = recall().theme
        if theme in self.available_themes:
            self.theme = theme
        self._start, self._hidden = start, hidden

    def on_mount(self) -> None:
        """Show the lab, and end with it."""
        self.push_screen(LabScreen(self._start, hidden=self._hidden), lambda _: self.exit())
        self.call_after_refresh(freeze_widgets)


def show_lab(start: Start, *, hidden: bool = False) -> int:
    """Show the lab until it is left; return the exit code."""
    app = LabApp(start, hidden=hidden)
    with short_turns():
        app.run()
    return app.return_code or 0
