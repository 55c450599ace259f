"""What the tests of the emulated boards share: scripts, runs, lines, matching with the truth.

A script is a list of edges at exact cycles; the lines that come back are read by the small
parser below, which owes nothing to the program's own. Truth and lines are matched by gate,
level and time. The names in capitals below are those of the ATmega328P, whose counter counts
cycles; any board's own are with `Board`.
"""

import binascii
import subprocess
from collections import deque
from collections.abc import Iterable, Iterator, Sequence
from contextlib import contextmanager
from dataclasses import dataclass, replace
from itertools import islice, pairwise
from pathlib import Path
from typing import ClassVar, NamedTuple

FREQUENCY_HZ = 16_000_000
MICROSECOND = 16
SECOND = FREQUENCY_HZ
START = SECOND // 10
"""By this cycle the board has started and said hello, at any baud."""


class Edge(NamedTuple):
    """One change of one gate: the cycle from power-up on, the gate, the new level."""

    cycle: int
    gate: str
    level: int


@dataclass(frozen=True)
class Line:
    """One line of the board; the fields its kind does not have are None."""

    kind: str
    sequence: int | None = None
    gate: str | None = None
    level: int | None = None
    counter: int | None = None
    levels: str | None = None
    lost: int | None = None
    millivolts: tuple[int, ...] = ()
    text: str = ""


@dataclass(frozen=True)
class Board:
    """The emulator with one firmware in it."""

    program: Path
    firmware: Path

    frequency_hz: ClassVar[int] = FREQUENCY_HZ
    """Of the cycles that scripts count."""
    cycles_a_count: ClassVar[int] = 1
    """Times the counter's turns this is 2^32 with every board, so cycles compare alike."""

    @property
    def microsecond(self) -> int:
        """In cycles; so are the next two."""
        return self.frequency_hz // 1_000_000

    @property
    def second(self) -> int:
        return self.frequency_hz

    @property
    def start(self) -> int:
        """By this cycle the board has started and said hello."""
        return self.frequency_hz // 10

    def lines(self, events: Iterable[Edge | str], until: int, script: Path) -> list[Line]:
        """Run, and return the lines, their counters in cycles."""
        return [
            line
            if line.counter is None
            else replace(line, counter=line.counter * self.cycles_a_count)
            for line in read_lines(self.run(events, until, script))
        ]

    def command(self, script: Path, *options: str) -> list[str]:
        """The command line of a run."""
        return [str(self.program), str(self.firmware), str(script), *options]

    @contextmanager
    def behind_terminal(
        self, script: Path, *options: str
    ) -> Iterator[tuple[str, subprocess.Popen[str]]]:
        """The board's port, and the emulator, which waits for a line before it runs."""
        emulator = subprocess.Popen(
            self.command(script, "--pty", *options),
            stdin=subprocess.PIPE,
            stdout=subprocess.PIPE,
            text=True,
        )
        try:
            assert emulator.stdout is not None
            yield emulator.stdout.readline().strip(), emulator
        finally:
            emulator.communicate()
        assert emulator.returncode == 0

    def run(
        self, events: Iterable[Edge | str], until: int, script: Path, *options: str
    ) -> bytes:
        """Run as fast as it goes up to the cycle `until`; what the board sent."""
        write_script(events, script)
        command = self.command(script, "--until", str(until), *options)
        return subprocess.run(command, check=True, capture_output=True, timeout=600).stdout


def go(emulator: subprocess.Popen[str]) -> None:
    """Let the board run; its port is open by now."""
    assert emulator.stdin is not None
    emulator.stdin.write("go\n")
    emulator.stdin.flush()


def write_script(events: Iterable[Edge | str], path: Path) -> None:
    """Write edges, and other events as they stand, in the order of their cycles."""
    rows = [e if isinstance(e, str) else f"{e.cycle} {e.gate} {e.level}" for e in events]
    rows.sort(key=lambda row: int(row.split()[0]))
    path.write_text("".join(row + "\n" for row in rows))


def read_lines(sent: bytes) -> list[Line]:
    """All whole lines; an empty one (a start) is left out, a damaged one fails the test."""
    whole = sent[: sent.rfind(b"\n") + 1]
    return [read_line(line) for line in whole.split(b"\n") if line]


