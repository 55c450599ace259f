"""The error lab, started as a separate application without the dashboard."""

from chrono.dashboard.base_app import BaseApp
from chrono.dashboard.lab_screen import LabScreen
from chrono.dashboard.thread_latency import freeze_widgets, short_turns
from chrono.teaching.error_lab import LabStart


class LabApp(BaseApp[None]):
    """
    An application that shows the error lab until the user leaves the lab.

    Parameters
    ----------
    start : LabStart
    hidden : bool, optional
        True to hide the ± at the beginning.
    """

    TITLE = "chrono lab"

    def __init__(self, start: LabStart, *, hidden: bool = False) -> None:
        super().__init__()
        self._start, self._hidden = start, hidden

    def on_mount(self) -> None:
        """Show the error lab, and end the application when the user closes the lab."""
        self.push_screen(LabScreen(self._start, hidden=self._hidden), lambda _: self.exit())
        self.call_after_refresh(freeze_widgets)


def show_lab(start: LabStart, *, hidden: bool = False) -> int:
    """Show the error lab until the user leaves the lab; return the program's exit code."""
    app = LabApp(start, hidden=hidden)
    with short_turns():
        app.run()
    return app.return_code or 0
