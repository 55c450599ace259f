"""What is said of a recording's file that cannot be used."""

from pathlib import Path

from chrono.errors import RecordingError

ROOM = "choose a folder that may be written to and has room"
"""What to do where a new recording cannot be written."""


def unusable(path: Path, message: str, *, hint: str = "") -> RecordingError:
    """Return the error that names a file and what is wrong with it."""
    return RecordingError(message, where=str(path), hint=hint)


def words(exc: Exception) -> str:
    """Return the system's own words for what failed."""
    return (exc.strerror if isinstance(exc, OSError) else None) or str(exc)
