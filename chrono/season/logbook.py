"""Make the log book of a folder, which shows the content of each recording in a few lines."""

from collections.abc import Callable, Iterable
from dataclasses import dataclass
from enum import StrEnum
from pathlib import Path
from typing import Any

import numpy as np

from chrono.errors import ChronoError
from chrono.season.batch_tasks import ReadingOptions
from chrono.season.recording_finder import RecordingSource
from chrono.session.log_entry import LogEntry


@dataclass(frozen=True)
class MakeEntry(ReadingOptions):
    """Make the log-book entry of a recording, even if the recording cannot be used."""

    def __call__(self, path: Path, source: RecordingSource) -> tuple[LogEntry, list[str]]:
        try:
            recorded, findings = self.read(path, source)
        except ChronoError as error:
            told = f"{source.where}: {error.message}"
            return LogEntry(source.name, source.where, trouble=error.message), [told]
        session = recorded.session
        counted = session.counted()
        setups: dict[str, int] = {}
        for name in session.setups.names:
            of_setup = session.setups.named(name)[session.log.setup]
            if of_setup.any():
                setups[name] = int(np.count_nonzero(counted & of_setup))
        entry = LogEntry(
            source.name,
            source.where,
            session.started,
            session.rig.name,
            len(session.log),
            int(np.count_nonzero(counted)),
            setups,
            tuple(session.marks.notes),
        )
        return entry, findings


class LogOrder(StrEnum):
    """The keys by which the log book can be sorted."""

    DATE = "date"
    NAME = "name"
    RIG = "rig"
    SHOTS = "shots"
    COUNTED = "counted"


_KEYS: dict[LogOrder, Callable[[LogEntry], Any]] = {
    LogOrder.DATE: lambda entry: entry.start,
    LogOrder.NAME: lambda entry: entry.name,
    LogOrder.RIG: lambda entry: entry.rig,
    LogOrder.SHOTS: lambda entry: entry.shots,
    LogOrder.COUNTED: lambda entry: entry.counted,
}


def in_order_of(
    entries: Iterable[LogEntry], order: LogOrder, reverse: bool = False
) -> list[LogEntry]:
    """
    Sort the entries of a log book.

    Entries of recordings that cannot be used always come last. If the entries are sorted by
    date, entries without a date come just before the unusable entries.

    Parameters
    ----------
    entries : iterable of LogEntry
    order : LogOrder
        Sort key; ties are sorted by name.
    reverse : bool, optional
        True if the last or largest entry comes first.
    """
    by_name = sorted(entries, key=lambda entry: entry.name)
    known = [entry for entry in by_name if _is_known(entry, order)]
    others = [entry for entry in by_name if not _is_known(entry, order)]
    others.sort(key=lambda entry: bool(entry.trouble))
    return sorted(known, key=_KEYS[order], reverse=reverse) + others


def _is_known(entry: LogEntry, order: LogOrder) -> bool:
    return not entry.trouble and (order != LogOrder.DATE or entry.start is not None)
