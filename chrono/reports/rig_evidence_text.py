"""Report what the shots say about the rig: jitter, body lengths and slope of the path."""

import math
from collections.abc import Sequence
from typing import Any

from chrono.clock.clock_rate import ShotRate
from chrono.measuring.length_trends import LengthTrend, Trend, told_trends
from chrono.measuring.measured_slope import MeasuredSlope
from chrono.measuring.timing_jitter import BlockedLengths, TimingJitter
from chrono.reports.launch_text import filled
from chrono.reports.statistics_text import Detail, detail
from chrono.units import format_value, to_digits

OTHER_FREQUENCY = 0.05
"""No oscillator of a board has so large a relative rate error: the rig states another board."""

SET_TOLERANCE = "set clock.rate_tolerance in the rig for this board"
RATE_ADVICE = f"run chrono calibrate clock, or {SET_TOLERANCE}"


def timing_lines(timing: TimingJitter | None) -> list[str]:
    """Return lines with the measured jitter, the jitter that the rig states, and advice."""
    if timing is None:
        return []
    lines = filled(f"jitter of one edge, computed from the shots: {timing_text(timing)}")
    if timing.states_too_little:
        lines += filled(f"the jitter in the rig is too small: {jitter_advice(timing)}", 4)
    return lines + (filled(hidden_text(timing), 4) if hidden_text(timing) else [])


def blocking_details(blocking: BlockedLengths | None) -> list[Detail]:
    """Return the body length that each gate measures, or an empty list."""
    return detail("body", blocking_text(blocking)) if blocking else []


def microseconds(seconds: float) -> str:
    """Return a time in microseconds with two digits, without its unit."""
    return to_digits(1e6 * seconds, 2)


def timing_text(timing: TimingJitter) -> str:
    """Return the jitter that the shots show, and the jitter that the rig states."""
    rig = f"the rig states {microseconds(timing.stated_s)} µs"
    dof = f"{timing.dof} degrees of freedom"
    if timing.is_upper_limit:
        return f"at most {microseconds(timing.high_s)} µs, {dof}; {rig}"
    span = f"({microseconds(timing.low_s)} … {microseconds(timing.high_s)})"
    return f"{microseconds(timing.jitter_s)} µs {span}, {dof}; {rig}"


def hidden_text(timing: TimingJitter) -> str:
    """Return a note if bodies that miss the middle of the beams may cause the jitter."""
    if not timing.may_be_chords:
        return ""
    return (
        "the shots show more jitter than the rig states. Perhaps bodies miss the middle of the "
        "beams. If gates.off_centre in the rig is right, this causes at most "
        f"{microseconds(timing.chords_s)} µs of jitter. Check this with a flat rod. If bodies "
        "pass nearer to the middle, set gates.off_centre to a smaller value"
    )


def jitter_advice(timing: TimingJitter) -> str:
    """Return the advice to write a larger jitter into the rig, with the value to write."""
    return f'set clock.jitter = "{microseconds(timing.high_s)} us" in the rig'


def blocking_text(blocking: BlockedLengths) -> str:
    """Return the body length that each gate measures, and the declared body length."""
    seen = lengths_text(1e3 * blocking.at_a_m, 1e3 * blocking.at_b_m)
    return f"{seen}; declared {1e3 * blocking.declared_m:.4g} mm"


def lengths_text(at_a_mm: float, at_b_mm: float) -> str:
    """Return the body length that each gate measures; a missing length becomes a dash."""
    at_a, at_b = (format_value(mm, abs(mm) / 100) for mm in (at_a_mm, at_b_mm))
    return f"{at_a} mm at A, {at_b} mm at B"


def timing_data(timing: TimingJitter | None) -> dict[str, Any] | None:
    """Return the measured jitter of the edges for JSON, in SI units; None if not measured."""
    if timing is None:
        return None
    return {
        "shots": timing.shots,
        "dof": timing.dof,
        "jitter_s": timing.jitter_s,
        "jitter_low_s": timing.low_s,
        "jitter_high_s": timing.high_s,
        "stated_jitter_s": timing.stated_s,
        "chords_s": timing.chords_s,
        "states_too_little": timing.states_too_little,
    }


def blocking_data(blocking: BlockedLengths | None) -> dict[str, Any]:
    """Return body lengths [m] as keys of an object for JSON; an unknown length is None."""
    return {
        "length_at_a_m": blocking.at_a_m if blocking else None,
        "length_at_b_m": blocking.at_b_m if blocking else None,
        "declared_length_m": blocking.declared_m if blocking else None,
    }


