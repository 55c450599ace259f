"""A pupil who has nothing but the printed sheet, and solves it as the sheet asks."""

import math
import re
import statistics
from dataclasses import dataclass

from page_kit import read_page, tables_of

UNITS = {
    "mm": 1e-3,
    "cm": 1e-2,
    "m": 1.0,
    "in": 0.0254,
    "ns": 1e-9,
    "µs": 1e-6,
    "ms": 1e-3,
    "s": 1.0,
    "ppm": 1e-6,
    "%": 1e-2,
    "m/s": 1.0,
    "km/h": 1 / 3.6,
    "mph": 0.44704,
    "ft/s": 0.3048,
}


@dataclass(frozen=True)
class Solution:
    """What the pupil finds, in SI units."""

    group: int
    transits: list[tuple[int, ...]]
    times_s: list[float]
    speeds_mps: list[float]
    answers: dict[str, float]


def quantity(text: str) -> float:
    """Read a number with its unit, comma or point, as a value in SI units."""
    number, unit = text.replace("−", "-").replace(",", ".").split()
    return float(number) * UNITS[unit]


def solve(html: str) -> Solution:
    """Solve a sheet of one group."""
    text = read_page(html).text
    counts, known, _ = tables_of(html)[:3]
    group = re.search(r"Group (\d+)", text)
    assert group
    modulus = re.search(r"add (\d+) to it", text)
    transits = [transits_of(row[1:], int(modulus[1]) if modulus else 0) for row in counts[1:]]
    value = {symbol: quantity(v) if v else 0.0 for _, symbol, v, _ in known[1:]}
    stated = {symbol: limit for _, symbol, _, limit in known[1:]}

    def hard(symbol: str) -> float:
        sign, _, rest = stated.get(symbol, "± 0 s").partition(" ")
        return quantity(rest) if sign == "±" else 2 * quantity(rest.removeprefix("= "))

    def u(symbol: str) -> float:
        sign, _, rest = stated.get(symbol, "± 0 s").partition(" ")
        return quantity(rest) / math.sqrt(3) if sign == "±" else hard(symbol) / 2

    d = value["d"]
    times = [statistics.mean(t) * value["c"] / (1 + value["r"]) - value["b"] for t in transits]
    speeds = [d / t for t in times]
    t, two = times[0], len(transits[0]) == 2
    path, step = hard("d") + 2 * hard("g"), value["T"]
    longest, shortest = d + path, d - path
    late = (t + step) * (1 + hard("r")) + hard("b")
    early = (t - step) * (1 - hard("r")) - hard("b")
    u_path = math.sqrt(u("d") ** 2 + 2 * u("g") ** 2)
    u_step = step / math.sqrt(12 if two else 6)
    u_jitter = u("j") * (1 if two else math.sqrt(2))
    u_time = math.sqrt(u_step**2 + u_jitter**2 + (t * u("r")) ** 2 + u("b") ** 2)
    relative = math.sqrt((u_path / d) ** 2 + (u_time / t) ** 2)
    answers = {
        "time of shot": t,
        "speed of shot": speeds[0],
        "longest path": longest,
        "shortest path": shortest,
        "longest time": late,
        "shortest time": early,
        "highest speed": longest / early,
        "lowest speed": shortest / late,
        "half of the speeds' difference": (longest / early - shortest / late) / 2 / speeds[0],
        "u of the path": u_path,
        "u of the time": u_time,
        "u of the speed divided by the speed": relative,
        "u of the speed": relative * speeds[0],
        "U = 2 u": 2 * relative * speeds[0],
    }
    if len(speeds) > 1:
        answers["mean of the speeds"] = statistics.mean(speeds)
        answers["standard deviation s of the speeds"] = statistics.stdev(speeds)
        by_chance = math.sqrt(u_step**2 + u_jitter**2) / t * speeds[0]
        answers["u of the speed from step and jitter alone"] = by_chance
    return Solution(int(group[1]), transits, times, speeds, answers)


def transits_of(cells: list[str], modulus: int) -> tuple[int, ...]:
    """Return the counts from A to B, by leading and, where there are such, trailing edges."""
    edges = [int(cell) for cell in cells]
    if len(edges) == 1:
        return (edges[0],)
    for place in range(1, len(edges)):
        if edges[place] < edges[0]:
            edges[place] += modulus
    half = len(edges) // 2
    return tuple(b - a for a, b in zip(edges[:half], edges[half:], strict=True))
