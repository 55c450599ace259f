"""Measure the timestamp errors of the firmware and print them as histograms.

    python -m emulated_board.measure        (from tests/, Debian's packages installed)

Half of the edges while the board is busy (10 us to 1.6 ms apart, sending all the time), half
while it is at rest between them (2 to 5 ms). For the plain sketch pairs of leading edges 0.3
to 3 ms apart, as a body makes them, so that B's often comes while A's line is on its way. Each
time told against the cycle of its edge.
"""

import random
import subprocess
import tempfile
from collections import Counter
from pathlib import Path
from statistics import median, stdev

from .kit import (
    FREQUENCY_HZ,
    MICROSECOND,
    START,
    Board,
    Edge,
    difference,
    edges_of,
    read_lines,
    toggled,
)

ROOT = Path(__file__).parents[2]
EDGES = 10_000


def lone_edges(seed: int, gaps: tuple[tuple[int, int], ...]) -> list[Edge]:
    """Edges of both gates in random order, the gap drawn from one of the ranges."""
    draw = random.Random(seed)
    cycle, cycles = START, []
    for _ in range(EDGES):
        cycle += draw.randint(*draw.choice(gaps))
        cycles.append(cycle)
    return toggled(cycles, draw.choices("AB", k=EDGES))


def framed_errors(board: Board, script: Path) -> list[float]:
    """Counter minus cycle of every edge [cycles]."""
    errors: list[float] = []
    for gaps in (((160, 400), (400, 4000), (6000, 26_000)), ((32_000, 80_000),)):
        edges = lone_edges(1, gaps)
        lines = edges_of(read_lines(board.run(edges, edges[-1].cycle + START, script)))
        assert len(lines) == len(edges)
        assert {line.kind for line in lines} == {"E"}
        errors += [difference(x.counter, e.cycle) for e, x in zip(edges, lines, strict=True)]
    return errors


def plain_edges(seed: int) -> list[Edge]:
    """Pairs of leading edges, the pairs 2 to 10 ms apart, each edge with its trailing one."""
    draw = random.Random(seed)
    edges, cycle = [], START
    for n in range(EDGES):
        cycle += draw.randint(4800, 48_000) if n % 2 else draw.randint(32_000, 160_000)
        gate = "AB"[n % 2]
        edges += [Edge(cycle, gate, 1), Edge(cycle + 3000, gate, 0)]
    return sorted(edges)


def plain_errors(board: Board, script: Path) -> list[float]:
    """Microseconds told minus those of the cycle, for every leading edge [us]."""
    edges = plain_edges(1)
    sent = board.run(edges, edges[-1].cycle + START, script).decode("ascii").split("\n")
    told = [line.split() for line in sent if line]
    led = [edge for edge in edges if edge.level]
    assert [gate for gate, _ in told] == [edge.gate for edge in led]
    return [
        int(time) - edge.cycle / MICROSECOND for (_, time), edge in zip(told, led, strict=True)
    ]


def histogram(values: list[float], unit: str) -> str:
    """Bars of the values about their median, and their standard deviation."""
    middle = median(values)
    bins = Counter(round(value - middle) for value in values)
    top = max(bins.values())
    rows = [
        f"{k:+4d} {unit} {bins[k]:6d}  {'#' * round(50 * bins[k] / top)}".rstrip()
        for k in range(min(bins), max(bins) + 1)
    ]
    spread = stdev(values)
    scale = 1e6 / FREQUENCY_HZ if unit == "cycles" else 1.0
    rows.append(f"n = {len(values)}, s = {spread:.2f} {unit} = {spread * scale:.3f} us")
    return "\n".join(rows)


def build(folder: Path) -> dict[str, Board]:
    """The emulator with each firmware."""
    program = folder / "board"
    source = Path(__file__).with_name("board.c")
    subprocess.run(
        ["gcc", "-O2", source, "-o", program, "-lsimavr", "-lelf", "-lm"], check=True
    )
    boards = {}
    for target in ("gates_int", "gates_icp", "sketch_int", "plain_micros"):
        room = folder / target
        place = (
            ROOT / "firmware_notes" / ("plain_micros" if "plain" in target else "gates_328p")
        )
        command = ["make", f"BUILD={room}", "BAUD=1000000UL", f"{room}/{target}.elf"]
        subprocess.run(command, cwd=place, check=True, capture_output=True)
        boards[target] = Board(program, room / f"{target}.elf")
    return boards


def main() -> None:
    """Build everything in a temporary folder, run it, print."""
    with tempfile.TemporaryDirectory() as name:
        folder = Path(name)
        for target, board in build(folder).items():
            print(f"\n{target}: error about the median")
            if target == "plain_micros":
                errors = plain_errors(board, folder / "script")
                print(histogram(errors, "us"))
                print("transit, B minus A:")
                print(
                    histogram(
                        [b - a for a, b in zip(errors[::2], errors[1::2], strict=True)], "us"
                    )
                )
            else:
                print(histogram(framed_errors(board, folder / "script"), "cycles"))


if __name__ == "__main__":
    main()
