"""Write the log book as text for a terminal, and as objects for JSON."""

from collections.abc import Sequence
from dataclasses import asdict
from typing import Any

from rich.cells import cell_len, set_cell_size

from chrono.reports.setup_words import count_text, setup_text
from chrono.safe_text import plain
from chrono.session.log_entry import LogEntry

NO_DATE = "no date"
DATE_CELLS = 16


def date_text(entry: LogEntry) -> str:
    """Return the date and the time of the start, as the recording states them."""
    start = entry.start
    return f"{start:%Y-%m-%d %H:%M}" if start else NO_DATE


LONGEST_NAME = 32
LEAST_NAME, LEAST_ABOUT = 10, 8
"""Smallest width of a name, and of the text after the name, in cells of a narrow terminal."""


def logbook_text(entries: Sequence[LogEntry], columns: int | None = None) -> str:
    """
    Return the log book: one line for each recording, and a last line with the totals.

    Parameters
    ----------
    entries : sequence of LogEntry
    columns : int, optional
        Width of the terminal. Longer setups and notes are cut, and also names if necessary.
        By default, nothing is cut.
    """
    counts = [
        ("", "") if entry.trouble else (str(entry.shots), str(entry.counted))
        for entry in entries
    ]
    heads = ("shots", "counted")
    widths = [max(map(len, column)) for column in zip(heads, *counts, strict=True)]
    fixed = DATE_CELLS + sum(widths) + 4 * len(GAP)
    names = ("recording", *(plain(entry.name) for entry in entries))
    name_cells = max(map(cell_len, names))
    about_cells = None
    if columns is not None:
        room = max(min(LONGEST_NAME, columns - fixed - LEAST_ABOUT), LEAST_NAME)
        name_cells = min(name_cells, room)
        about_cells = max(columns - fixed - name_cells, LEAST_ABOUT)

    def line(date: str, name: str, numbers: Sequence[str], about: str) -> str:
        first = [set_cell_size(date, DATE_CELLS), _cut(name, name_cells)]
        right = [f"{number:>{width}}" for number, width in zip(numbers, widths, strict=True)]
        last = about if about_cells is None else _cut(about, about_cells)
        return GAP.join([*first, *right, last]).rstrip()

    rows = [
        line(date_text(entry), plain(entry.name), numbers, "; ".join(_in_brief(entry)))
        for entry, numbers in zip(entries, counts, strict=True)
    ]
    return "\n".join([line("start", "recording", heads, "setups"), *rows, _total(entries)])


GAP = "  "


def _cut(text: str, cells: int) -> str:
    """Cut or extend a text so that it fills exactly `cells` columns of a terminal."""
    if cell_len(text) <= cells:
        return set_cell_size(text, cells)
    return f"{set_cell_size(text, cells - 1)}…"


def _in_brief(entry: LogEntry) -> list[str]:
    """Return setups, notes and rig of a recording, or the reason why it cannot be used."""
    if entry.trouble:
        return about_lines(entry)
    setups = ", ".join(f"{setup_text(name)} {n}" for name, n in (entry.setups or {}).items())
    notes = [f"note: {plain(note)}" for note in entry.notes]
    return [*filter(None, [setups]), *notes, f"rig {plain(entry.rig)}"]


def _total(entries: Sequence[LogEntry]) -> str:
    """Return the total numbers of recordings and shots in the log book."""
    usable = [entry for entry in entries if not entry.trouble]
    shots, counted = (sum(getattr(each, name) for each in usable) for name in _SUMS)
    bad = len(entries) - len(usable)
    told = f"{count_text(len(usable), 'recording')}: {count_text(shots, 'shot')}"
    return f"{told}, {counted} counted" + (
        f"; recordings that cannot be used: {bad}" if bad else ""
    )


_SUMS = ("shots", "counted")


def logbook_data(entries: Sequence[LogEntry]) -> list[dict[str, Any]]:
    """Return the log book as objects for JSON."""
    return [asdict(entry) for entry in entries]


def about_lines(entry: LogEntry) -> list[str]:
    """
    Return rig, setups and notes of a recording in the log book, one line each.

    If the program cannot use the recording, return the reason.
    """
    if entry.trouble:
        return [f"cannot be used: {plain(entry.trouble)}"]
    setups = (f"{setup_text(name)} ({n} counted)" for name, n in (entry.setups or {}).items())
    told = [f"rig {plain(entry.rig)}", ", ".join(setups)]
    return [*filter(None, told), *(f"note: {plain(note)}" for note in entry.notes)]
