"""The table of shots creates only the visible lines, so it can contain any number of shots.

A `DataTable` of Textual would be too slow for a new shot, because it draws every visible cell
again after each change.
"""

from typing import ClassVar

from rich.cells import cell_len
from rich.segment import Segment
from rich.style import Style
from textual import events
from textual.geometry import Region, Size
from textual.message import Message
from textual.scroll_view import ScrollView
from textual.strip import Strip

from chrono.dashboard.clipped_text import fit, fit_apart
from chrono.dashboard.shot_text import counted_text, speed_text
from chrono.session.shot_log import ShotRow
from chrono.session.view_cache import ViewCache

HEADER = ("shot", "time s", "setup", "", "counted", "flags", "note")
RIGHT = (0, 1, 3)
"""Indexes of the columns that contain numbers."""
SETUP, COUNTED = 2, 4
WIDTHS = {
    "wide": (6, 10, 18, 22, 7, 26),
    "narrow": (4, 7, 12, 15, 7, 13),
    "slim": (4, 6, 9, 14, 7),
}
"""Width of each column [cells], except the last column, from the widest layout to the slimmest.
The last column gets the rest of the line. In the slim layout, flags and note share it."""
GAPS = {"slim": " ", "narrow": "  ", "wide": "  "}
LEAST_LAST = 6
KEPT_LINES = 500
"""The table keeps the texts of about this many lines in memory."""

Cells = tuple[str, ...]


