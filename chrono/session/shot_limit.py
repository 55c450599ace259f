"""Where the rows of a run end that is to hold a certain number of shots and no more."""

from chrono.reader.row_decoding import decode_rows
from chrono.session.session import Session


class ShotLimit:
    """
    Lets rows pass up to the last wanted shot; the first row of another shot is not taken.

    Shots are counted in a session of its own, as a reader of the recording will count them: a
    board may send many shots at once, and each row must be judged before it is written. A body
    that enters the gates before the last wanted one has left belongs to the same launch, so no
    edge of a wanted shot is missing.

    Parameters
    ----------
    session : Session
        Is fed the same rows as the session of the run; it may hold shots already.
    shots : int
        How many shots to add to it.

    Attributes
    ----------
    ended : bool
        Whether no further row of the board is taken.
    """

    def __init__(self, session: Session, shots: int) -> None:
        self._session = session
        self._wanted = self._count() + shots
        self.ended = False

    def admit(self, rows: bytes) -> bytes:
        """Return the rows to take: all, or the first ones; later those of the operator."""
        if self.ended:
            return b"".join(row for row in rows.splitlines(keepends=True) if _is_said(row))
        start = 0
        while start < len(rows) and not self.ended:
            end = self._safe_end(rows, start)
            self._session.feed(decode_rows(rows[start:end], self._session.rig.lines))
            self.ended = self._count() > self._wanted
            start = start if self.ended else end
        rest = rows[start:]
        return rows[:start] + (self.admit(rest) if self.ended else b"")

    def _safe_end(self, rows: bytes, start: int) -> int:
        """Return the end of rows too few to bring another shot than the wanted ones."""
        for _ in range(max(self._wanted - self._count(), 1)):
            start = rows.find(b"\n", start) + 1 or len(rows)
        return start

    def _count(self) -> int:
        """Return how many shots there would be if no more rows came."""
        return len(self._session.log) + len(self._session.processor.peek())


def _is_said(row: bytes) -> bool:
    """Return whether a row is what the operator said."""
    return row.split(b"\t", 2)[1:2] in ([b"mark"], [b"setup"])
