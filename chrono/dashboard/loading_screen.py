"""The screen that stands while a recording is being read."""

from typing import ClassVar

from textual.app import ComposeResult
from textual.binding import Binding, BindingType
from textual.containers import Vertical
from textual.screen import Screen
from textual.widgets import ProgressBar, Static

from chrono.plain import plain


class LoadingScreen(Screen[None]):
    """A bar that fills; q leaves."""

    BINDINGS: ClassVar[list[BindingType]] = [Binding("q", "app.quit", "Quit")]

    def __init__(self, name: str) -> None:
        super().__init__()
        self._name = plain(name)

    def compose(self) -> ComposeResult:
        """Show name, bar and how to leave."""
        yield Vertical(
            Static(f"Reading {self._name}", id="heading", markup=False),
            ProgressBar(total=None, show_eta=True),
            Static("q: quit", markup=False),
            classes="box",
        )

    def show_progress(self, done: int, total: int) -> None:
        """Fill the bar."""
        self.query_one(ProgressBar).update(total=max(total, 1), progress=done)
