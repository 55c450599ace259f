"""The kinds of lines that a board may send, and what each can show.

Code that treats kinds differently asks a `LineKind` for the property that matters; no other
module compares their names. To add a kind: describe it here, and add its parser for one line to
`reader/line_grammar.py`. If large recordings of it must be read fast, also add its loop to
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
        Its name in the rig file and the recording.
    unit_s : float or None
        Time of one unit of a line's counter value [s]; None if it is one tick of the board's
        own counter.
    says_hello : bool
        Whether the board states its counter's frequency and width, at start and when asked.
    has_beats : bool
        Whether the board reports every second that it is there, and how many edges it dropped.
    is_numbered : bool
        Whether lines have a sequence number, so that lost lines are noticed.
    has_analog : bool
        Whether a board may send its sensors' levels on request, to align the beams.
    has_levels : bool
        Whether every edge says if the gate was blocked or cleared.
    is_interval : bool
        Whether a line is a transit that the board itself has measured.
    end_is_a_line : bool
        Whether the end of a line without its beginning looks like a whole line.
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
            raise ValueError("a hello states the length of a tick, so lines must count ticks")

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
"""All kinds by their names; if lines fit several kinds, the first one is used."""


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
        Whether to name a kind; if left out, all are named.
    quote : str, optional
        Quotation mark around each name.
    """
    *names, end = (f"{quote}{kind}{quote}" for kind in LINE_KINDS.values() if fits(kind))
    return f"{', '.join(names)} {last} {end}" if names else end
