"""What the dashboard remembers from session to session: theme, unit, the signal of a shot.

It lies in the user's own folder for settings. Whatever is wrong with it, the dashboard goes
on as if there were nothing.
"""

import json
from dataclasses import asdict, dataclass
from pathlib import Path

from platformdirs import user_config_path

SIGNALS = ("", "bell", "flash")


@dataclass(frozen=True)
class Memory:
    """
    What was chosen last.

    Attributes
    ----------
    theme : str
        Empty for the usual one.
    unit : str
        Unit of speeds, empty for the rig's.
    rig_unit : str
        The rig's unit which it was chosen instead of; with another rig's it does not hold.
    signal : str
        What tells of a new shot: one of `SIGNALS`.
    """

    theme: str = ""
    unit: str = ""
    rig_unit: str = ""
    signal: str = ""


def memory_path() -> Path:
    """Return where it is kept."""
    return user_config_path("chrono-gates") / "dashboard.json"


def recall() -> Memory:
    """Return what was kept, as far as it can be read."""
    try:
        kept = json.loads(memory_path().read_text("utf-8"))
        texts = {name: str(kept.get(name, ""))[:40] for name in asdict(Memory())}
    except (OSError, ValueError, AttributeError):
        return Memory()
    return Memory(**texts)


def keep(memory: Memory) -> None:
    """Keep it, if there is a place."""
    path = memory_path()
    try:
        path.parent.mkdir(parents=True, exist_ok=True)
        path.write_text(json.dumps(asdict(memory)), "utf-8")
    except OSError:
        return
