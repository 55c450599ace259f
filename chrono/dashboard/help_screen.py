"""The Help screen: keys, what ± means, flags with what to do, the cautions."""

from collections.abc import Iterable, Iterator

from rich.console import Group, RenderableType
from rich.table import Table
from rich.text import Text
from textual.containers import VerticalScroll
from textual.widget import Widget
from textual.widgets import Static

from chrono.cautions import CAUTION
from chrono.dashboard.actions import ACTIONS, GROUPS
from chrono.dashboard.framed_screen import FramedScreen
from chrono.reports.flag_help import FLAG_HELP

UNCERTAINTY = """\
A speed is the gates' distance divided by the transit, the time from a body's edge at gate A \
to the same edge at gate B. If the leading and the trailing pair are sound, it is their mean.
The error budget lists all that could be wrong with it: the distance, where in the beams \
the gates trip, the tilt of the path, the sensors' delays, the clock's rate, step and jitter.
Each has a distribution, so it has a standard uncertainty u. Times its effect on the speed, \
these add as squares. The bar shows their shares.
The ± is the half-width of the interval that holds 95 % of all of them combined. So 19 of 20 \
such intervals contain the true speed, if the rig is as described.
Step and jitter are new in each shot and fall with √n in a mean. All shots of a rig share \
the rest, so a mean is never better known than that."""


OPEN = """\
A shot is open for some seconds, while more of its edges could still come. Its speed may \
change, and it is not yet in the statistics."""


class HelpScreen(FramedScreen):
    """What you may want to look up at the firing line."""

    def compose_body(self) -> list[Widget]:
        """Return one long page to scroll."""
        return [VerticalScroll(Static(help_page()), id="guide")]

    def on_mount(self) -> None:
        """Let the arrow keys scroll."""
        self.query_one("#guide").focus()


OTHER_KEYS = (
    ("↑ ↓ ← →", "Select a shot in the table, or scroll."),
    ("Home End", "Select the first or the last shot."),
    ("ctrl+p", "All commands by name."),
    ("ctrl+c", "Quit; a second time without a question."),
)


def help_page() -> Group:
    """Return the whole help."""
    return Group(
        *_keys(),
        Text("\nHow the ± is made", "bold underline"),
        Text(UNCERTAINTY),
        Text("\nOpen shots", "bold underline"),
        Text(OPEN),
        Text("\nFlags of a shot, and what to do", "bold underline"),
        _two_columns(FLAG_HELP.items()),
        Text("\nCautions", "bold underline"),
        Text(CAUTION.replace("\n  ", " ")),
    )


def _keys() -> Iterator[RenderableType]:
    """Yield all keys, group by group."""
    for group, heading in GROUPS.items():
        yield Text(f"Keys: {heading}", "bold underline")
        yield _two_columns(
            (action.sign, f"{action.title}: {action.help}")
            for action in ACTIONS
            if action.group == group
        )
        yield Text()
    yield Text("Keys: everywhere", "bold underline")
    yield _two_columns(OTHER_KEYS)


def _two_columns(rows: Iterable[tuple[str, str]]) -> Table:
    table = Table.grid(padding=(0, 2))
    table.add_column(style="bold", no_wrap=True)
    table.add_column()
    for left, right in rows:
        table.add_row(Text(left), Text(right))
    return table
