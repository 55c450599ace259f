"""The table of shots as columns, a chunk at a time, as records and as a data frame.

Numbers are rounded well below any uncertainty, so that every way out shows the same digits.
"""

from collections.abc import Callable, Iterable, Iterator
from dataclasses import dataclass
from datetime import UTC, datetime
from typing import TYPE_CHECKING, Any, NamedTuple

import numpy as np
import numpy.typing as npt

from chrono.arrays.array_types import Ints
from chrono.processor.table import EdgesUsed, flag_words
from chrono.reports.columns import COLUMNS, DECIMALS, TEXT_COLUMNS
from chrono.reports.heads import Head, head_of
from chrono.session.session import Session

if TYPE_CHECKING:
    import pandas as pd

_MEASURED = {  # column: column of the log, factor to its unit
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


class Texts(NamedTuple):
    """A column of text: each text once, and for every row which one it is, in few bytes."""

    each: list[str]
    place: npt.NDArray[np.unsignedinteger]

    def objects(self) -> npt.NDArray[np.object_]:
        """Return the column as Python's strings, shape (N,)."""
        return np.array(self.each, object)[self.place]


@dataclass(frozen=True, eq=False)
class ShotTable:
    """
    What is exported of one recording.

    Attributes
    ----------
    head : Head
    chunks : iterable of dict
        The columns of its shots, in order, some shots at a time; see `shot_columns`.
    """

    head: Head
    chunks: Iterable[Columns]

    def __getstate__(self) -> dict[str, Any]:
        """Return what goes to another process, where nothing can be measured any more."""
        return {"head": self.head, "chunks": list(self.chunks)}


def shot_table(session: Session, recording: str, with_statistics: bool = False) -> ShotTable:
    """Return what is exported of a session; its shots are measured as they are asked for."""
    chunks = (shot_columns(session, recording, part) for part in session.log.chunks())
    return ShotTable(head_of(session, recording, with_statistics), chunks)


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
        [m/s], NaN where nothing was measured; moments NaT where the start is not stated.
    """
    shots, measured = session.log.shots[part], session.measured(part)
    time_us = session.log.time_us[part]
    columns: Columns = {
        "recording": Texts([recording], np.zeros(len(shots), np.uint8)),
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
    """Yield shots as objects for JSON; None where there is nothing to say."""
    lists = [_plain_values(values) for values in columns.values()]
    for values in zip(*lists, strict=True):
        record = dict(zip(columns, values, strict=True))
        yield {k: None if v != v else v for k, v in record.items()}


def shot_records(session: Session, recording: str, part: slice) -> Iterator[dict[str, Any]]:
    """Yield some shots of a session as objects for JSON; None where nothing was measured."""
    return records_of(shot_columns(session, recording, part))


def shot_frame(session: Session, recording: str = "") -> "pd.DataFrame":
    """Return the shots of a session as a data frame with the exported columns, for scripts."""
    import pandas as pd

    columns = shot_columns(session, recording, slice(0, len(session.log)))
    texts = {name: columns[name].objects() for name in TEXT_COLUMNS}
    moments = pd.DatetimeIndex(columns["time_utc"]).tz_localize("UTC")
    return pd.DataFrame(columns | texts | {"time_utc": moments})


def moment_texts(moments: npt.NDArray[np.datetime64]) -> list[str | None]:
    """Return moments as ISO 8601 has them, None for NaT."""
    texts = np.datetime_as_string(moments, unit="us").tolist()
    return [None if text == "NaT" else f"{text}Z" for text in texts]


def _moments(started: str, host_us: Ints) -> npt.NDArray[np.datetime64]:
    """Return moments by the calendar, UTC; a start that states no offset tells none."""
    begin: np.datetime64[Any] = np.datetime64("NaT", "us")
    try:
        start = datetime.fromisoformat(started)
        if start.tzinfo is not None:
            begin = np.datetime64(start.astimezone(UTC).replace(tzinfo=None), "us")
    except (ValueError, OverflowError):
        pass  # it is no moment, or one before all calendars
    return begin + host_us.astype("timedelta64[us]")


def _plain_values(values: Any) -> list[Any]:
    """Return a column as what JSON knows."""
    if isinstance(values, Texts):
        return values.objects().tolist()
    if values.dtype.kind == "M":
        return moment_texts(values)
    return values.tolist()


def _named(codes: npt.NDArray[Any], word: Callable[[int], str]) -> Texts:
    """Replace each code, a small whole number, by its word, asking for each word once."""
    numbers = codes.astype(np.intp)
    distinct = np.flatnonzero(np.bincount(numbers))
    places = distinct.searchsorted(numbers).astype(np.min_scalar_type(len(distinct)))
    return Texts([word(code) for code in distinct.tolist()], places)


def _each_once(texts: list[str]) -> Texts:
    each = list(dict.fromkeys(texts))
    if len(each) < 2:
        return Texts(each, np.zeros(len(texts), np.uint8))
    places = {text: place for place, text in enumerate(each)}
    return Texts(
        each, np.array([places[text] for text in texts], np.min_scalar_type(len(each)))
    )


def _edges_word(used: int) -> str:
    return EdgesUsed(used).name.lower()
