"""Lengths that change with speed, or drift from shot to shot, in words and for JSON."""

from collections.abc import Sequence
from typing import Any

from chrono.measuring.length_trends import LengthTrend, Trend, told_trends
from chrono.reports.launch_text import filled
from chrono.units import format_value


def trend_text(trend: LengthTrend) -> str:
    """Return the trend that one gate shows."""
    if trend.trend is Trend.SPEED:
        seen = _with_limit(1e6 * abs(trend.slope), 1e6 * trend.U_slope)
        return f"blocked by {seen} µs {_how(trend)} than a body of this length would"
    steps = 1e3 * (trend.shots - 1)
    seen = _with_limit(steps * trend.slope, steps * trend.U_slope)
    return f"lengths change by {seen} mm from the first to the last of {trend.shots} shots"


def _with_limit(value: float, limit: float) -> str:
    return f"{format_value(value, limit)} ± {format_value(limit, limit)}"


def trend_wrong(trend: LengthTrend) -> str:
    """Return the problem of one gate."""
    if trend.trend is Trend.SPEED:
        return f"gate {trend.gate} sees faster bodies {_how(trend)}: a sensor is slow"
    return f"gate {trend.gate} sees bodies get {_how(trend)}: its threshold or the aim drifts"


def _how(trend: LengthTrend) -> str:
    return "longer" if trend.slope > 0 else "shorter"


def trend_advice(trend: LengthTrend) -> str:
    """Return what to look at, and which key to set."""
    if trend.trend is Trend.SPEED:
        return (
            f"look at both sensors, first at the sensor of gate {trend.gate} (a smaller load "
            "resistor makes it quicker), and set the thresholds at half the light; measure "
            "how the gates' delays differ with chrono calibrate swap, or state more under "
            "gates.latency_mismatch"
        )
    return (
        f"look at the lamp, the daylight and the threshold of gate {trend.gate}, and at the "
        "launcher's aim; or state more under gates.trip_tolerance"
    )


def trend_doubts(trends: Sequence[LengthTrend]) -> list[str]:
    """Return signs in the lengths of a faulty rig, one sentence each, and what to do."""
    return [
        f"{trend_wrong(each)} ({trend_text(each)}); {trend_advice(each)}"
        for each in told_trends(trends)
    ]


def trend_lines(trends: Sequence[LengthTrend]) -> list[str]:
    """Return the trends as lines of a summary."""
    doubts = trend_doubts(trends)
    return ["", *(line for doubt in doubts for line in filled(doubt))] if doubts else []


def trend_data(trends: Sequence[LengthTrend]) -> list[dict[str, Any]]:
    """Return each trend as an object for JSON: lengths per speed [s], or per shot [m]."""
    found = []
    for each in trends:
        unit = "s" if each.trend is Trend.SPEED else "m"
        found.append(
            {
                "with": str(each.trend),
                "gate": each.gate,
                "shots": each.shots,
                f"slope_{unit}": each.slope,
                f"U_{unit}": each.U_slope,
                "change_m": each.change_m,
                "seen": each.seen,
            }
        )
    return found
