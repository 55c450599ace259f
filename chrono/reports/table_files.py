"""Write the table of shots to a file or a stream; the ending of the name sets the format.

The program keeps at most a part of one recording in memory, and it never leaves a half-written
file. The same table always gives a CSV file with the same bytes. The library pandas reads
`schema` and `data` of the JSON file with ``orient="table"``.

An Excel file opens correctly in every language. Each of its rows goes to the disk at once, so a
large table needs no more memory than a small table. A text is never read as a formula, even
after the user has edited its cell.
"""

import json
import shutil
from collections.abc import Callable, Iterable, Iterator, Sequence
from dataclasses import dataclass
from datetime import datetime
from decimal import Decimal
from importlib.util import find_spec
from itertools import chain, islice
from pathlib import Path
from tempfile import SpooledTemporaryFile, TemporaryDirectory
from typing import IO, TYPE_CHECKING, Any

from chrono.arrays.prefetch import prefetch
from chrono.errors import OptionError
from chrono.reports.atomic_file import new_file
from chrono.reports.export_table import (
    COLUMNS,
    PROGRAM,
    SETUP_NUMBERS,
    SHOT_COLUMNS,
    TEXT_COLUMNS,
    Columns,
    ExportHead,
    ExportHeads,
    ExportTable,
    TextColumn,
    moment_texts,
    records_of,
)
from chrono.reports.setup_words import conditions_text
from chrono.safe_text import cell, is_formula, plain

if TYPE_CHECKING:
    import pyarrow as pa
    from xlsxwriter.worksheet import Worksheet


IN_MEMORY_BYTES = 16 << 20


def write_json(tables: Iterable[ExportTable], stream: IO[bytes]) -> int:
    """
    Write recordings as JSON; return the number of rows.

    The JSON object has the entries of `ExportHeads.texts`, and an entry `data` with the rows.
    """
    heads, rows = ExportHeads(), 0
    with SpooledTemporaryFile(IN_MEMORY_BYTES) as waiting:
        for table in tables:
            heads.add(table.head)
            for columns in table.chunks:
                for record in records_of(columns):
                    waiting.write(b",\n" if rows else b"\n")
                    waiting.write(json.dumps(record, allow_nan=False).encode())
                    rows += 1
        waiting.seek(0)
        head = "".join(f'"{name}": {text},\n' for name, text in heads.texts().items())
        stream.write(f'{{{head}"data": ['.encode())
        shutil.copyfileobj(waiting, stream)
    stream.write(b"\n]}\n")
    return rows


def write_comma_csv(tables: Iterable[ExportTable], stream: IO[bytes]) -> int:
    """
    Write recordings as CSV with `;` and decimal commas; return the number of rows.

    The column `counted` contains TRUE or FALSE, as spreadsheets and R's `read.csv2` expect.
    """
    return _write_plain(_chunks(tables), stream, ";", ",")


def _chunks(tables: Iterable[ExportTable]) -> Iterator[Columns]:
    return (columns for table in tables for columns in table.chunks)


def _write_plain(
    chunks: Iterable[Columns], stream: IO[bytes], separator: str, decimal_sign: str
) -> int:
    rows = 0
    stream.write((separator.join(map(_quoted, COLUMNS)) + "\n").encode())
    for columns in chunks:
        lines = [separator.join(cells) for cells in _rows(columns, decimal_sign)]
        stream.write("".join(f"{line}\n" for line in lines).encode())
        rows += len(lines)
    return rows


def _rows(columns: Columns, decimal_sign: str) -> Iterator[tuple[str, ...]]:
    texts = [_cells(values, decimal_sign) for values in columns.values()]
    return zip(*texts, strict=True)


def _cells(values: Any, decimal_sign: str) -> Iterable[str]:
    if isinstance(values, TextColumn):
        each = [_quoted(cell(text)) for text in values.each]
        return (each[place] for place in values.place.tolist())
    if values.dtype.kind == "M":
        return ("" if text is None else _quoted(text) for text in moment_texts(values))
    if values.dtype.kind == "b":
        words = ("false", "true") if decimal_sign == "." else ("FALSE", "TRUE")
        return (words[value] for value in values.tolist())
    word = _number if values.dtype.kind == "f" else str
    return (word(value).replace(".", decimal_sign) for value in values.tolist())


