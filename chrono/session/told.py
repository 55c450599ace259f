"""What the operator told of a session: its setups and marks, as one record after another."""

from chrono.arrays.batch import Control
from chrono.session.marked import Marks
from chrono.session.marks import UNDO, Setup, read_mark, read_setup, read_undo
from chrono.session.setups import Setups


class Told:
    """
    Carries setups and marks.

    Attributes
    ----------
    setups : Setups
    marks : Marks
    version : int
        Grows with every record: what was worked out from an earlier one no longer holds.
    """

    def __init__(self) -> None:
        self.setups = Setups()
        self.marks = Marks()
        self.version = 0

    def take(self, record: Control, anchor: int) -> None:
        """
        Take a record that was made when `anchor` was the latest counter value.

        Raises
        ------
        ValueError
            If it is none.
        RecordingError
            If there are more setups than any session has.
        """
        self.version += 1
        if record.origin == "setup":
            self.setups.state(read_setup(record.data), anchor)
        elif record.data.get("action") != UNDO:
            self.marks.take(read_mark(record.data), anchor)
        else:
            said = read_undo(record.data)
            if isinstance(said, Setup):
                self.setups.take_back(said)
            else:
                self.marks.take_back(said)
