"""Define an entry of the log book, which describes one recording."""

from dataclasses import dataclass
from datetime import UTC, datetime


@dataclass(frozen=True)
class LogEntry:
    """
    One recording in the log book.

    Attributes
    ----------
    name : str
        A name that no other recording in the log book has.
    where : str
        Path of the recording.
    started : str
        Start time in the recording, in ISO 8601; empty if the recording states no start.
    rig : str
        Name of the rig with which the shots were measured.
    shots, counted : int
    setups : dict of str to int
        Number of counted shots for each setup name, in order of first use.
    notes : tuple of str
        The user's notes on the whole session.
    trouble : str
        Why the recording cannot be used; empty if it can be used.
    """

    name: str
    where: str
    started: str = ""
    rig: str = ""
    shots: int = 0
    counted: int = 0
    setups: dict[str, int] | None = None
    notes: tuple[str, ...] = ()
    trouble: str = ""

    @property
    def start(self) -> datetime | None:
        """Date and time when the recording started; None if the recording states no start."""
        try:
            start = datetime.fromisoformat(self.started)
            return start if start.tzinfo else start.replace(tzinfo=UTC)
        except ValueError:
            return None
