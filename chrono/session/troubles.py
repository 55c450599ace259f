"""What became of link and disk, in words."""

from __future__ import annotations

from typing import TYPE_CHECKING

from chrono.safe_text import plain

if TYPE_CHECKING:
    from chrono.reader.port_reader import LinkStatus
    from chrono.reader.recording_writer import RecordingWriter

MUCH_BYTES = 100_000_000
"""More than an hour of any board: rows that wait take memory, which ends too."""


def loss_lines(status: LinkStatus) -> list[str]:
    """Return how often the link was lost and what that means, nothing if it never was."""
    if not status.losses:
        return []
    times = "once" if status.losses == 1 else f"{status.losses} times"
    line = f"{plain(status.port)}: the link was lost {times}; what the board said meanwhile is"
    if status.state == "lost":
        return [f"{line} missing, and it was not found again: {plain(status.reason)}"]
    return [f"{line} missing"]


def disk_line(writer: RecordingWriter) -> str:
    """Return why how much waits in memory and what that means, empty if all is well."""
    if writer.trouble is None:
        return plain(writer.moves[-1]) if writer.moves else ""
    waits = f"{plain(writer.trouble)}, {writer.pending_bytes:,} bytes wait in memory"
    more = ", SO MANY that memory may run out and lose them" if much_waits(writer) else ""
    return waits + more


def much_waits(writer: RecordingWriter) -> bool:
    """Tell whether so much waits for the disk that memory may run out."""
    return writer.pending_bytes >= MUCH_BYTES
