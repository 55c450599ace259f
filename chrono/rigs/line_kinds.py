"""The kinds of lines that a board may send, and what each can show.

Code that treats kinds differently asks a `LineKind` for the property that matters; no other
module compares their names. To add a kind: describe it here, add to `reader/line_grammar.py`
how one line is read, and, if large recordings of it should be read fast, add its loop to
`reader/bulk_decoding.py`.
"""

from collections.abc import Callable
from dataclasses import dataclass


@dataclass(frozen=True)
class LineKind:
    """
    One kind of lines.

    Attributes
    ----------
    name : str
        As the rig file and the recording say it.
    unit_s : float or None
        Time that one unit of a line's counter value stands for [s]; None where it is one tick
        of the board's own counter.
    says_hello : bool
        Whether the board says at its start, and when asked, how its counter counts.
    has_beats : bool
        Whether the board shows every second that it is there, and how many edges it dropped.
    is_numbered : bool
        Whether lines bear a sequence number, so that those which are lost are missed.
    has_analog : bool
        Whether a board may, when asked, send its sensors' levels for who aligns the beams.
    has_levels : bool
        Whether every edge tells if the gate was blocked or cleared by it.
    is_interval : bool
        Whether a line is a transit, which the board has measured by itself.
    end_is_a_line : bool
        Whether the end of a line, whose beginning was not heard, looks like a line.
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
            raise ValueError("a hello tells the length of a tick, so ticks must be counted")

    def __str__(self) -> str:
        return self.name

    @property
    def counts_ticks(self) -> bool:
        """Whether counter values are ticks of the board's counter."""
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
"""All kinds by their names; where lines fit several, the first one is meant."""


def names_of(
    last: str, fits: Callable[[LineKind], bool] = lambda kind: True, quote: str = ""
) -> str:
    """
    Return the names of kinds as a phrase, such as ``framed, plain or interval``.

    Parameters
    ----------
    last : str
        The word before the last one, ``or`` or ``and``.
    fits : callable, optional
        Whether a kind is to be named; all are if it is left out.
    quote : str, optional
        Stands about each name.
    """
    *names, end = (f"{quote}{kind}{quote}" for kind in LINE_KINDS.values() if fits(kind))
    return f"{', '.join(names)} {last} {end}" if names else end
