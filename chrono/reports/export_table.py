"""Make the table of shots for export: its columns, facts about the recordings, and its rows.

All file formats and the guide use the list `SHOT_COLUMNS`. The program rounds numbers, so that
all file formats show the same digits. A rounding error is far smaller than any uncertainty.
"""

import json
from collections.abc import Callable, Iterable, Iterator
from dataclasses import dataclass, field
from datetime import UTC, datetime
from typing import TYPE_CHECKING, Any, Literal, NamedTuple

import numpy as np
import numpy.typing as npt

from chrono import __version__
from chrono.arrays.array_types import Ints
from chrono.measuring.series_statistics import Series
from chrono.processor.shot_records import EdgesUsed, flag_words
from chrono.rigs.rig_file import rig_record
from chrono.session.operator_records import NO_SETUP, common_record
from chrono.session.session import Session

if TYPE_CHECKING:
    import pandas as pd

Kind = Literal["string", "integer", "number", "boolean", "datetime"]


@dataclass(frozen=True)
class Column:
    """
    One column of the exported table.

    Attributes
    ----------
    name : str
    kind : {"string", "integer", "number", "boolean", "datetime"}
        Type of the column in the Table Schema.
    unit : str
        Unit of its numbers; empty if the numbers have no unit.
    meaning : str
        A short text that says what the column contains.
    decimals : int
        Number of decimals.
    """

    name: str
    kind: Kind
    unit: str
    meaning: str
    decimals: int = 0


SHOT_COLUMNS = (
    Column("recording", "string", "", "file of the recording"),
    Column("shot", "integer", "", "number of the shot in its recording, from 1"),
    Column("time_s", "number", "s", "first edge of the shot, since the session's start", 6),
    Column("time_utc", "datetime", "", "the same moment by the calendar, UTC, ISO 8601"),
    Column("setup", "string", "", "launch conditions that held, as the user named them"),
    Column("speed_mps", "number", "m/s", "speed midway between the gates", 6),
    Column("u_mps", "number", "m/s", "its standard uncertainty, k = 1", 6),
    Column("U95_mps", "number", "m/s", "its expanded uncertainty, 95 % coverage", 6),
    Column("u_random_mps", "number", "m/s", "part of u_mps that is new in each shot", 6),
    Column("u_shared_mps", "number", "m/s", "part of u_mps that all shots of a rig share", 6),
    Column("transit_us", "number", "us", "time from gate A to gate B", 5),
    Column("edges_used", "string", "", "edges that timed it: both, lead, trail or none"),
    Column("body_length_mm", "number", "mm", "length of the body, from how long it blocked", 3),
    Column("companion_speed_mps", "number", "m/s", "speed of what flew with the body", 6),
    Column("counted", "boolean", "", "whether the shot enters the statistics"),
    Column("flags", "string", "", "what is particular about the shot, separated by ;"),
    Column("note", "string", "", "why it was set aside, and the user's note"),
)

COLUMNS = tuple(column.name for column in SHOT_COLUMNS)
TEXT_COLUMNS = tuple(column.name for column in SHOT_COLUMNS if column.kind == "string")
DECIMALS = {column.name: column.decimals for column in SHOT_COLUMNS if column.kind == "number"}


def table_schema() -> dict[str, Any]:
    """Return the columns as a Table Schema (Frictionless Data), with an added key `unit`."""
    fields: list[dict[str, Any]] = []
    for column in SHOT_COLUMNS:
        told = {"name": column.name, "type": column.kind, "description": column.meaning}
        told |= {"unit": column.unit} if column.unit else {}
        told |= {"tz": "UTC"} if column.kind == "datetime" else {}
        fields.append(told)
    return {"fields": fields, "primaryKey": ["recording", "shot"]}


def columns_text() -> str:
    """Return the name and the meaning of each column, as lines for a terminal."""
    return "\n".join(
        f"{column.name:<20} {column.kind:<9} {column.unit:<4} {column.meaning}"
        for column in SHOT_COLUMNS
    )


PROGRAM = f"chrono-gates {__version__}"


@dataclass(frozen=True)
class ExportHead:
    """
    Name, start, rig and setups of one recording, without its shots.

    Attributes
    ----------
    recording : str
        Name of the recording, as in every row.
    started : str
        Start time that the recording states, in ISO 8601; empty if it states no start.
    rig : dict
        The rig that measured the shots. Values are in SI; each name ends in the unit.
    setups : list of dict
        `name`, `body` and `conditions` of each setup, as in a recording. On request, it also
        has the statistics of the setup's counted shots. A value is None if it is undefined, or
        if the setups with this name have different values.
    """

    recording: str
    started: str
    rig: dict[str, Any]
    setups: list[dict[str, Any]]


