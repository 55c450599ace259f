"""Write setups and statistics in the words that all screens and texts use."""

from __future__ import annotations

from collections.abc import Callable, Mapping
from typing import TYPE_CHECKING

from chrono.safe_text import plain
from chrono.units import format_speed, format_value, speed_in

if TYPE_CHECKING:
    from chrono.measuring.series_statistics import Series

NO_SETUP_TEXT = "no setup named"


def setup_text(name: str) -> str:
    """Return the name of a setup without control characters, or a text for an empty name."""
    return plain(name) or NO_SETUP_TEXT


def conditions_text(conditions: Mapping[str, str | None]) -> str:
    """Return launch conditions as words; None means that the shots have different values."""
    return ", ".join(
        f"{plain(key)} differs" if value is None else f"{plain(key)} {plain(value)}"
        for key, value in conditions.items()
    )


def count_text(count: int, noun: str) -> str:
    """Return a number with its noun, such as ``1 shot`` or ``2 shots``."""
    return f"{count} {noun}" if count == 1 else f"{count} {noun}s"


def motion_text(speed_mps: float, mass_kg: float) -> str:
    """Return the kinetic energy m·v²/2 and the momentum m·v of a body, to three digits."""
    energy, momentum = mass_kg * speed_mps**2 / 2, mass_kg * speed_mps
    return f"{three_digits(energy)} J · {three_digits(momentum)} N·s"


def three_digits(value: float) -> str:
    """Return a value with three digits; keep zeros at the end, so that numbers line up."""
    return f"{value:.0f}" if abs(value) >= 100 else f"{value:#.3g}".rstrip(".")


def two_digits(value: float) -> str:
    """Return a value with two digits; a value of 100 or more becomes a whole number."""
    return f"{value:.0f}" if abs(value) >= 99.5 else f"{value:#.2g}".rstrip(".")


def mean_text(series: Series, unit: str) -> tuple[str, str]:
    """Return the mean speed of a series with its ± (95 %), or the speed of a single shot."""
    name = "mean" if series.n > 1 else "speed"
    return name, format_speed(series.mean_mps, series.U95_mean_mps, unit)


def spread_texts(series: Series, unit: str) -> list[tuple[str, str]]:
    """Return s, median, min, max and range as text without units; none for a single shot."""
    if series.n < 2:
        return []
    shown = shown_digits(series, unit)
    return [
        ("s", three_digits(speed_in(unit, series.s_mps))),
        ("median", shown(series.median_mps)),
        ("min", shown(series.min_mps)),
        ("max", shown(series.max_mps)),
        ("range", shown(series.range_mps)),
    ]


def shown_digits(series: Series, unit: str) -> Callable[[float], str]:
    """Return a function that writes one shot's speed [m/s] in `unit`, without the unit."""
    known_mps = max(2 * series.u_shared_mean_mps, series.U95_mean_mps / 10)

    def shown(speed_mps: float) -> str:
        return format_value(speed_in(unit, speed_mps), speed_in(unit, known_mps))

    return shown


def span_text(seconds: float) -> str:
    """Return a time as a whole number of days, h, min or s, such as ``3 days``."""
    for unit, size_s in (("days", 86_400), ("h", 3600), ("min", 60)):
        if seconds >= 2 * size_s:
            return f"{seconds / size_s:.0f} {unit}"
    return f"{seconds:.0f} s"
