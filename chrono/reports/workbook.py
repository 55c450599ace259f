"""Write the table of shots as an Excel file; it opens correctly in every language.

Each row goes to the disk at once, so a large table needs no more memory than a small table. A
text is never read as a formula, even after the user has edited its cell.
"""

import json
from collections.abc import Iterable, Iterator, Sequence
from dataclasses import dataclass
from datetime import datetime
from tempfile import TemporaryDirectory
from typing import IO, TYPE_CHECKING, Any

from chrono.reports.export_table import (
    COLUMNS,
    PROGRAM,
    SETUP_NUMBERS,
    SHOT_COLUMNS,
    Columns,
    ExportHead,
    ExportHeads,
    ExportTable,
    TextColumn,
)
from chrono.safe_text import is_formula, plain

if TYPE_CHECKING:
    from xlsxwriter.worksheet import Worksheet

MOST_ROWS = 1_048_576
"""Largest number of rows in a sheet of an .xlsx workbook (ECMA-376 as spreadsheets read it)."""

LONGEST_TEXT = 32_767
"""Largest number of characters in a cell."""

SETUP_COLUMNS = (
    "recording",
    "started",
    "rig",
    "setup",
    *SETUP_NUMBERS,
    "mass_kg",
    "diameter_m",
    "length_m",
    "conditions",
)


SHOWN_DIGITS = {
    **dict.fromkeys(("time_s", "speed_mps", "companion_speed_mps"), 3),
    **dict.fromkeys(("u_mps", "U95_mps", "u_random_mps", "u_shared_mps", "U95_mean_mps"), 4),
    **dict.fromkeys(("mean_mps", "s_mps", "median_mps", "min_mps", "max_mps"), 3),
    **dict.fromkeys(("mass_kg", "diameter_m", "length_m"), 4),
    "transit_us": 2,
    "body_length_mm": 1,
}
"""Number of decimals that a sheet shows; the cells contain all decimals."""


def write_workbook(tables: Iterable[ExportTable], stream: IO[bytes]) -> int:
    """
    Write recordings as a workbook; return the number of rows of shots.

    There are four sheets. The sheet `shots` contains the shots; if there are too many shots for
    one sheet, further sheets follow. The sheet `setups` contains the statistics. The sheet
    `rig` contains each rig once, in SI units. The sheet `columns` explains the columns. The
    header row of each sheet is always visible and has filters.
    """
    from xlsxwriter import Workbook

    with TemporaryDirectory() as folder:
        options = {"constant_memory": True, "tmpdir": folder}
        book = Workbook(stream, options)
        book.set_properties({"comments": PROGRAM, "created": datetime(1980, 1, 1)})
        rows = _fill(_Book.of(book), tables)
        book.close()
    return rows


def _fill(book: "_Book", tables: Iterable[ExportTable]) -> int:
    shots, heads, rows = book.sheet("shots", COLUMNS), ExportHeads(), 0
    setups = book.sheet("setups", SETUP_COLUMNS)
    for table in tables:
        place = heads.add(table.head)
        for told in _setup_rows(table.head, place + 1):
            setups = book.write(setups, told)
        for columns in table.chunks:
            for values in _values(columns):
                shots = book.write(shots, values)
                rows += 1
    rig = book.sheet("rig", ("rig", "key", "value"))
    for place, record in enumerate(heads.rigs):
        for key, value in _leaves(record):
            rig = book.write(rig, (place + 1, key, value))
    meanings = book.sheet("columns", ("column", "unit", "meaning"))
    for column in SHOT_COLUMNS:
        book.write(meanings, (column.name, column.unit, column.meaning))
    for sheet in (shots, setups, rig, meanings):
        sheet.add_filter()
    return rows


@dataclass
class _Sheet:
    """A sheet into which the program writes, with the next free row and the header row."""

    sheet: "Worksheet"
    name: str
    header: Sequence[str]
    number: int = 1
    row: int = 1

    def add_filter(self) -> None:
        """Add filters to the header row of a sheet; the filters apply to all written rows."""
        self.sheet.autofilter(0, 0, max(self.row - 1, 1), len(self.header) - 1)


@dataclass(frozen=True)
class _Book:
    """A workbook together with the formats of its cells."""

    book: Any
    bold: Any
    moment: Any
    text: Any
    numbers: dict[int, Any]

    @classmethod
    def of(cls, book: Any) -> "_Book":
        return cls(
            book,
            book.add_format({"bold": True}),
            book.add_format({"num_format": "yyyy-mm-dd hh:mm:ss.000"}),
            book.add_format({"quote_prefix": True}),
            {
                digits: book.add_format({"num_format": f"0.{'0' * digits}"})
                for digits in sorted(set(SHOWN_DIGITS.values()))
            },
        )

    def sheet(self, name: str, header: Sequence[str], number: int = 1) -> _Sheet:
        """Begin a new sheet, and write its header row."""
        sheet = self.book.add_worksheet(name if number == 1 else f"{name} {number}")
        sheet.freeze_panes(1, 0)
        for place, title in enumerate(header):
            width = 24 if title in WIDE else max(len(title) + 2, 10)
            digits = SHOWN_DIGITS.get(title, 0)
            sheet.set_column(place, place, width, self.numbers.get(digits))
            sheet.write_string(0, place, title, self.bold)
        return _Sheet(sheet, name, header, number)

    def write(self, to: _Sheet, values: Sequence[Any]) -> _Sheet:
        """
        Write a row into a sheet, and return this sheet.

        If the sheet is full, write the row into a new sheet, and return the new sheet.
        """
        if to.row == MOST_ROWS:
            to.add_filter()
            to = self.sheet(to.name, to.header, to.number + 1)
        for place, value in enumerate(values):
            self._write_cell(to.sheet, to.row, place, value)
        to.row += 1
        return to

    def _write_cell(self, sheet: "Worksheet", row: int, place: int, value: Any) -> None:
        if value is None or value != value or value == "":
            return
        if isinstance(value, str):
            text = plain(value)[:LONGEST_TEXT]
            sheet.write_string(row, place, text, self.text if is_formula(text) else None)
        elif isinstance(value, bool):
            sheet.write_boolean(row, place, value)
        elif isinstance(value, datetime):
            sheet.write_datetime(row, place, value, self.moment)
        else:
            sheet.write_number(row, place, value)


WIDE = ("recording", "time_utc", "started", "setup", "conditions", "key", "meaning", "note")


def _values(columns: Columns) -> Iterator[tuple[Any, ...]]:
    lists = (
        values.objects().tolist() if isinstance(values, TextColumn) else values.tolist()
        for values in columns.values()
    )
    return zip(*lists, strict=True)


def _setup_rows(head: ExportHead, rig: int) -> Iterator[list[Any]]:
    for setup in head.setups:
        conditions = ", ".join(f"{key} {value}" for key, value in setup["conditions"].items())
        told = {
            "recording": head.recording,
            "started": head.started,
            "rig": rig,
            "setup": setup["name"],
            "conditions": conditions,
        }
        told |= setup["body"]
        yield [told.get(name, setup.get(name)) for name in SETUP_COLUMNS]


def _leaves(record: Any, key: str = "") -> Iterator[tuple[str, Any]]:
    """Yield each value of a rig together with the full key of this value."""
    if isinstance(record, dict):
        for name, value in record.items():
            yield from _leaves(value, f"{key}.{name}" if key else name)
    else:
        yield key, json.dumps(record) if isinstance(record, list) else record
