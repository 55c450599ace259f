"""End a run after a given number of shots."""

from chrono.reader.row_decoding import decode_rows
from chrono.session.session import Session


class ShotLimit:
    """
    Accepts rows until the last wanted shot is complete.

    A `ShotLimit` does not accept the first row of the next shot. A board may send many shots at
    once, so the program checks each row before it writes the row. If a second body enters the
    gates while the first body is still in the gates, both bodies belong to the same launch, and
    the rows of both bodies are accepted.

    Parameters
    ----------
    session : Session
        A session that gets the same rows as the session of the run. It may already contain
        shots.
    shots : int
        Number of shots to add to the session.

    Attributes
    ----------
    ended : bool
        True if no more rows from the board are accepted.
    """

    def __init__(self, session: Session, shots: int) -> None:
        self._session = session
        self._wanted = self._count() + shots
        self.ended = False

    def admit(self, rows: bytes) -> bytes:
        """
        Return the accepted rows.

        After the last wanted shot, accept only entries of the operator.
        """
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
        """Return where the next rows end; only the last row can begin a shot too many."""
        for _ in range(max(self._wanted - self._count(), 1)):
            start = rows.find(b"\n", start) + 1 or len(rows)
        return start

    def _count(self) -> int:
        """Return the number of shots in the session if no more rows come."""
        return len(self._session.log) + len(self._session.processor.peek())


def _is_said(row: bytes) -> bool:
    """Return True if the row is an entry of the operator."""
    return row.split(b"\t", 2)[1:2] in ([b"mark"], [b"setup"])
