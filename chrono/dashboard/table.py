"""The table of shots: the last few hundred, open ones updated in place."""

from typing import ClassVar

from rich.text import Text
from textual.widgets import DataTable

from chrono.dashboard.words import counted_text, fit, speed_text
from chrono.shotlog import ShotRow

COLUMNS = ("number", "time", "setup", "speed", "counted", "flags", "note")
WIDTHS = {
    "narrow": (4, 7, 9, 15, 7, 15, 8),
    "wide": (6, 9, 18, 18, 7, 24, 23),
}
"""Cells of each column; the note has the last one and may be longer than is seen."""

Cells = tuple[str, ...]


class ShotTable(DataTable[Text]):
    """Rows are known by their shot's key; the cursor stays with the newest or its own shot."""

    BORDER_TITLE: ClassVar[str] = "shots"

    def __init__(self) -> None:
        super().__init__(id="table", cursor_type="row", zebra_stripes=True)
        self._shown: dict[str, Cells] = {}
        self._rows: dict[str, ShotRow] = {}
        self._layout = ("", "")

    @property
    def selected(self) -> ShotRow | None:
        """The shot under the cursor."""
        if not self._shown or self.cursor_row >= len(self._shown):
            return None
        return self._rows[list(self._shown)[self.cursor_row]]

    def show_rows(self, rows: tuple[ShotRow, ...], unit: str, size: str) -> None:
        """
        Show these shots and no others.

        Parameters
        ----------
        rows : tuple of ShotRow
            Oldest first.
        unit : str
            Unit of the speeds.
        size : str
            `narrow` or `wide`.
        """
        follow = self.cursor_row >= len(self._shown) - 1
        self._set_layout(unit, size)
        widths = WIDTHS[size]
        self._rows = {str(row.key): row for row in rows}
        wanted = {key: _cells(row, unit, widths) for key, row in self._rows.items()}
        if _follows(list(self._shown), list(wanted)):
            self._change(wanted)
        else:
            self._replace(wanted)
        if follow and self._shown:
            self.move_cursor(row=len(self._shown) - 1, animate=False)

    def _set_layout(self, unit: str, size: str) -> None:
        if (unit, size) == self._layout:
            return
        self._layout = unit, size
        self.clear(columns=True)
        self._shown = {}
        labels = ("shot", "time s", "setup", f"{unit} ± 95 %", "counted", "flags", "note")
        for key, label, width in zip(COLUMNS, labels, WIDTHS[size], strict=True):
            self.add_column(Text(label), key=key, width=width)

    def _change(self, wanted: dict[str, Cells]) -> None:
        for key in [key for key in self._shown if key not in wanted]:
            self.remove_row(key)
            del self._shown[key]
        for key, cells in wanted.items():
            before = self._shown.get(key)
            if before is None:
                self.add_row(*_texts(cells), key=key)
            elif before != cells:
                for column, text, old in zip(COLUMNS, cells, before, strict=True):
                    if text != old:
                        self.update_cell(key, column, _text(column, text))
            self._shown[key] = cells

    def _replace(self, wanted: dict[str, Cells]) -> None:
        self.clear()
        self._shown = wanted
        for key, cells in wanted.items():
            self.add_row(*_texts(cells), key=key)


def _follows(shown: list[str], wanted: list[str]) -> bool:
    """Whether `wanted` is `shown` with a few rows dropped anywhere and others at its end."""
    kept = [key for key in shown if key in set(wanted)]
    return len(shown) - len(kept) < 20 and kept == wanted[: len(kept)]


def _cells(row: ShotRow, unit: str, widths: tuple[int, ...]) -> Cells:
    texts = (
        str(row.number),
        f"{row.time_s:.1f}",
        row.setup,
        speed_text(row, unit),
        counted_text(row),
        ", ".join(row.flags),
        row.note,
    )
    return tuple(fit(text, width) for text, width in zip(texts, widths, strict=True))


def _texts(cells: Cells) -> list[Text]:
    return [_text(column, text) for column, text in zip(COLUMNS, cells, strict=True)]


def _text(column: str, text: str) -> Text:
    style = {"yes": "green", "no": "bold yellow", "open": "italic"}.get(text, "")
    if column in ("number", "time", "speed"):
        return Text(text, justify="right")
    return Text(text, style if column == "counted" else "")
