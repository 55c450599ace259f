"""The kinds of lines that a board may send, and the properties of each kind.

To add a kind, describe the kind here, and add a function that reads one line of this kind to
`reader/line_grammar.py`. To read large recordings fast, also add a function to
`reader/bulk_decoding.py`.
"""

from collections.abc import Callable
from dataclasses import dataclass


@dataclass(frozen=True)
class LineKind:
    """
    One format of the lines that a board may send.

    Attributes
    ----------
    name : str
        Name of the kind in rig files and recordings.
    unit_s : float or None
        Duration of one unit of the counter values in a line [s]; None if the unit is one tick
        of the board's counter.
    says_hello : bool
        True if the board reports the frequency and the width of its counter, at start and on
        request.
    has_beats : bool
        True if the board sends a beat every second. A beat shows that the board works, and how
        many edges it dropped.
    is_numbered : bool
        True if lines have a sequence number, so that lost lines are noticed.
    has_analog : bool
        True if a board may send the light levels of its sensors on request. The levels help
        the user to align the beams.
    has_levels : bool
        True if the line of each edge states whether the gate was blocked or cleared.
    is_interval : bool
        True if each line contains a transit that the board itself has measured.
    end_is_a_line : bool
        True if a line that has lost its beginning can look like a complete line.
    """

    name: str
    unit_s: float | None = 1e-6
    says_hello: bool = False
    has_beats: bool = False
    is_numbered: bool = False
    has_analog: bool = False
    has_levels: bool = False
    is_interval: bool = False
    end_is_a_line: bool = False

    def __post_init__(self) -> None:
        if self.says_hello and not self.counts_ticks:
            raise ValueError(
                "says_hello must be False if the numbers in the lines do not count ticks"
            )

    def __str__(self) -> str:
        return self.name

    @property
    def counts_ticks(self) -> bool:
        """True if the numbers in the lines count ticks of the board's counter."""
        return self.unit_s is None


FRAMED = LineKind(
    "framed",
    unit_s=None,
    says_hello=True,
    has_beats=True,
    is_numbered=True,
    has_analog=True,
    has_levels=True,
)
PLAIN = LineKind("plain")
INTERVAL = LineKind("interval", is_interval=True, end_is_a_line=True)

LINE_KINDS: dict[str, LineKind] = {kind.name: kind for kind in (FRAMED, PLAIN, INTERVAL)}
"""All kinds by their names. If lines fit several kinds, the first kind that fits is used."""


def kind_names(
    last: str, fits: Callable[[LineKind], bool] = lambda kind: True, quote: str = ""
) -> str:
    """
    Join the names of line kinds to one text, such as ``framed, plain or interval``.

    Parameters
    ----------
    last : str
        The word before the last name, ``or`` or ``and``.
    fits : callable, optional
        Function that returns True for each kind to name; if left out, all kinds are named.
    quote : str, optional
        Quotation mark around each name.
    """
    *names, end = (f"{quote}{kind}{quote}" for kind in LINE_KINDS.values() if fits(kind))
    return f"{', '.join(names)} {last} {end}" if names else end
