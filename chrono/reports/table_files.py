"""Write the table of shots to a file or a stream; the ending of the name sets the format.

The program keeps at most a part of one recording in memory, and it never leaves a half-written
file. The same table always gives a CSV file with the same bytes. The library pandas reads
`schema` and `data` of the JSON file with ``orient="table"``.
"""

import json
import shutil
from collections.abc import Callable, Iterable, Iterator
from decimal import Decimal
from importlib.util import find_spec
from itertools import chain, islice
from pathlib import Path
from tempfile import SpooledTemporaryFile
from typing import IO, TYPE_CHECKING, Any

from chrono.arrays.prefetch import prefetch
from chrono.errors import OptionError
from chrono.reports.atomic_file import new_file
from chrono.reports.export_table import (
    COLUMNS,
    SHOT_COLUMNS,
    TEXT_COLUMNS,
    Columns,
    ExportHeads,
    ExportTable,
    TextColumn,
    moment_texts,
    records_of,
)
from chrono.reports.workbook import write_workbook
from chrono.safe_text import cell

if TYPE_CHECKING:
    import pyarrow as pa

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
