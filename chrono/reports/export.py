"""The table of shots for other programs: CSV, Parquet or JSON, a chunk at a time.

Numbers are rounded well below any uncertainty, so that every way out shows the same digits.
"""

import json
from collections.abc import Callable, Iterable, Iterator
from itertools import chain, islice
from pathlib import Path
from typing import IO, TYPE_CHECKING, Any, NamedTuple

import numpy as np
import numpy.typing as npt

from chrono.arrays.ahead import ahead
from chrono.errors import OptionError, RecordingError
from chrono.plain import cell
from chrono.processor.table import EdgesUsed, flag_words
from chrono.session.session import Session

if TYPE_CHECKING:
    import pandas as pd
    import pyarrow as pa

COLUMNS = (
    "recording",
    "shot",
    "time_s",
    "setup",
    "speed_mps",
    "u_mps",
    "U95_mps",
    "u_random_mps",
    "u_shared_mps",
    "transit_us",
    "edges_used",
    "body_length_mm",
    "companion_speed_mps",
    "counted",
    "flags",
    "note",
)
TEXT_COLUMNS = ("recording", "setup", "edges_used", "flags", "note")
FORMATS = (".csv", ".parquet", ".json")

_NUMBERS = (  # column, column of the log, factor to its unit, decimals
    ("speed_mps", "speed_mps", 1.0, 6),
    ("u_mps", "u_mps", 1.0, 6),
    ("U95_mps", "U95_mps", 1.0, 6),
    ("u_random_mps", "u_random_mps", 1.0, 6),
    ("u_shared_mps", "u_shared_mps", 1.0, 6),
    ("transit_us", "transit_s", 1e6, 5),
    ("body_length_mm", "body_length_m", 1e3, 3),
    ("companion_speed_mps", "companion_speed_mps", 1.0, 6),
)

Columns = dict[str, Any]


class Texts(NamedTuple):
    """A column of text: each text once, and for every row which one it is."""

    each: list[str]
    place: npt.NDArray[np.intp]

    def objects(self) -> npt.NDArray[np.object_]:
        """Return the column as Python's strings, shape (N,)."""
        return np.array(self.each, object)[self.place]


def shot_columns(session: Session, recording: str, part: slice) -> Columns:
    """
    Return the exported columns of some shots, each of shape (N,).

    Parameters
    ----------
    session : Session
        Where the shots are.
    recording : str
        Name of the recording, the same in every row.
    part : slice
        Which shots of the session's log.

    Returns
    -------
    dict
        Column name to array, or to `Texts` for text, in the order of `COLUMNS`; speeds
        [m/s], NaN where nothing was measured.
    """
    shots, measured = session.log.shots[part], session.measured(part)
    columns: Columns = {
        "recording": Texts([recording], np.zeros(len(shots), np.intp)),
        "shot": np.arange(part.start + 1, part.start + 1 + len(shots)),
        "time_s": np.round(shots["host_us"] * 1e-6, 6),
        "setup": _named(session.log.setup[part], session.setups.name),
        "edges_used": _named(shots["used"], _edges_word),
        "counted": session.are_counted(shots, measured.speed_mps),
        "flags": _named(shots["flags"], lambda flags: ";".join(flag_words(flags))),
        "note": _each_once(session.notes(part)),
    }
    for name, source, factor, decimals in _NUMBERS:
        columns[name] = np.round(getattr(measured, source) * factor, decimals)
    return {name: columns[name] for name in COLUMNS}


def shot_records(session: Session, recording: str, part: slice) -> Iterator[dict[str, Any]]:
    """Yield some shots as objects for JSON; None where nothing was measured."""
    columns = shot_columns(session, recording, part)
    lists = [_objects(values).tolist() for values in columns.values()]
    for values in zip(*lists, strict=True):
        record = dict(zip(COLUMNS, values, strict=True))
        yield {k: None if v != v else v for k, v in record.items()}


def shot_frame(session: Session, recording: str = "") -> "pd.DataFrame":
    """Return the shots of a session as a data frame with the exported columns, for scripts."""
    import pandas as pd

    columns = shot_columns(session, recording, slice(0, len(session.log)))
    texts = {name: columns[name].objects() for name in TEXT_COLUMNS}
    return pd.DataFrame(columns | texts)


def write_table(sessions: Iterable[tuple[str, Session]], path: Path) -> int:
    """
    Write the shots of some sessions to a file that is not there yet.

    Parameters
    ----------
    sessions : iterable of (str, Session)
        Names of the recordings and their sessions.
    path : Path
        Where to, its ending says the format: .csv, .parquet or .json.

    Returns
    -------
    int
        Rows written.

    Raises
    ------
    OptionError
        If the ending is unknown or the file exists.
    RecordingError
        If the file cannot be written.
    """
    if path.suffix.lower() not in FORMATS:
        raise OptionError(
            f"the ending {path.suffix!r} is no known format",
            where=str(path),
            hint=f"let the name end in {', '.join(FORMATS[:-1])} or {FORMATS[-1]}",
        )
    try:
        with path.open("xb") as file:
            return _write_or_remove(sessions, file, path)
    except FileExistsError:
        raise OptionError(
            "the file exists", where=str(path), hint="choose another name"
        ) from None
    except OSError as trouble:
        raise RecordingError(
            f"cannot be written: {trouble.strerror or trouble}",
            where=str(path),
            hint="choose a folder that exists, may be written to and has room",
        ) from trouble


