"""Write the table of shots to a file or a stream; the ending of the name sets the format.

The program keeps at most a part of one recording in memory, and it never leaves a half-written
file. The library pandas reads `schema` and `data` of the JSON file with ``orient="table"``.
"""

import json
import shutil
from collections.abc import Callable, Iterable
from itertools import chain, islice
from pathlib import Path
from tempfile import SpooledTemporaryFile
from typing import IO

from chrono.errors import OptionError
from chrono.reports.atomic_file import new_file
from chrono.reports.csv_parquet_files import (
    write_comma_csv,
    write_csv,
    write_parquet,
)
from chrono.reports.export_table import ExportHeads, ExportTable, records_of
from chrono.reports.workbook import write_workbook

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
