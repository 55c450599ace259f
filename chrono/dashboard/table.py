"""The table of shots: the last few hundred, open ones updated in place.

Draws its own lines: a `DataTable` draws every visible cell anew after each change, which
takes longer than a shot may take to appear.
"""

from typing import ClassVar

from rich.cells import cell_len
from rich.segment import Segment
from rich.style import Style
from textual import events
from textual.binding import Binding, BindingType
from textual.geometry import Region, Size
from textual.message import Message
from textual.scroll_view import ScrollView
from textual.strip import Strip

from chrono.dashboard.words import counted_text, fit, speed_text
from chrono.session.shotlog import ShotRow

HEADER = ("shot", "time s", "setup", "", "counted", "flags", "note")
RIGHT = (0, 1, 3)
"""Columns of numbers."""
COUNTED = 4
WIDTHS = {
    "narrow": (4, 7, 12, 15, 7, 15),
    "wide": (6, 10, 18, 22, 7, 26),
}
"""Cells of each column but the last, the note, which takes what is left."""
GAP = "  "
LEAST_NOTE = 6

Cells = tuple[str, ...]


class ShotTable(ScrollView, can_focus=True):
    """One line a shot; the cursor stays with the newest shot or with its own."""

    class Moved(Message):
        """The operator moved the cursor."""

    COMPONENT_CLASSES: ClassVar[set[str]] = {
        "table--header",
        "table--cursor",
        "table--plain",
        "table--stripe",
        "table--yes",
        "table--no",
        "table--open",
    }
    BINDINGS: ClassVar[list[BindingType]] = [
        Binding("up", "move(-1)", show=False),
        Binding("down", "move(1)", show=False),
        Binding("pageup", "move_page(-1)", show=False),
        Binding("pagedown", "move_page(1)", show=False),
        Binding("home", "move(-1_000_000_000)", show=False),
        Binding("end", "move(1_000_000_000)", show=False),
    ]

    def __init__(self) -> None:
        super().__init__(id="table")
        self.rows: tuple[ShotRow, ...] = ()
        """The shots that are listed, oldest first."""
        self.cells: list[Cells] = []
        """What is written of each."""
        self._unit = ""
        self._chosen: int | None = None
        self._styles: dict[str, Style] = {}

    @property
    def cursor(self) -> int:
        """Index of the selected line, -1 without any."""
        keys = [row.key for row in self.rows] if self._chosen is not None else []
        return keys.index(self._chosen) if self._chosen in keys else len(self.rows) - 1

    @property
    def chosen(self) -> ShotRow | None:
        """The shot that the operator moved to, None while the cursor follows the newest."""
        return self.rows[self.cursor] if 0 <= self.cursor < len(self.rows) - 1 else None

    @property
    def selected(self) -> ShotRow | None:
        """The shot under the cursor."""
        return self.rows[self.cursor] if self.rows else None

    def show_rows(self, rows: tuple[ShotRow, ...], unit: str) -> None:
        """List these shots, oldest first, and no others."""
        known = {id(row): cells for row, cells in zip(self.rows, self.cells, strict=True)}
        if unit != self._unit:
            known = {}
        self.cells = [known.get(id(row)) or _cells(row, unit) for row in rows]
        self.rows, self._unit = rows, unit
        self.virtual_size = Size(self.size.width, len(rows) + 1)
        self._follow_cursor()
        self.refresh()

    # -- drawing -----------------------------------------------------------------------

    @property
    def widths(self) -> tuple[int, ...]:
        """Cells of each column at this size."""
        width = self.scrollable_content_region.width
        fixed = WIDTHS["wide" if width >= 100 else "narrow"]
        note = width - sum(fixed) - len(GAP) * len(fixed)
        return (*fixed, max(note, LEAST_NOTE))

    def render_line(self, y: int) -> Strip:
        """Draw one line: the header stays, the shots scroll under it."""
        width = self.scrollable_content_region.width
        if y == 0:
            header = (*HEADER[:3], f"{self._unit} ± 95 %", *HEADER[4:])
            return self._strip(header, self._style("header"))
        index = self.scroll_offset.y + y - 1
        if index >= len(self.rows):
            return Strip.blank(width, self._style("plain"))
        if index == self.cursor:
            return self._strip(self.cells[index], self._style("cursor"))
        style = self._style("stripe" if self.rows[index].number % 2 else "plain")
        return self._strip(self.cells[index], style, counted=True)

    def notify_style_update(self) -> None:
        """Look the styles up anew after a change of theme or focus."""
        super().notify_style_update()
        self._styles = {}

    def _style(self, name: str) -> Style:
        if name not in self._styles:
            self._styles[name] = self.get_component_rich_style(f"table--{name}")
        return self._styles[name]

    def _strip(self, cells: Cells, style: Style, *, counted: bool = False) -> Strip:
        segments = []
        for column, (text, width) in enumerate(zip(cells, self.widths, strict=True)):
            shown = fit(text, width)
            space = " " * (width - cell_len(shown))
            padded = space + shown if column in RIGHT else shown + space
            own = self._counted_style(text) if counted and column == COUNTED else Style.null()
            segments += [Segment(padded, style + own)]
            segments += [Segment(GAP, style)]
        width = self.scrollable_content_region.width
        return Strip(segments).adjust_cell_length(width, style)

    def _counted_style(self, text: str) -> Style:
        style = self._style(text)
        return Style(color=style.color, bold=style.bold, italic=style.italic)

    # -- choosing ----------------------------------------------------------------------

    def action_move(self, lines: int) -> None:
        """Move the cursor."""
        if not self.rows:
            return
        index = min(max(self.cursor + lines, 0), len(self.rows) - 1)
        is_newest = index == len(self.rows) - 1
        self._chosen = None if is_newest else self.rows[index].key
        self._follow_cursor()
        self.refresh()
        self.post_message(self.Moved())

    def action_move_page(self, pages: int) -> None:
        """Move the cursor by as many lines as are seen."""
        self.action_move(pages * max(self.size.height - 1, 1))

    def on_resize(self) -> None:
        """Keep the cursor in sight when lines above or below take room."""
        self._follow_cursor()

    def on_click(self, event: events.Click) -> None:
        """Choose the shot that was clicked."""
        line = event.y + self.scroll_offset.y - 1
        if event.y > 0 and line < len(self.rows):
            self.action_move(line - self.cursor)

    def _follow_cursor(self) -> None:
        """Scroll so that the cursor is seen below the header."""
        if self.rows:
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
