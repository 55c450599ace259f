"""Write the table of shots as a dataset of Parquet files, with one folder per day.

Folders and files have names such as ``day=2026-05-16/part-00000.parquet`` (Hive layout).
Programs that read Parquet see the dataset as one table, in which the day is a column.
"""

import shutil
from collections import Counter
from collections.abc import Iterable, Iterator
from contextlib import contextmanager
from datetime import UTC, datetime
from itertools import chain, groupby, islice
from pathlib import Path
from typing import IO, Protocol

from chrono.errors import OptionError, RecordingError
from chrono.reports.export_table import ExportTable
from chrono.reports.table_files import write_parquet
from chrono.season import recording_finder

NO_DAY = "unknown"


class DatasetStore(Protocol):
    """A new folder for a dataset, on this computer or on a server."""

    def open(self, name: str) -> IO[bytes]:
        """Create a new file in this folder, and open it for writing."""

    def remove(self) -> None:
        """Remove this folder with all its files."""


class _Folder:
    """A new folder for a dataset, on this computer."""

    def __init__(self, path: Path) -> None:
        self._path = path
        path.mkdir()

    def open(self, name: str) -> IO[bytes]:
        path = self._path / name
        path.parent.mkdir(exist_ok=True)
        return path.open("xb")

    def remove(self) -> None:
        shutil.rmtree(self._path, ignore_errors=True)


def is_dataset(output: str) -> bool:
    """Return True if the output ends with a slash or backslash (a folder for a dataset)."""
    return output.endswith(("/", "\\"))


def write_dataset(tables: Iterable[ExportTable], output: str) -> int:
    """
    Write the shots of some recordings to a new folder.

    Parameters
    ----------
    tables : iterable of ExportTable
    output : str
        Path or address of the folder.

    Returns
    -------
    int
        Number of written rows.

    Raises
    ------
    OptionError
        If the folder exists already.
    RecordingError
        If the folder cannot be written.
    """
    waiting = iter(tables)
    # Read the first table before writing anything, because the file may not be a recording.
    first = list(islice(waiting, 1))
    with _store(output) as store:
        rows, parts = 0, Counter[str]()
        for day, of_day in groupby(chain(first, waiting), _day_of):
            name = f"day={day}/part-{parts[day]:05}.parquet"
            parts[day] += 1
            with store.open(name) as file:
                rows += write_parquet(of_day, file)
        return rows


@contextmanager
def _store(output: str) -> Iterator[DatasetStore]:
    """Create and yield a new folder; remove the folder if writing fails."""
    try:
        store = (
            recording_finder.RemoteFolder(output)
            if recording_finder.is_address(output)
            else _Folder(Path(output))
        )
    except FileExistsError:
        raise OptionError(
            "this folder exists already", where=output, hint="choose another name"
        ) from None
    except OSError as trouble:
        raise _cannot_be_written(output, trouble) from trouble
    try:
        yield store
    except BaseException as trouble:
        store.remove()
        if isinstance(trouble, OSError):
            raise _cannot_be_written(output, trouble) from trouble
        raise


def _cannot_be_written(output: str, trouble: OSError) -> RecordingError:
    return RecordingError(
        f"this folder cannot be written: {trouble.strerror or trouble}",
        where=output,
        hint="choose a folder that has free space and in which you may write files",
    )


def _day_of(table: ExportTable) -> str:
    """Return the day (UTC) on which a session began."""
    try:
        start = datetime.fromisoformat(table.head.started)
        return f"{start.astimezone(UTC):%Y-%m-%d}" if start.tzinfo else NO_DAY
    except (ValueError, OverflowError):
        return NO_DAY