def _quoted(text: str) -> str:
    doubled = text.replace('"', '""')
    return f'"{doubled}"'


def _number(value: float) -> str:
    """Return a number as its shortest exact text, without an exponent; empty for NaN."""
    if value != value:
        return ""
    return f"{Decimal(repr(value)):f}".removesuffix(".0")


WORTH_LOADING_ROWS = 2_000
"""Plain Python writes this many rows in the time that Apache Arrow needs to load."""

ROW_GROUP = 50_000
"""Smallest row group of a Parquet file [rows]. A file with many small groups is read slowly."""


def write_csv(tables: Iterable[ExportTable], stream: IO[bytes]) -> int:
    """Write recordings as CSV, UTF-8; return the number of rows."""
    chunks = _chunks(tables)
    first, rows = [], 0
    for columns in chunks:
        first.append(columns)
        rows += len(columns["shot"])
        if rows >= WORTH_LOADING_ROWS and _has_arrow():
            return _write_by_arrow(chain(first, chunks), stream)
        if rows >= WORTH_LOADING_ROWS:
            break
    return _write_plain(chain(first, chunks), stream, ",", ".")


def _write_by_arrow(chunks: Iterable[Columns], stream: IO[bytes]) -> int:
    from pyarrow import csv

    options = csv.WriteOptions(quoting_style="needed")
    schema, rows = _schema(moments_as_text=True), 0
    parts = (_harmless(columns) for columns in chunks)
    with csv.CSVWriter(stream, schema, write_options=options) as writer:
        for batch in prefetch(_batch(columns, schema) for columns in parts):
            writer.write_batch(batch)
            rows += batch.num_rows
    return rows


def write_parquet(tables: Iterable[ExportTable], stream: IO[bytes]) -> int:
    """
    Write recordings as Parquet; return the number of rows.

    The names and values of `ExportHeads.texts` become the file's metadata.

    Raises
    ------
    OptionError
        If pyarrow is not installed.
    """
    if not _has_arrow():
        raise OptionError(
            "the Parquet format needs pyarrow, which is not installed",
            where="--output",
            hint="run pip install pyarrow, or export to CSV",
        )
    from pyarrow import parquet

    heads, schema, rows = ExportHeads(), _schema(), 0
    repeated = [*TEXT_COLUMNS]  # numbers are rarely equal, so a dictionary would only cost time
    parts = _parts(tables, heads)
    # Arrow's own schema would hide the metadata, which are known only after the last recording.
    options = {"use_dictionary": repeated, "store_schema": False}
    with parquet.ParquetWriter(stream, schema, **options) as writer:
        for group in prefetch(_row_groups(_batch(columns, schema) for columns in parts)):
            writer.write_table(group)
            rows += group.num_rows
        writer.add_key_value_metadata(heads.texts())
    return rows


def _has_arrow() -> bool:
    try:
        return find_spec("pyarrow") is not None
    except ValueError:  # the time zone data were removed while the program ran
        return False


def _parts(tables: Iterable[ExportTable], heads: ExportHeads) -> Iterator[Columns]:
    for table in tables:
        heads.add(table.head)
        yield from table.chunks


def _row_groups(batches: Iterable["pa.RecordBatch"]) -> Iterator["pa.Table"]:
    import pyarrow as pa

    waiting: list[pa.RecordBatch] = []
    for batch in batches:
        waiting.append(batch)
        if sum(each.num_rows for each in waiting) >= ROW_GROUP:
            yield pa.Table.from_batches(waiting)
            waiting = []
    if waiting:
        yield pa.Table.from_batches(waiting)


def _harmless(columns: Columns) -> Columns:
    """Change texts that a spreadsheet would read as formulas."""
    for name in TEXT_COLUMNS:
        texts = columns[name]
        columns[name] = texts._replace(each=[cell(text) for text in texts.each])
    return columns


