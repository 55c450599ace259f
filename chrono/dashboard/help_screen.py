"""The Help screen: keys, the meaning of ±, flags and what to do about them, the cautions."""

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
A speed is the distance of the gates divided by the transit. The transit is the time from a \
body's edge at gate A to the same edge at gate B. If the leading and the trailing pair of \
edges are both sound, the speed is the mean of both pairs.
The error budget lists everything that can be wrong: the distance, the places where the gates \
trip, the tilt of the path, the sensors' delays, the clock's rate, step and jitter.
Each of these inputs has a distribution, and so a standard uncertainty u. Each u is multiplied \
by its effect on the speed. Then the squares are added. The bar shows the share of each input.
The ± is the half-width of the interval that contains 95 % of the combined distribution. So 19 \
of 20 such intervals contain the true speed, if the rig is as described.
Step and jitter are new in each shot. In a mean of n shots, their part falls with √n. All
shots \
of a rig share the other inputs, so more shots do not make their part smaller."""


OPEN = """\
A shot is open for some seconds, because more of its edges could still come. Its speed may \
change, and the statistics do not contain the shot yet."""


class HelpScreen(FramedScreen):
    """A screen with everything that you may want to look up at the firing line."""

    def compose_body(self) -> list[Widget]:
        """Return one long page that scrolls."""
        return [VerticalScroll(Static(help_page()), id="guide")]

    def on_mount(self) -> None:
        """Let the arrow keys scroll."""
        self.query_one("#guide").focus()


OTHER_KEYS = (
    ("↑ ↓ ← →", "Select a shot in the table, or scroll."),
    ("Home End", "Select the first or the last shot."),
    ("ctrl+p", "Search all commands by name."),
    ("ctrl+c", "Quit. Press it twice to quit without a question."),
)


def help_page() -> Group:
    """Return the whole help text."""
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
