"""The log book as text for a terminal and as objects for JSON."""

from collections.abc import Sequence
from dataclasses import asdict
from typing import Any

from chrono.reports.launch_text import filled
from chrono.reports.setup_words import count_text, setup_text
from chrono.safe_text import plain
from chrono.session.log_entry import LogEntry

NO_DATE = "no date"
DATE_CELLS = 16


def date_text(entry: LogEntry) -> str:
    """Return the start as the recording's own clock showed it, to the minute."""
    start = entry.start
    return f"{start:%Y-%m-%d %H:%M}" if start else NO_DATE


def logbook_text(entries: Sequence[LogEntry]) -> str:
    """Return the log book as lines for a terminal."""
    return "\n".join(line for entry in entries for line in _entry_lines(entry))


def logbook_data(entries: Sequence[LogEntry]) -> list[dict[str, Any]]:
    """Return the log book as objects for JSON."""
    return [asdict(entry) for entry in entries]


def about_lines(entry: LogEntry) -> list[str]:
    """Return rig, setups and notes of an entry, or why it has none, a sentence each."""
    if entry.trouble:
        return [f"cannot be used: {plain(entry.trouble)}"]
    setups = (f"{setup_text(name)} ({n} counted)" for name, n in (entry.setups or {}).items())
    told = [f"rig {plain(entry.rig)}", ", ".join(setups)]
    return [*filter(None, told), *(f"note: {plain(note)}" for note in entry.notes)]


def _entry_lines(entry: LogEntry) -> list[str]:
    head = f"{date_text(entry):<{DATE_CELLS}}  {plain(entry.name)}"
    if not entry.trouble:
        head += f"  {count_text(entry.shots, 'shot')}, {entry.counted} counted"
    return [head, *(line for about in about_lines(entry) for line in filled(about, 4))]
