"""The Help screen explains keys, the ± of a speed, the flags of a shot and safety cautions."""

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
A speed is the distance between the gates divided by the transit. The transit is the time from \
a body's edge at gate A to the same edge at gate B. A body has a leading and a trailing edge. \
If both edges are usable, the speed is the mean of both results.
The error budget lists everything that can be wrong: the distance between the gates, the place \
where each gate trips, the tilt of the path, the delay of each sensor, and the rate, step and \
jitter of the clock.
Each of these inputs has a standard uncertainty u, which comes from its distribution. Each u \
is multiplied by the effect of the input on the speed. Then the squares of the products are \
added. The bar shows the share of each input.
The ± is half the width of the interval that contains 95 % of the combined distribution. If \
the rig file describes the rig correctly, 19 of 20 intervals contain the true speed.
The errors from step and jitter are new in each shot. In a mean of n shots, they become √n \
times smaller. All other errors are the same in all shots of a rig. More shots do not make \
them smaller."""


OPEN = """\
A new shot stays open for some seconds, because more of its edges can arrive. The speed of an \
open shot can still change. The statistics do not use open shots."""


class HelpScreen(FramedScreen):
    """A screen with help that the user may need during shots."""

    def compose_body(self) -> list[Widget]:
        """Return one long help page that the user can scroll."""
        return [VerticalScroll(Static(help_page()), id="guide")]

    def on_mount(self) -> None:
        """Focus the help page, so that the arrow keys scroll it."""
        self.query_one("#guide").focus()


OTHER_KEYS = (
    ("↑ ↓ ← →", "Select a shot in the table, or scroll."),
    ("Home End", "Select the first or the last shot."),
    ("ctrl+p", "Search all commands by name."),
    ("ctrl+c", "Quit. Press ctrl+c twice to quit without a question."),
)


def help_page() -> Group:
    """Return the whole help text."""
    return Group(
        *_keys(),
        Text("\nHow the ± is computed", "bold underline"),
        Text(UNCERTAINTY),
        Text("\nOpen shots", "bold underline"),
        Text(OPEN),
        Text("\nFlags of a shot, and what to do about each flag", "bold underline"),
        _two_columns(FLAG_HELP.items()),
        Text("\nCautions", "bold underline"),
        Text(CAUTION.replace("\n  ", " ")),
    )


def _keys() -> Iterator[RenderableType]:
    """Yield the help text of every key, sorted by groups of actions."""
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