def head_of(session: Session, recording: str, with_statistics: bool = False) -> ExportHead:
    """
    Return the name, start, rig and setups of a recording.

    Call this function only after the whole recording was read.
    """
    setups = []
    for name in stated_setups(session):
        told = common_record(session.setups_with_shots(name))
        setups.append(told | _statistics(session, name) if with_statistics else told)
    return ExportHead(recording, session.started, rig_record(session.rig), setups)


def stated_setups(session: Session) -> list[str]:
    """Return the names of the setups, and the empty name if there are shots without setup."""
    unnamed = session.setups.named(NO_SETUP)[session.log.setup].any()
    return [name for name in session.setups.names if name != NO_SETUP or unnamed]


def _statistics(session: Session, name: str) -> dict[str, Any]:
    shots = int(session.setups.named(name)[session.log.setup].sum())
    return {"shots": shots, **_series_values(session.series(name))}


def _series_values(series: Series | None) -> dict[str, Any]:
    if series is None:
        return {"counted": 0} | dict.fromkeys(_SERIES)
    values = {name: round(float(getattr(series, name)), 6) for name in _SERIES}
    return {"counted": series.n} | {k: None if v != v else v for k, v in values.items()}


_SERIES = ("mean_mps", "U95_mean_mps", "s_mps", "median_mps", "min_mps", "max_mps")
SETUP_NUMBERS = ("shots", "counted", *_SERIES)
"""Names of the statistics of a setup, in the order of export."""


@dataclass
class ExportHeads:
    """Name, start and setups of all recordings in a file, and each different rig once."""

    rigs: list[dict[str, Any]] = field(default_factory=list)
    recordings: list[dict[str, Any]] = field(default_factory=list)
    _places: dict[str, int] = field(default_factory=dict)

    def add(self, head: ExportHead) -> int:
        """Store the facts about a recording, and return the index of its rig in `rigs`."""
        place = self._places.setdefault(json.dumps(head.rig), len(self.rigs))
        if place == len(self.rigs):
            self.rigs.append(head.rig)
        self.recordings.append(
            {
                "recording": head.recording,
                "started": head.started,
                "rig": place,
                "setups": head.setups,
            }
        )
        return place

    def texts(self) -> dict[str, str]:
        """
        Return the facts that describe the content of an exported file, each as a JSON text.

        Returns
        -------
        dict
            `program` and its version; `recordings`, each with `recording` (name), `started`,
            `rig` (index in the rigs) and `setups`; `rigs` in SI units; `schema`, which
            describes the columns.
        """
        members: dict[str, Any] = {"program": PROGRAM, "recordings": self.recordings}
        members |= {"rigs": self.rigs, "schema": table_schema()}
        return {name: json.dumps(value, allow_nan=False) for name, value in members.items()}


_MEASURED = {  # exported column: column of the shot log, and the factor to the exported unit
    "speed_mps": ("speed_mps", 1.0),
    "u_mps": ("u_mps", 1.0),
    "U95_mps": ("U95_mps", 1.0),
    "u_random_mps": ("u_random_mps", 1.0),
    "u_shared_mps": ("u_shared_mps", 1.0),
    "transit_us": ("transit_s", 1e6),
    "body_length_mm": ("body_length_m", 1e3),
    "companion_speed_mps": ("companion_speed_mps", 1.0),
}

Columns = dict[str, Any]


class TextColumn(NamedTuple):
    """A column of text: a list of different texts, and for each row an index into this list."""

    each: list[str]
    place: npt.NDArray[np.unsignedinteger]

    def objects(self) -> npt.NDArray[np.object_]:
        """Return the column as an array of Python strings, shape (N,)."""
        return np.array(self.each, object)[self.place]


@dataclass(frozen=True, eq=False)
class ExportTable:
    """
    The exported data of one recording.

    Attributes
    ----------
    head : ExportHead
    chunks : iterable of dict
        The shots in order. Each chunk has the columns of some shots, see `shot_columns`.
    """

    head: ExportHead
    chunks: Iterable[Columns]

    def __getstate__(self) -> dict[str, Any]:
        """Measure all shots, and return the data that another process needs for this table."""
        return {"head": self.head, "chunks": list(self.chunks)}


def shot_table(session: Session, recording: str, with_statistics: bool = False) -> ExportTable:
    """
    Return the data of a session for export.

    The program measures the shots of a chunk only when this chunk is requested.
    """
    chunks = (shot_columns(session, recording, part) for part in session.log.chunks())
    return ExportTable(head_of(session, recording, with_statistics), chunks)


