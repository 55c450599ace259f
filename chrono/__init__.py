"""
Measure the speed of a launched body with two light gates, and state an honest uncertainty.

`read` returns the shots and edges of recordings as data frames. `compare` shows which setup is
faster. `live` measures the shots of a board while you shoot. `measure` computes speeds from
transits. `rig` reads the description of the gates.

Examples
--------
>>> import chrono
>>> [name for name in dir(chrono) if name.islower()]
['compare', 'live', 'measure', 'read', 'rig']
"""

from typing import TYPE_CHECKING, Any

from chrono.errors import ChronoError

if TYPE_CHECKING:
    from chrono.scripting import (
        ComparedSetups,
        Damage,
        LiveShots,
        Recording,
        Recordings,
        compare,
        live,
        measure,
        read,
        rig,
    )

__version__ = "0.1.0"

__all__ = [
    "ChronoError",
    "ComparedSetups",
    "Damage",
    "LiveShots",
    "Recording",
    "Recordings",
    "compare",
    "live",
    "measure",
    "read",
    "rig",
]


def __getattr__(name: str) -> Any:
    if name not in __all__:
        raise AttributeError(f"module 'chrono' has no attribute {name!r}")
    from chrono import scripting

    globals().update({each: getattr(scripting, each) for each in __all__[1:]})
    return globals()[name]


def __dir__() -> list[str]:
    return sorted(__all__)
