"""The errors that a user may see.

Each error message is one clear line, with a hint that tells the user what to do.

ChronoError
├── OptionError       a wrong option or argument of a command (also ValueError)
├── UnitError         a text that is not a quantity of the needed kind (also ValueError)
├── RigError          a rig file with unknown keys or impossible values (also ValueError)
├── RecordingError    a recording that cannot be read or written
├── PortError         a serial port that cannot be opened or used
└── CalibrationError  data that are not good enough for a calibration (also ValueError)
"""

from chrono.safe_text import plain


class ChronoError(Exception):
    """
    An error that the user can fix.

    Parameters
    ----------
    message : str
        What is wrong, in lower case, with the wrong value.
    where : str, optional
        Where the problem is: the file, the line of the file, the port or the option.
    hint : str, optional
        One sentence that tells the user what to do.
    """

    exit_code = 2

    def __init__(self, message: str, *, where: str = "", hint: str = "") -> None:
        super().__init__(message)
        self.message = message
        self.where = where
        self.hint = hint

    def __str__(self) -> str:
        line = f"{plain(self.where)}: " if self.where else ""
        line += plain(self.message)
        return f"{line}\n  do: {plain(self.hint)}" if self.hint else line


class OptionError(ChronoError, ValueError):
    """An error because a command got an option or argument that it cannot use."""


class UnitError(ChronoError, ValueError):
    """An error because a text is not a quantity, or is the wrong kind of quantity."""


class RigError(ChronoError, ValueError):
    """An error because a rig file has unknown keys or impossible values."""


class RecordingError(ChronoError):
    """An error because a recording cannot be read or written."""


class PortError(ChronoError):
    """An error because a port cannot be opened or used."""


class CalibrationError(ChronoError, ValueError):
    """An error because the data are not good enough for the wanted calibration."""
