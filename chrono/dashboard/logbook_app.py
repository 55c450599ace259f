"""The log book lists the recordings of a folder, so that the user can choose a recording."""

from collections.abc import Sequence
from typing import ClassVar

from rich.cells import cell_len
from rich.text import Text
from textual import on
from textual.app import ComposeResult
from textual.binding import BindingType
from textual.widgets import OptionList, Static
from textual.widgets.option_list import Option

from chrono.dashboard.base_app import BaseApp
from chrono.dashboard.clipped_text import fit
from chrono.dashboard.key_bar import KeyBar, KeyLabel
from chrono.reports.logbook_text import DATE_CELLS, about_lines, date_text
from chrono.safe_text import plain
from chrono.season.logbook import LogOrder, in_order_of
from chrono.session.log_entry import LogEntry

COUNT_CELLS = 7
LEAST_NAME = 10
UNUSABLE = "cannot be used"
KEYS = (
    KeyLabel("enter", "enter", "Replay", "select"),
    KeyLabel("s", "s", "Sort", "sort"),
    KeyLabel("r", "r", "Reverse", "reverse"),
    KeyLabel("q,escape", "q", "Quit", "quit"),
)
"""The list handles the Enter key itself, so that Enter and the cursor keys stay in order."""


class LogBookApp(BaseApp[LogEntry]):
    """
    An application that lists recordings.

    The application ends when the user chooses a recording or quits.

    Parameters
    ----------
    entries : sequence of LogEntry
    order : LogOrder
        Order of the list at first.
    reverse : bool
    chosen : LogEntry, optional
        Recording under the cursor at first.
    said : str, optional
        The reason why the last recording could not be replayed; it is shown first.
    """

    ENABLE_COMMAND_PALETTE = False
    BINDINGS: ClassVar[list[BindingType]] = [key.binding() for key in KEYS[1:]]

    def __init__(
        self,
        entries: Sequence[LogEntry],
        order: LogOrder = LogOrder.DATE,
        reverse: bool = False,
        chosen: LogEntry | None = None,
        said: str = "",
    ) -> None:
        super().__init__()
        self.order, self.reverse = order, reverse
        self.entries = in_order_of(entries, order, reverse)
        self._chosen, self._said = chosen, said

    def compose(self) -> ComposeResult:
        """
        Create the widgets: title, list of recordings, details of the chosen recording, keys.
        """
        yield Static(id="status", markup=False)
        yield Static(id="columns", markup=False)
        yield OptionList(id="recordings", markup=False)
        yield Static(id="about", markup=False)
        yield KeyBar(KEYS)

    def on_mount(self) -> None:
        """List the recordings."""
        self.show_entries()

    def on_resize(self) -> None:
        """Draw the list again after its width has changed."""
        self.call_after_refresh(self.show_entries)  # the new size is not known yet

    @property
    def selected(self) -> LogEntry | None:
        """The recording that the cursor marks."""
        place = self.query_one("#recordings", OptionList).highlighted
        return None if place is None else self.entries[place]

    def show_entries(self) -> None:
        """
        List the recordings in the current order, and keep the cursor on the same recording.
        """
        shown = self.query_one("#recordings", OptionList)
        chosen = self.selected or self._chosen
        # The list has a scroll bar, and one empty cell on each side.
        cells = self.size.width - 4
        shown.set_options(Option(_row(entry, cells)) for entry in self.entries)
        if self.entries:
            shown.highlighted = self.entries.index(chosen) if chosen in self.entries else 0
        columns = _cells("started", "recording", cells, "shots", "counted")
        self.query_one("#columns", Static).update(columns)
        self.query_one("#status", Static).update(self._title())
        self._tell_about()

    @on(OptionList.OptionHighlighted)
    def _follow(self) -> None:
        if self.selected is not self._chosen:
            self._said = ""
        self._tell_about()

    @on(OptionList.OptionSelected)
    def replay(self) -> None:
        """Close the log book, and return the recording under the cursor for a replay."""
        entry = self.selected
        if entry is not None and not entry.trouble:
            self.exit(entry)

    def action_sort(self) -> None:
        """Sort the list by the next sort key."""
        orders = list(LogOrder)
        self._sort(orders[(orders.index(self.order) + 1) % len(orders)], self.reverse)

    def action_reverse(self) -> None:
        """Show the list of recordings in the reverse order."""
        self._sort(self.order, not self.reverse)

    def _sort(self, order: LogOrder, reverse: bool) -> None:
        chosen = self.selected
        self.order, self.reverse = order, reverse
        self.entries = in_order_of(self.entries, order, reverse)
        self._chosen = chosen
        self.query_one("#recordings", OptionList).highlighted = None
        self.show_entries()

    def _title(self) -> str:
        bad = sum(bool(entry.trouble) for entry in self.entries)
        few = "1 recording" if len(self.entries) == 1 else f"{len(self.entries)} recordings"
        order = f"sorted by {self.order}{', reversed' if self.reverse else ''}"
        words = [f"Log book: {few}", *([f"{bad} {UNUSABLE}"] if bad else []), order]
        return fit(" · ".join(words), self.size.width - 2)

    def _tell_about(self) -> None:
        entry = self.selected
        lines = about_lines(entry) if entry else []
        if self._said:
            lines = [f"This recording cannot be replayed: {plain(self._said)}", *lines]
        self.query_one("#about", Static).update("\n".join(lines))


def _row(entry: LogEntry, cells: int) -> Text:
    """Return the line of the list that describes one recording."""
    if not entry.trouble:
        counts = (str(entry.shots), str(entry.counted))
        return Text(_cells(date_text(entry), entry.name, cells, *counts))
    name_cells = max(cells - DATE_CELLS - len(UNUSABLE) - 4, LEAST_NAME)
    name = fit(entry.name, name_cells)
    gap = " " * (name_cells - cell_len(name))
    return Text(f"{'':<{DATE_CELLS}}  {name}{gap}  ").append(UNUSABLE, "bold")


def _cells(date: str, name: str, cells: int, *counts: str) -> str:
    name_cells = max(cells - DATE_CELLS - len(counts) * (COUNT_CELLS + 2) - 2, LEAST_NAME)
    fitted = fit(name, name_cells)
    gap = " " * (name_cells - cell_len(fitted))
    numbers = "".join(f"  {count:>{COUNT_CELLS}}" for count in counts)
    return f"{date:<{DATE_CELLS}}  {fitted}{gap}{numbers}"
