"""What becomes of what is said of a recording that is shown again.

Nothing, until the user agreed once: to change this recording, or to work in a copy. Rows are
only ever added, at the end; nothing in the file is altered.
"""

from pathlib import Path
from typing import Any

from chrono.errors import RecordingError
from chrono.reader.appending import append_rows, check_appendable, copy_recording
from chrono.reader.handles import free_name
from chrono.reader.rows import json_row


class Edits:
    """
    Where records of the user go.

    Parameters
    ----------
    path : Path
        The recording that is shown.

    Attributes
    ----------
    target : Path or None
        The file that takes records; None until the user agreed.
    """

    def __init__(self, path: Path) -> None:
        self.path = path
        self.target: Path | None = None

    @property
    def in_copy(self) -> bool:
        """Whether records go to a copy."""
        return self.target not in (None, self.path)

    def agree(self) -> None:
        """
        Let records go to the recording itself.

        Raises
        ------
        RecordingError
            If it could not take any.
        """
        check_appendable(self.path)
        self.target = self.path

    def free_copy_name(self) -> Path:
        """Return a name for a copy that is not taken."""
        return free_name(self.path.parent, self.path)

    def work_in_copy(self, copy: Path) -> None:
        """
        Copy the recording, and let records go to the copy.

        Raises
        ------
        RecordingError
            If the copy cannot be made.
        """
        copy_recording(self.path, copy)
        self.target = copy

    def append(self, host_us: int, origin: str, data: dict[str, Any]) -> bytes:
        """
        Add a record; return its row.

        Raises
        ------
        RecordingError
            If the user has not agreed, or the file does not take it.
        """
        if self.target is None:
            raise RecordingError(
                "is only shown, nothing is written to it",
                where=str(self.path),
                hint="agree to change it, or work in a copy",
            )
        row = json_row(host_us, origin, data)
        append_rows(self.target, row)
        return row