def slope_wrong(slope: MeasuredSlope) -> str:
    """Return the problem if the shots do not fit the slope that the rig states."""
    if slope.is_of_a_slope:
        return "the measured edges do not fit the slope of the path that the rig states"
    return (
        "the two gates measure different lengths of the same bodies; the slope of the path "
        "cannot be the cause"
    )


def slope_text(slope: MeasuredSlope) -> str:
    """Return the measured acceleration by gravity along the path, and the rig's value."""
    seen = format_value(slope.pull_mps2, slope.U_mps2)
    return (
        f"acceleration by gravity along the path: {seen} m/s² (measured), "
        f"{slope.stated_mps2:.2f} m/s² (rig)"
    )


def slope_advice(slope: MeasuredSlope) -> str:
    """Return advice: change the slope in the rig, or check the thresholds and sensors."""
    if not slope.is_of_a_slope:
        return (
            "set the threshold of each gate to half of the full light signal and check both "
            "sensors, or set gates.trip_tolerance in the rig to a larger value"
        )
    degrees = round(math.degrees(slope.slope_rad))
    word = {0: "level", 90: "down", -90: "up"}.get(degrees, f"{degrees} deg")
    return (
        f'set the slope of the path in the rig (gates.slope = "{word}"), or check the '
        "thresholds of both gates"
    )


def slope_doubt(slope: MeasuredSlope | None) -> str:
    """Return a warning if the shots do not fit the rig's slope; otherwise an empty text."""
    if slope is None or not slope.contradicts:
        return ""
    return f"{slope_wrong(slope)}: {slope_text(slope)}; {slope_advice(slope)}"


def slope_data(slope: MeasuredSlope | None) -> dict[str, Any] | None:
    """Return the measured slope for JSON, in SI units; None if it cannot be computed."""
    if slope is None:
        return None
    return {
        "shots": slope.shots,
        "pull_mps2": slope.pull_mps2,
        "U_mps2": slope.U_mps2,
        "stated_pull_mps2": slope.stated_mps2,
        "tolerance_mps2": slope.tolerance_mps2,
        "contradicts": slope.contradicts,
    }


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


def rate_doubt(rate: ShotRate | None) -> str:
    """Return a warning if the counter's rate does not fit the rig; otherwise an empty text."""
    if rate is None or not rate.contradicts:
        return ""
    return f"{shot_rate_wrong(rate)}; {shot_rate_advice(rate)}"


def shot_rate_text(rate: ShotRate) -> str:
    """Return how fast the counter runs, compared with the computer's clock."""
    if _is_other_frequency(rate):
        return f"about {to_digits(1 + rate.off, 2)} times as fast as the rig states"
    off = to_digits(1e6 * abs(rate.off), 2)
    return f"about {off} ppm {'fast' if rate.off > 0 else 'slow'}"


def shot_rate_wrong(rate: ShotRate) -> str:
    """Return that the counter's rate does not fit the rig."""
    text = f"compared with the computer's clock, the counter runs {shot_rate_text(rate)}"
    if _is_other_frequency(rate):
        return text
    return f"{text}, but the rig states only ± {to_digits(1e6 * rate.tolerance, 2)} ppm"


def shot_rate_advice(rate: ShotRate) -> str:
    """Return what to do if the counter's rate does not fit the rig."""
    if _is_other_frequency(rate):
        return "check [clock] and `lines` in the rig"
    return RATE_ADVICE if rate.has_beats else SET_TOLERANCE


def _is_other_frequency(rate: ShotRate) -> bool:
    return abs(rate.off) > OTHER_FREQUENCY


def rate_data(rate: ShotRate | None) -> dict[str, Any] | None:
    """Return the counter's rate for JSON, as relative errors; None if it is not known."""
    if rate is None:
        return None
    return {
        "off": rate.off,
        "limit": rate.limit,
        "stated_tolerance": rate.tolerance,
        "contradicts": rate.contradicts,
    }


def evidence_doubts(
    slope: MeasuredSlope | None, trends: Sequence[LengthTrend], rate: ShotRate | None
) -> list[str]:
    """Return a warning for each value of the rig that the shots contradict."""
    first = (slope_doubt(slope), rate_doubt(rate))
    return [*filter(None, first), *trend_doubts(trends)]


def rig_doubt_lines(
    slope: MeasuredSlope | None, trends: Sequence[LengthTrend], rate: ShotRate | None
) -> list[str]:
    """Return these warnings as lines of a summary."""
    doubts = evidence_doubts(slope, trends, rate)
    return ["", *(line for doubt in doubts for line in filled(doubt))] if doubts else []
