"""The boards that are emulated, and what differs from one to the other."""

from dataclasses import dataclass, field, replace
from itertools import cycle, islice

import pytest

from .kit import Board, Edge, toggled

QUESTION = b"?\n".hex()


@dataclass(frozen=True)
class Kind:
    """A board as these tests take it."""

    target: str
    hello: str
    baud: int = 250_000
    options: str = ""
    exact: int = 8
    """Cycles by which the times of exact lines may differ."""
    apart_us: float = 10
    """Edges so far apart are all told exactly; such trains make its floods."""
    handling: int = 140
    """Cycles for which an edge holds up the next one."""
    a_second: int = 900
    """Edges a second that it carries for ever."""
    burst: int = 60
    """Edges in a row that it keeps, whatever follows 0.1 s later."""
    floods: tuple[int, int, int] = (300, 2001, 8000)
    """Edges in a row of which it must lose some."""
    restart: tuple[float, float] = (0.2, 0.3)
    """Seconds after which its watchdog restarts a stuck program."""
    resets: dict[str, str] = field(default_factory=dict)
    """What the chip's register of resets may hold, and the cause in the hello."""


INT = Kind(
    "gates_int",
    "1 16000000 32 gates-328p-int 1.4+analog",
    resets={
        "01": "power",
        "02": "reset-pin",
        "04": "brown-out",
        "08": "watchdog",
        "00": "unknown",
    },
)
INT_FAST = replace(INT, baud=1_000_000, a_second=3000)
ICP = replace(INT, target="gates_icp", hello="1 16000000 32 gates-328p-icp 1.4+analog")
ICP_FAST = replace(ICP, baud=1_000_000, a_second=3000)
PICO = Kind(
    "gates_rp2040",
    "1 62500000 31 gates-rp2040 1.2+analog",
    resets={"100": "power", "10000": "reset-pin", "0": "unknown"},
    exact=2,
    apart_us=1,
    handling=0,
    a_second=10_000,
    burst=2000,
    floods=(8500, 9000, 12_000),
)
SMALL_PICO = replace(
    PICO,
    options="-DGATES_RING_BITS=8",
    a_second=20_000,
    burst=180,
    floods=(500, 700, 2800),
)
"""With room for 192 edges a gate instead of 4032, so that floods need not be long."""


def on(*kinds: Kind, long: tuple[Kind, ...] = ()) -> pytest.MarkDecorator:
    """Run a test on these boards, and on others where there is time for it."""
    names = {id(INT_FAST): "int-1M", id(ICP_FAST): "icp-1M", id(SMALL_PICO): "rp2040-small"}
    params = [
        pytest.param(
            kind,
            id=names.get(id(kind), kind.target.removeprefix("gates_")),
            marks=[pytest.mark.long] if kind in long else [],
        )
        for kind in (*kinds, *long)
    ]
    return pytest.mark.parametrize("kind", params)


def train(
    board: Board, count: int, gap_us: float, pattern: str = "AB", start: int = 0
) -> list[Edge]:
    """Edges at one distance, the gates in turn, from `start` or the board's on."""
    gap = round(gap_us * board.microsecond)
    first = start or board.start
    return toggled([first + n * gap for n in range(count)], islice(cycle(pattern), count))
