"""Report whether the shots fit the slope of the path that the rig states."""

import math
from typing import Any

from chrono.measuring.measured_slope import MeasuredSlope
from chrono.reports.launch_text import filled
from chrono.units import format_value


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


def slope_lines(slope: MeasuredSlope | None) -> list[str]:
    """Return a warning about the slope of the path as lines of a summary."""
    doubt = slope_doubt(slope)
    return ["", *filled(doubt)] if doubt else []


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