def shot_columns(session: Session, recording: str, part: slice) -> Columns:
    """
    Return the columns of the export for some shots; each column has the shape (N,).

    Parameters
    ----------
    session : Session
        The session with the shots.
    recording : str
        Name of the recording, the same in every row.
    part : slice
        The part of the session's log with the wanted shots.

    Returns
    -------
    dict
        Each column by its name, in the order of `COLUMNS`. A column is an array, or a
        `TextColumn` for text. Speeds are in m/s. A speed that was not measured is NaN. The
        time in UTC is NaT if the recording states no start.
    """
    shots, measured = session.log.shots[part], session.measured(part)
    time_us = session.log.time_us[part]
    columns: Columns = {
        "recording": TextColumn([recording], np.zeros(len(shots), np.uint8)),
        "shot": np.arange(part.start + 1, part.start + 1 + len(shots)),
        "time_s": np.round(time_us * 1e-6, DECIMALS["time_s"]),
        "time_utc": _moments(session.started, time_us),
        "setup": _named(session.log.setup[part], session.setups.name),
        "edges_used": _named(shots["used"], _edges_word),
        "counted": session.are_counted(shots, measured.speed_mps),
        "flags": _named(shots["flags"], lambda flags: ";".join(flag_words(flags))),
        "note": _each_once(session.notes(part)),
    }
    for name, (source, factor) in _MEASURED.items():
        columns[name] = np.round(getattr(measured, source) * factor, DECIMALS[name])
    return {name: columns[name] for name in COLUMNS}


def records_of(columns: Columns) -> Iterator[dict[str, Any]]:
    """Yield each shot as an object for JSON; a missing value is None."""
    lists = [_plain_values(values) for values in columns.values()]
    for values in zip(*lists, strict=True):
        record = dict(zip(columns, values, strict=True))
        yield {k: None if v != v else v for k, v in record.items()}


def shot_records(session: Session, recording: str, part: slice) -> Iterator[dict[str, Any]]:
    """Yield some shots of a session as objects for JSON; a missing value is None."""
    return records_of(shot_columns(session, recording, part))


def shot_frame(session: Session, recording: str = "") -> "pd.DataFrame":
    """Return the shots of a session as a pandas data frame with the columns of an export."""
    import pandas as pd

    columns = shot_columns(session, recording, slice(0, len(session.log)))
    texts = {name: columns[name].objects() for name in TEXT_COLUMNS}
    moments = pd.DatetimeIndex(columns["time_utc"]).tz_localize("UTC")
    return pd.DataFrame(columns | texts | {"time_utc": moments})


def moment_texts(moments: npt.NDArray[np.datetime64]) -> list[str | None]:
    """Return times as texts in ISO 8601; a missing time (NaT) becomes None."""
    texts = np.datetime_as_string(moments, unit="us").tolist()
    return [None if text == "NaT" else f"{text}Z" for text in texts]


def _moments(started: str, host_us: Ints) -> npt.NDArray[np.datetime64]:
    """Return the times of shots in UTC; NaT (no date) if the start has no time zone."""
    begin: np.datetime64[Any] = np.datetime64("NaT", "us")
    try:
        start = datetime.fromisoformat(started)
        if start.tzinfo is not None:
            begin = np.datetime64(start.astimezone(UTC).replace(tzinfo=None), "us")
    except (ValueError, OverflowError):
        pass  # the text is not a date, or the year is outside the calendar
    return begin + host_us.astype("timedelta64[us]")


def _plain_values(values: Any) -> list[Any]:
    """Return a column as a list of values that JSON allows."""
    if isinstance(values, TextColumn):
        return values.objects().tolist()
    if values.dtype.kind == "M":
        return moment_texts(values)
    return values.tolist()


def _named(codes: npt.NDArray[Any], word: Callable[[int], str]) -> TextColumn:
    """Replace each number by the text that the function `word` returns for this number."""
    numbers = codes.astype(np.intp)
    distinct = np.flatnonzero(np.bincount(numbers))
    places = distinct.searchsorted(numbers).astype(np.min_scalar_type(len(distinct)))
    return TextColumn([word(code) for code in distinct.tolist()], places)


def _each_once(texts: list[str]) -> TextColumn:
    each = list(dict.fromkeys(texts))
    if len(each) < 2:
        return TextColumn(each, np.zeros(len(texts), np.uint8))
    places = {text: place for place, text in enumerate(each)}
    return TextColumn(
        each, np.array([places[text] for text in texts], np.min_scalar_type(len(each)))
    )


def _edges_word(used: int) -> str:
    return EdgesUsed(used).name.lower()
