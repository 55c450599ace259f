"""Compare a recording of the bench pulses with the intervals that bench_pulses.ino makes.

Run it as ``python3 read_bench.py bench.tsv``. The script reads the lines of the board itself.
It uses no code of the program that it helps to test. If a recording has edges of only one gate,
the script assumes the timer output of the board, which changes every 128000 ticks.
"""

import binascii
import statistics
import sys
from collections import Counter
from collections.abc import Iterator
from itertools import pairwise
from pathlib import Path
from typing import NamedTuple

TICKS_PER_MS = 16_000
PAUSE_TICKS = 30 * TICKS_PER_MS  # the pause between two passes is longer
NEW_SERIES_TICKS = 1500 * TICKS_PER_MS  # the pause between two series is longer
KNOWN_TRANSITS = tuple(int(ms * TICKS_PER_MS) for ms in (1.5, 5, 15))
OWN_TIMER_TICKS = 125 * 1024
FIRST_GAP, LAST_GAP = 4, 320
BANDS = ((4, 79), (80, 159), (160, 320))  # cycles, first and last: under 5 us, 10 us, above


class Edge(NamedTuple):
    exact: bool
    name: str  # gate and level, such as "A1"
    counter: int


class Pass(NamedTuple):
    lead: int
    trail: int
    exact: bool


def edges_of(text: str) -> Iterator[Edge]:
    turns = previous = 0
    for row in text.splitlines():
        origin, _, line = row.partition("\t")[2].partition("\t")
        fields = line.split(" ")
        if origin != "board" or fields[0] not in ("E", "L") or len(fields) != 6:
            continue
        body, _, crc = line.rpartition(" ")
        if f"{binascii.crc_hqx(body.encode(), 0xFFFF):04X}" != crc:
            continue
        counter = int(fields[4], 16)
        turns += previous - counter > 1 << 31
        previous = counter
        yield Edge(fields[0] == "E", fields[2] + fields[3], counter + (turns << 32))


def series_of(edges: list[Edge]) -> list[list[list[Edge]]]:
    """Split the edges at the pauses, and return a list of series; each is a list of passes."""
    series: list[list[list[Edge]]] = []
    last = -NEW_SERIES_TICKS
    for edge in edges:
        if edge.counter - last >= NEW_SERIES_TICKS:
            series.append([])
        if edge.counter - last >= PAUSE_TICKS:
            series[-1].append([])
        series[-1][-1].append(edge)
        last = edge.counter
    return series


def whole_pass(edges: list[Edge]) -> Pass | None:
    at = {edge.name: edge for edge in edges}
    if len(edges) != 4 or len(at) != 4:
        return None
    return Pass(
        at["B1"].counter - at["A1"].counter,
        at["B0"].counter - at["A0"].counter,
        all(edge.exact for edge in edges),
    )


def print_transits(passes: list[Pass | None]) -> None:
    print("known transits [ticks]: measured minus true")
    for true in KNOWN_TRANSITS:
        found = [p for p in passes if p and p.exact and abs(p.lead - true) < true / 20]
        if len(found) < 2:
            print(f"  {true:7d}: fewer than two passes found")
            continue
        print_errors(f"{true:7d} lead ", [p.lead - true for p in found])
        print_errors(f"{true:7d} trail", [p.trail - true for p in found])


def print_errors(name: str, errors: list[int]) -> None:
    mean, s = statistics.mean(errors), statistics.stdev(errors)
    print(
        f"  {name}  n {len(errors):3d}  mean {mean:+8.2f}  s {s:5.2f}"
        f"  min {min(errors):+d}  max {max(errors):+d}"
    )


def print_sweep(passes: list[Pass | None]) -> None:
    gaps = [gap for gap in range(FIRST_GAP, LAST_GAP + 1) for _ in (0, 1)]
    signs = [1, -1] * (len(gaps) // 2)
    print(
        "sweep of gaps [ticks]:  passes  broken  with L  exact  worst error of the exact ones"
    )
    for low, high in BANDS:
        band = [
            (gap * sign, p)
            for gap, sign, p in zip(gaps, signs, passes, strict=False)
            if low <= gap <= high
        ]
        exact = [(true, p) for true, p in band if p and p.exact]
        worst = max((max(abs(p.lead - t), abs(p.trail - t)) for t, p in exact), default=None)
        late = sum(p is not None and not p.exact for _, p in band)
        broken = sum(p is None for _, p in band)
        print(
            f"  {low:3d} ... {high:3d}          {len(band):6d}  {broken:6d}  {late:6d}"
            f"  {len(exact):5d}  {'-' if worst is None else worst}"
        )


def print_own_timer(edges: list[Edge]) -> None:
    steps = Counter(
        later.counter - earlier.counter - OWN_TIMER_TICKS for earlier, later in pairwise(edges)
    )
    print(f"own timer output, {len(edges)} edges: intervals minus {OWN_TIMER_TICKS} ticks")
    for error, count in sorted(steps.items()):
        print(f"  {error:+6d}: {count}")


def main() -> None:
    if len(sys.argv) != 2:
        sys.exit("usage: python3 read_bench.py RECORDING.tsv")
    edges = list(edges_of(Path(sys.argv[1]).read_text(encoding="utf-8")))
    if len({edge.name[0] for edge in edges}) == 1:
        print_own_timer(edges)
        return
    for number, groups in enumerate(series_of(edges), start=1):
        passes = [whole_pass(group) for group in groups]
        print(f"series {number}: {len(passes)} passes, {passes.count(None)} not whole")
        if any(p and abs(p.lead) > LAST_GAP * 2 for p in passes):
            print_transits(passes)
        else:
            print_sweep(passes)


if __name__ == "__main__":
    main()
