"""What a log book contains about one recording."""

from dataclasses import dataclass
from datetime import UTC, datetime


@dataclass(frozen=True)
class LogEntry:
    """
    One recording in the log book.

    Attributes
    ----------
    name : str
        A name that differs from those of the other recordings.
    where : str
        Its path.
    started : str
        Start that the recording states, ISO 8601, or empty.
    rig : str
        Name of the rig that is used.
    shots, counted : int
    setups : dict of str to int
        Counted shots by name of the setup, in order of first use.
    notes : tuple of str
        Notes on the session itself.
    trouble : str
        Why it cannot be used, empty if it can.
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
        """The moment of its start, None if it is not stated."""
        try:
            start = datetime.fromisoformat(self.started)
            return start if start.tzinfo else start.replace(tzinfo=UTC)
        except ValueError:
            return None