class ShotTable(ScrollView, can_focus=True, inherit_bindings=False):
    """
    A table with one line per shot.

    The cursor marks the newest shot, or the shot that the user chose.
    """

    class Moved(Message):
        """A message: the operator has moved the cursor to another shot."""

    COMPONENT_CLASSES: ClassVar[set[str]] = {
        "table--header",
        "table--cursor",
        "table--plain",
        "table--stripe",
        "table--yes",
        "table--no",
        "table--open",
    }

    def __init__(self) -> None:
        super().__init__(id="table")
        self._looks: ViewCache | None = None
        self._count = 0
        self._unit = ""
        self._chosen: int | None = None
        self._styles: dict[str, Style] = {}
        self._cells: dict[int, tuple[ShotRow, Cells]] = {}

    def __len__(self) -> int:
        """Return the number of shots in the table."""
        return self._count

    @property
    def cursor(self) -> int:
        """Index of the selected line of the table; -1 if no line is selected."""
        place = None
        if self._chosen is not None and self._looks is not None:
            place = self._looks.place_of(self._chosen)
        return self._count - 1 if place is None else min(place, self._count - 1)

    @property
    def chosen(self) -> ShotRow | None:
        """The shot that the operator chose; None if the cursor moves to each new shot."""
        cursor = self.cursor
        return self._row(cursor) if 0 <= cursor < self._count - 1 else None

    @property
    def selected(self) -> ShotRow | None:
        """The shot that the cursor marks."""
        return self._row(self.cursor) if self._count else None

    def show_shots(self, looks: ViewCache, unit: str) -> None:
        """Show all current shots in the table."""
        if unit != self._unit or looks is not self._looks:
            self._cells = {}
        self._looks, self._unit, self._count = looks, unit, len(looks)
        self.virtual_size = Size(self.size.width, self._count + 1)
        self._follow_cursor()
        self.refresh()

    def cells(self, index: int) -> Cells:
        """Return the text for each column of the shot with this index (from 0)."""
        row = self._row(index)
        known, cells = self._cells.get(index, (None, ()))
        if known is not row:
            cells = _cells(row, self._unit)
            if len(self._cells) > KEPT_LINES:
                self._cells = {}
            self._cells[index] = row, cells
        return cells

    def _row(self, index: int) -> ShotRow:
        assert self._looks is not None
        return self._looks.row(index)

    # -- drawing -----------------------------------------------------------------------

    @property
    def widths(self) -> tuple[int, ...]:
        """Width of each column of the table in the current layout [cells]."""
        return self._columns()[1]

    def _columns(self) -> tuple[str, tuple[int, ...]]:
        """Return the widest layout that fits, and the width of each of its columns [cells]."""
        digits = seconds = 0
        if self._count:  # numbers are never cut
            digits, seconds = len(str(self._count)), len(self.cells(self._count - 1)[1])
        for layout, (number, time, *others) in WIDTHS.items():
            fixed = (max(number, digits), max(time, seconds), *others)
            taken = sum(fixed) + len(GAPS[layout]) * len(fixed)
            last = self.scrollable_content_region.width - taken
            if last >= LEAST_LAST:
                break
        return layout, (*fixed, max(last, LEAST_LAST))

    def render_line(self, y: int) -> Strip:
        """Draw one line of the table. The header does not move when the shots scroll."""
        width = self.scrollable_content_region.width
        if y == 0:
            header = (*HEADER[:3], f"{self._unit} ± 95 %", *HEADER[4:])
            return self._strip(header, self._style("header"))
        index = self.scroll_offset.y + y - 1
        if self._looks is None or index >= min(self._count, len(self._looks)):
            return Strip.blank(width, self._style("plain"))
        if index == self.cursor:
            return self._strip(self.cells(index), self._style("cursor"))
        style = self._style("plain" if index % 2 else "stripe")
        return self._strip(self.cells(index), style, counted=True)

    def notify_style_update(self) -> None:
        """Forget the stored colours of the table after a change of colour theme or focus."""
        super().notify_style_update()
        self._styles = {}

    def _style(self, name: str) -> Style:
        if name not in self._styles:
            self._styles[name] = self.get_component_rich_style(f"table--{name}")
        return self._styles[name]

    def _strip(self, cells: Cells, style: Style, *, counted: bool = False) -> Strip:
        segments = []
        layout, widths = self._columns()
        if len(widths) < len(cells):
            rest = "; ".join(filter(None, cells[len(widths) - 1 :]))
            cells = (*cells[: len(widths) - 1], rest)
        gap = GAPS[layout]
        for column, (text, width) in enumerate(zip(cells, widths, strict=True)):
            shown = self._shown(column, text, width)
            space = " " * (width - cell_len(shown))
            padded = space + shown if column in RIGHT else shown + space
            own = self._counted_style(text) if counted and column == COUNTED else Style.null()
            segments += [Segment(padded, style + own)]
            segments += [Segment(gap, style)]
        width = self.scrollable_content_region.width
        return Strip(segments).adjust_cell_length(width, style)

    def _shown(self, column: int, text: str, width: int) -> str:
        """
        Return the text of a cell; a long text is shortened, but names of setups stay different.
        """
        if column != SETUP or self._looks is None or len(text) <= width:
            return fit(text, width)
        names = self._looks.session.setups.names
        return fit_apart(text, width, names)

    def _counted_style(self, text: str) -> Style:
        style = self._style(text)
        return Style(color=style.color, bold=style.bold, italic=style.italic)

    # -- choosing ----------------------------------------------------------------------

    def move(self, lines: int) -> None:
        """Move the cursor of the table by a number of lines."""
        if self._count:
            self.choose(self.cursor + lines)

    def move_page(self, pages: int) -> None:
        """Move the cursor by pages. A page has as many lines as fit in the table."""
        self.move(pages * max(self.size.height - 1, 1))

    def choose(self, index: int) -> None:
        """
        Move the cursor to the shot with this index (from 0), or to the nearest existing shot.
        """
        index = min(max(index, 0), self._count - 1)
        is_newest = index == self._count - 1
        self._chosen = None if is_newest else self._row(index).key
        self._follow_cursor()
        self.refresh()
        self.post_message(self.Moved())

    def on_resize(self) -> None:
        """After a change of the table's size, scroll so that the cursor stays visible."""
        self._follow_cursor()

    def on_click(self, event: events.Click) -> None:
        """Choose the shot that the user clicked."""
        line = event.y + self.scroll_offset.y - 1
        if event.y > 0 and line < self._count:
            self.choose(line)

    def _follow_cursor(self) -> None:
        """Scroll the table so that its cursor is visible below the header."""
        if self._count:
            line = Region(0, max(self.cursor, 0), 1, 2)
            self.scroll_to_region(line, animate=False, force=True, immediate=True)


def _cells(row: ShotRow, unit: str) -> Cells:
    return (
        str(row.number),
        f"{row.time_s:.1f}",
        row.setup,
        speed_text(row, unit),
        counted_text(row),
        ", ".join(row.flags),
        row.note,
    )