def _schema(moments_as_text: bool = False) -> "pa.Schema":
    import pyarrow as pa

    kinds = {
        "string": pa.string(),
        "integer": pa.int64(),
        "number": pa.float64(),
        "boolean": pa.bool_(),
        "datetime": pa.string() if moments_as_text else pa.timestamp("us", tz="UTC"),
    }
    return pa.schema([(column.name, kinds[column.kind]) for column in SHOT_COLUMNS])


def _batch(columns: Columns, schema: "pa.Schema") -> "pa.RecordBatch":
    """Join columns into one table of Apache Arrow; each NaN becomes an empty cell."""
    import pyarrow as pa

    arrays = [_array(columns[field.name], field.type) for field in schema]
    return pa.record_batch(arrays, schema=schema)


def _array(values: Any, kind: Any) -> "pa.Array":
    import pyarrow as pa

    if isinstance(values, TextColumn):
        return pa.array(values.each, kind).take(pa.array(values.place))
    if values.dtype.kind == "M" and kind == pa.string():
        return _moments_as_text(pa.array(values))
    return pa.array(values, kind, from_pandas=True)


def _moments_as_text(moments: "pa.Array") -> "pa.Array":
    """Return times as texts in ISO 8601."""
    import pyarrow as pa
    from pyarrow import compute

    texts = compute.binary_replace_slice(moments.cast(pa.string()), 10, 11, "T")
    return compute.binary_join_element_wise(texts, "Z", "")


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
        told = {
            "recording": head.recording,
            "started": head.started,
            "rig": rig,
            "setup": setup["name"],
            "conditions": conditions_text(setup["conditions"]),
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


Writer = Callable[[Iterable[ExportTable], IO[bytes]], int]

FORMATS: dict[str, Writer] = {
    ".csv": write_csv,
    ".parquet": write_parquet,
    ".json": write_json,
    ".xlsx": write_workbook,
}
WITH_STATISTICS = (".xlsx",)
"""Formats in which the file contains the statistics of each setup."""


def format_of(path: Path, decimal_comma: bool = False) -> Writer:
    """
    Return the function that writes a given file; the ending of its name sets the format.

    Raises
    ------
    OptionError
        If the ending is unknown, or if its format cannot have decimal commas.
    """
    endings = list(FORMATS)
    writer = FORMATS.get(path.suffix.lower())
    if writer is None:
        raise OptionError(
            f"the ending {path.suffix!r} is not a known format",
            where=str(path),
            hint=f"use a file name that ends in {', '.join(endings)}, or a name that ends in / "
            "for a folder of Parquet files",
        )
    if not decimal_comma:
        return writer
    if writer is not write_csv:
        raise OptionError(
            f"a decimal comma works only in CSV; {path.name} is not CSV",
            where="--decimal-comma",
            hint="leave this option out; this format is the same in every language",
        )
    return write_comma_csv


def write_table(tables: Iterable[ExportTable], path: Path, decimal_comma: bool = False) -> int:
    """
    Write the shots of some recordings to a new file.

    Parameters
    ----------
    tables : iterable of ExportTable
    path : Path
        The new file. The ending of its name sets the format.
    decimal_comma : bool, optional
        Write CSV for spreadsheets that use decimal commas.

    Returns
    -------
    int
        Number of rows that were written.

    Raises
    ------
    OptionError
        If the ending is unknown or the file exists.
    RecordingError
        If the file cannot be written.
    """
    writer = format_of(path, decimal_comma)
    with new_file(path) as file:
        return write_stream(tables, writer, file)


def write_stream(tables: Iterable[ExportTable], writer: Writer, stream: IO[bytes]) -> int:
    """Write the shots of some recordings to an open stream; return the number of rows."""
    waiting = iter(tables)
    # Read the first file before anything is written: it may not be a recording.
    first = list(islice(waiting, 1))
    rows = writer(chain(first, waiting), stream)
    stream.flush()
    return rows