def _write_or_remove(
    sessions: Iterable[tuple[str, Session]], file: IO[bytes], path: Path
) -> int:
    """Write the table; leave no half of one behind."""
    try:
        return write_stream(sessions, file, path.suffix.lower())
    except BaseException:
        path.unlink(missing_ok=True)
        raise


def write_stream(
    sessions: Iterable[tuple[str, Session]], stream: IO[bytes], suffix: str
) -> int:
    """Write the shots of some sessions to an open stream; return the number of rows."""
    writer = {".csv": _write_csv, ".parquet": _write_parquet, ".json": _write_json}[suffix]
    waiting = iter(sessions)
    # The first one is read before anything is written: it may be no recording at all.
    first = list(islice(waiting, 1))
    rows = writer(_chunks(chain(first, waiting)), stream)
    stream.flush()
    return rows


Chunks = Iterator[tuple[str, Session, slice]]


def _chunks(sessions: Iterable[tuple[str, Session]]) -> Chunks:
    for name, session in sessions:
        for part in session.log.chunks():
            yield name, session, part


def _write_csv(chunks: Chunks, stream: IO[bytes]) -> int:
    from pyarrow import csv

    options = csv.WriteOptions(quoting_style="needed")
    columns = (_harmless(shot_columns(session, name, part)) for name, session, part in chunks)
    with csv.CSVWriter(stream, _schema(), write_options=options) as writer:
        return _write_batches(columns, writer)


def _write_parquet(chunks: Chunks, stream: IO[bytes]) -> int:
    from pyarrow import parquet

    repeated = [*TEXT_COLUMNS]  # of numbers hardly any comes twice: looking would cost time
    columns = (shot_columns(session, name, part) for name, session, part in chunks)
    with parquet.ParquetWriter(stream, _schema(), use_dictionary=repeated) as writer:
        return _write_batches(columns, writer)


def _write_batches(parts: Iterator[Columns], writer: Any) -> int:
    rows = 0
    for batch in ahead(_batch(columns) for columns in parts):
        writer.write_batch(batch)
        rows += batch.num_rows
    return rows


def _harmless(columns: Columns) -> Columns:
    """Return columns of which no text is a formula to a spreadsheet."""
    for name in TEXT_COLUMNS:
        texts = columns[name]
        columns[name] = texts._replace(each=[cell(text) for text in texts.each])
    return columns


def _write_json(chunks: Chunks, stream: IO[bytes]) -> int:
    rows = 0
    stream.write(b"[")
    for name, session, part in chunks:
        for record in shot_records(session, name, part):
            stream.write(b",\n" if rows else b"\n")
            stream.write(json.dumps(record, allow_nan=False).encode())
            rows += 1
    stream.write(b"\n]\n")
    return rows


def _schema() -> "pa.Schema":
    import pyarrow as pa

    kinds = dict.fromkeys(COLUMNS, pa.float64())
    kinds.update(dict.fromkeys(TEXT_COLUMNS, pa.string()))
    kinds.update(shot=pa.int64(), counted=pa.bool_())
    return pa.schema(list(kinds.items()))


def _batch(columns: Columns) -> "pa.RecordBatch":
    """Put columns together; a NaN becomes an empty cell."""
    import pyarrow as pa

    schema = _schema()
    arrays = [
        pa.array(values.each, field.type).take(pa.array(values.place))
        if isinstance(values := columns[field.name], Texts)
        else pa.array(values, field.type, from_pandas=True)
        for field in schema
    ]
    return pa.record_batch(arrays, schema=schema)


def _named(codes: npt.NDArray[Any], word: Callable[[int], str]) -> Texts:
    """Replace each code, a small whole number, by its word, asking for each word once."""
    numbers = codes.astype(np.intp)
    distinct = np.flatnonzero(np.bincount(numbers))
    return Texts([word(code) for code in distinct.tolist()], distinct.searchsorted(numbers))


def _each_once(texts: list[str]) -> Texts:
    each = list(dict.fromkeys(texts))
    if len(each) < 2:
        return Texts(each, np.zeros(len(texts), np.intp))
    places = {text: place for place, text in enumerate(each)}
    return Texts(each, np.array([places[text] for text in texts], np.intp))


def _objects(values: Any) -> npt.NDArray[np.object_]:
    return values.objects() if isinstance(values, Texts) else np.asarray(values, object)


def _edges_word(used: int) -> str:
    return EdgesUsed(used).name.lower()
