"""Save what the operator chose (colour theme, unit of speed, signal) for the next session.

The operator's choices are in a file in the user's settings folder. If the program cannot read
or write this file, the dashboard works with default choices.
"""

import json
from dataclasses import asdict, dataclass, replace
from pathlib import Path

from platformdirs import user_config_path

from chrono.units import SPEED_UNITS

SIGNALS = ("", "bell", "flash")


@dataclass(frozen=True)
class Choices:
    """
    The operator's last choices, as saved in a file.

    Attributes
    ----------
    theme : str
        Name of the theme; empty for the default theme.
    unit : str
        Unit of speeds; empty for the rig's unit.
    rig_unit : str
        `unit` is used only for rigs that state this unit. Other rigs keep their own unit.
    signal : str
        Signal of a new shot: one of `SIGNALS`.
    """

    theme: str = ""
    unit: str = ""
    rig_unit: str = ""
    signal: str = ""


class Preferences:
    """
    The operator's choices for the screen; each change is saved at once.

    Attributes
    ----------
    unit : str
        The unit in which speeds are shown now.
    """

    def __init__(self) -> None:
        self._choices = read_choices()
        self.unit = "m/s"

    @property
    def theme(self) -> str:
        """The colour theme that the operator chose last; empty for the default theme."""
        return self._choices.theme

    @property
    def signal(self) -> str:
        """The signal for a new shot: no signal, a bell or a flash."""
        return self._choices.signal if self._choices.signal in SIGNALS else ""

    def choose_theme(self, theme: str) -> None:
        """Save the colour theme."""
        if theme != self._choices.theme:
            self._keep(replace(self._choices, theme=theme))

    def choose_signal(self, signal: str) -> None:
        """Save the kind of signal for new shots: none, bell or flash."""
        self._keep(replace(self._choices, signal=signal))

    def next_signal(self) -> str:
        """Switch to the next kind of signal for new shots, and return this kind."""
        self.choose_signal(SIGNALS[(SIGNALS.index(self.signal) + 1) % len(SIGNALS)])
        return self.signal

    def use_rig_unit(self, rig_unit: str) -> None:
        """
        Show speeds in the rig's unit, or in the unit that the operator chose instead of it.
        """
        chosen = self._choices
        is_chosen = chosen.unit in SPEED_UNITS and chosen.rig_unit == rig_unit
        self.unit = chosen.unit if is_chosen else rig_unit

    def next_unit(self, rig_unit: str) -> None:
        """Show speeds in the next unit; save this unit for all rigs that state `rig_unit`."""
        self.unit = unit_after(self.unit)
        self._keep(replace(self._choices, unit=self.unit, rig_unit=rig_unit))

    def _keep(self, choices: Choices) -> None:
        self._choices = choices
        write_choices(choices)


def unit_after(unit: str) -> str:
    """Return the unit of speed that comes after this unit in the list of units."""
    units = list(SPEED_UNITS)
    return units[(units.index(unit) + 1) % len(units)]


def choices_path() -> Path:
    """Return the path of the file with the operator's choices."""
    return user_config_path("chrono-gates") / "dashboard.json"


def read_choices() -> Choices:
    """
    Return the operator's saved choices.

    If the file cannot be read, return default choices.
    """
    try:
        kept = json.loads(choices_path().read_text("utf-8"))
        return Choices(**{name: str(kept.get(name, "")) for name in asdict(Choices())})
    except (OSError, ValueError, AttributeError):
        return Choices()


def write_choices(choices: Choices) -> None:
    """Save the operator's choices; do nothing if the file cannot be written."""
    path = choices_path()
    try:
        path.parent.mkdir(parents=True, exist_ok=True)
        path.write_text(json.dumps(asdict(choices)), "utf-8")
    except OSError:
        return
