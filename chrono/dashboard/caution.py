"""The caution that stands before the first shot of a live session."""

from typing import ClassVar

from textual.app import ComposeResult
from textual.binding import Binding, BindingType
from textual.containers import Vertical
from textual.screen import ModalScreen
from textual.widgets import Static

from chrono.cautions import CAUTION

ACKNOWLEDGE = "Enter: all of this holds      q: quit\nThe gates are being recorded meanwhile."


class CautionScreen(ModalScreen[None]):
    """Stays until it is acknowledged; clocking goes on behind it."""

    BINDINGS: ClassVar[list[BindingType]] = [
        Binding("enter,space", "acknowledge", "All of this holds"),
        Binding("q", "app.quit", "Quit"),
    ]

    def compose(self) -> ComposeResult:
        """Show the cautions in a box."""
        heading, _, rest = CAUTION.partition("\n")
        yield Vertical(
            Static(heading, id="heading", markup=False),
            Static(rest.replace("\n  ", " "), markup=False),
            Static(ACKNOWLEDGE, id="acknowledge", markup=False),
            classes="box",
        )

    def action_acknowledge(self) -> None:
        """Let the operator go on."""
        self.dismiss()
