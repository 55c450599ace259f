"""Setups and statistics as words, the same on the screen as in the console."""

from __future__ import annotations

from collections.abc import Callable
from typing import TYPE_CHECKING

from chrono.safe_text import plain
from chrono.units import format_speed, format_value, speed_in

if TYPE_CHECKING:
    from chrono.measuring.series_statistics import Series

NO_SETUP_TEXT = "no setup named"


def setup_text(name: str) -> str:
    """Return a setup's name, harmless, or words for none."""
    return plain(name) or NO_SETUP_TEXT


def count_text(count: int, noun: str) -> str:
    """Return how many there are: ``1 shot``, ``2 shots``."""
    return f"{count} {noun}" if count == 1 else f"{count} {noun}s"


def motion_text(speed_mps: float, mass_kg: float) -> str:
    """Return the kinetic energy m·v²/2 and the momentum m·v of a body, to three digits."""
    energy, momentum = mass_kg * speed_mps**2 / 2, mass_kg * speed_mps
    return f"{three_digits(energy)} J · {three_digits(momentum)} N·s"


def three_digits(value: float) -> str:
    """Return a value to three digits, zeros at its end too, so that its width stays."""
    return f"{value:.0f}" if abs(value) >= 100 else f"{value:#.3g}".rstrip(".")


def two_digits(value: float) -> str:
    """Return a value to two digits, zeros at its end too, from 100 on to a whole number."""
    return f"{value:.0f}" if abs(value) >= 99.5 else f"{value:#.2g}".rstrip(".")


def mean_text(series: Series, unit: str) -> tuple[str, str]:
    """Return what a series tells of the speed: the mean with ± (95 %), or its one shot's."""
    name = "mean" if series.n > 1 else "speed"
    return name, format_speed(series.mean_mps, series.U95_mean_mps, unit)


def spread_texts(series: Series, unit: str) -> list[tuple[str, str]]:
    """
    Return names and values, without their unit, of how shots scatter; none for one shot.

    See `shown_digits`.
    """
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
    """
    Return what writes a speed [m/s] of one shot among a series, without its unit.

    Such speeds are known better than the mean where the shots scatter: shown are the digits
    that the shared part leaves, but no more than one beyond the mean's.
    """
    known_mps = max(2 * series.u_shared_mean_mps, series.U95_mean_mps / 10)

    def shown(speed_mps: float) -> str:
        return format_value(speed_in(unit, speed_mps), speed_in(unit, known_mps))

    return shown


def span_text(seconds: float) -> str:
    """Return a span of time in the largest unit of which there are some, to the whole."""
    for unit, size_s in (("days", 86_400), ("h", 3600), ("min", 60)):
        if seconds >= 2 * size_s:
            return f"{seconds / size_s:.0f} {unit}"
    return f"{seconds:.0f} s"
