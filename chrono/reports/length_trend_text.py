"""Report measured body lengths that change with the speed or from shot to shot."""

from collections.abc import Sequence
from typing import Any

from chrono.measuring.length_trends import LengthTrend, Trend, told_trends
from chrono.reports.launch_text import filled
from chrono.units import format_value


def trend_text(trend: LengthTrend) -> str:
    """Return the change of the body lengths that one gate measures."""
    if trend.trend is Trend.SPEED:
        seen = _with_limit(1e6 * abs(trend.slope), 1e6 * trend.U_slope)
        return f"the gate stays blocked {_how_much(trend)}, by {seen} µs"
    steps = 1e3 * (trend.shots - 1)
    seen = _with_limit(steps * trend.slope, steps * trend.U_slope)
    return (
        f"between the first and the last of {trend.shots} shots, the measured length changes "
        f"by {seen} mm"
    )


def _with_limit(value: float, limit: float) -> str:
    return f"{format_value(value, limit)} ± {format_value(limit, limit)}"


def trend_wrong(trend: LengthTrend) -> str:
    """Return the probable fault of a gate whose measured body lengths change."""
    if trend.trend is Trend.SPEED:
        return (
            f"at gate {trend.gate}, fast bodies seem {_how(trend)} than slow bodies: a sensor "
            "is too slow"
        )
    return (
        f"at gate {trend.gate}, bodies seem {_how(trend)} from shot to shot: the threshold of "
        "this gate or the launcher's aim drifts"
    )


def _how(trend: LengthTrend) -> str:
    return "longer" if trend.slope > 0 else "shorter"


def _how_much(trend: LengthTrend) -> str:
    return "too long" if trend.slope > 0 else "too short"


def trend_advice(trend: LengthTrend) -> str:
    """Return advice for the user: parts to check, and the value of the rig to change."""
    if trend.trend is Trend.SPEED:
        return (
            f"check the sensor of gate {trend.gate} first, then the sensor of the other gate. "
            "A smaller load resistor makes a sensor faster. Set each threshold to half of the "
            "full light signal. Then measure the delays of the gates with chrono calibrate "
            "swap, or set gates.latency_mismatch in the rig to a larger value"
        )
    return (
        f"check the lamp, the daylight and the threshold of gate {trend.gate}, and the "
        "launcher's aim; or set gates.trip_tolerance in the rig to a larger value"
    )


def trend_doubts(trends: Sequence[LengthTrend]) -> list[str]:
    """Return a warning with advice for each change of body lengths that shows a faulty rig."""
    return [
        f"{trend_wrong(each)} ({trend_text(each)}); {trend_advice(each)}"
        for each in told_trends(trends)
    ]


def trend_lines(trends: Sequence[LengthTrend]) -> list[str]:
    """Return warnings about changing body lengths as lines of a summary."""
    doubts = trend_doubts(trends)
    return ["", *(line for doubt in doubts for line in filled(doubt))] if doubts else []


def trend_data(trends: Sequence[LengthTrend]) -> list[dict[str, Any]]:
    """Return each trend as an object for JSON; the names of the slopes end in their units."""
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