def read_line(line: bytes) -> Line:
    """One line of wire format 1, by its fields."""
    body, _, check = line.rpartition(b" ")
    assert check == b"%04X" % binascii.crc_hqx(body, 0xFFFF), line
    kind, *fields = body.decode("ascii").split(" ")
    if kind == "H":
        return Line("H", text=" ".join(fields))
    if kind == "V":
        return Line("V", millivolts=tuple(from_hex(field, 4) for field in fields))
    if kind == "T":
        sequence, counter, levels, lost = fields
        return Line(
            "T",
            sequence=from_hex(sequence, 4),
            counter=from_hex(counter, 8),
            levels=levels,
            lost=from_hex(lost, 4),
        )
    sequence, gate, level, counter = fields
    assert kind in "EL", line
    assert gate in "AB", line
    assert level in "01", line
    return Line(
        kind,
        sequence=from_hex(sequence, 4),
        gate=gate,
        level=int(level),
        counter=from_hex(counter, 8),
    )


def from_hex(text: str, digits: int) -> int:
    """A number of exactly so many upper-case hex digits."""
    assert text == f"{int(text, 16):0{digits}X}"
    return int(text, 16)


def edges_of(lines: Iterable[Line]) -> list[Line]:
    """The edge lines, exact and late."""
    return [line for line in lines if line.kind in "EL"]


def beats_of(lines: Iterable[Line]) -> list[Line]:
    """The beats."""
    return [line for line in lines if line.kind == "T"]


def is_unbroken(lines: Sequence[Line]) -> bool:
    """True when the sequence numbers run from 0 on without a gap."""
    numbers = [line.sequence for line in lines if line.sequence is not None]
    return numbers == [n % 65536 for n in range(len(numbers))]


def toggled(cycles: Iterable[int], gates: Iterable[str]) -> list[Edge]:
    """Edges at these cycles: each turns its gate, both clear at the start."""
    level = {"A": 0, "B": 0}
    edges = []
    for cycle, gate in zip(cycles, gates, strict=True):
        level[gate] ^= 1
        edges.append(Edge(cycle, gate, level[gate]))
    return edges


def lone(edges: Sequence[Edge], cycles: int, handling: int = 140) -> list[Edge]:
    """
    Those whose neighbours, of whichever gate, are at least `cycles` away.

    Edges that come faster than they are handled (`handling` cycles each) form a queue; an
    edge that comes before the queue is worked off is not alone either.
    """
    chosen, idle = [], 0
    gaps = [b.cycle - a.cycle for a, b in pairwise(edges)]
    for edge, before, after in zip(edges, [cycles, *gaps], [*gaps, cycles], strict=True):
        if min(before, after) >= cycles and idle <= edge.cycle:
            chosen.append(edge)
        idle = max(idle, edge.cycle) + handling
    return chosen


def difference(counter: int, cycle: int) -> int:
    """Counter minus cycle, modulo 2^32, brought to -2^31 … 2^31."""
    return (counter - cycle + (1 << 31)) % (1 << 32) - (1 << 31)


def offsets(edges: Sequence[Edge], lines: Sequence[Line]) -> list[int]:
    """Counter minus cycle of each edge, where every edge has its line, in order."""
    assert [(e.gate, e.level) for e in edges] == [(x.gate, x.level) for x in lines]
    return [difference(x.counter, e.cycle) for e, x in zip(edges, lines, strict=True)]


def errors_of_exact_lines(
    edges: Sequence[Edge],
    lines: Iterable[Line],
    constant: int,
    reach: int = 30 * MICROSECOND,
) -> dict[Edge, int]:
    """
    The truth behind each `E` line, and how far its counter is off.

    An exact line that has no edge of its gate and level within `reach`, or the edge of
    another line, fails the test.
    """
    waiting = deque(edges)
    found: dict[Edge, int] = {}
    for line in lines:
        if line.kind != "E":
            continue
        while waiting and difference(line.counter, waiting[0].cycle) - constant > reach:
            waiting.popleft()
        near = [
            (abs(difference(line.counter, edge.cycle) - constant), edge)
            for edge in islice(waiting, 64)
            if (edge.gate, edge.level) == (line.gate, line.level)
        ]
        assert near, f"no edge for {line}"
        error, edge = min(near)
        assert error <= reach, f"no edge near {line}"
        waiting.remove(edge)
        found[edge] = difference(line.counter, edge.cycle) - constant
    return found
