"""The errors that a user may see. Each is one clear line with a hint what to do.

ChronoError
├── OptionError       a command's option or argument (also ValueError)
├── UnitError         a text that is not a quantity of the wanted kind (also ValueError)
├── RigError          a rig file (also ValueError)
├── RecordingError    a recording that cannot be read or written
├── PortError         a serial port that cannot be opened or used
└── CalibrationError  data that cannot support the calibration asked for
"""

from chrono.safe_text import plain


class ChronoError(Exception):
    """
    Any error that the user can fix.

    Parameters
    ----------
    message : str
        The fault in lower case, with the wrong value.
    where : str, optional
        The file, file:line, port or option with the fault.
    hint : str, optional
        One sentence that states what to do.
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
    """A command got an option or argument that it cannot use."""


class UnitError(ChronoError, ValueError):
    """A text is not a quantity of the wanted kind."""


class RigError(ChronoError, ValueError):
    """A rig file has unknown keys or impossible values."""


class RecordingError(ChronoError):
    """A recording cannot be read or written."""


class PortError(ChronoError):
    """A port cannot be opened or used."""


class CalibrationError(ChronoError, ValueError):
    """The data cannot support the calibration that was asked for."""
