"""Write falls, flights, drag and stops as text with pictures, and as objects for JSON."""

import math
from collections.abc import Sequence
from typing import Any

import numpy as np

from chrono.cautions import FLIGHT_CAUTION, STOP_CAUTION
from chrono.measuring.launch import Launch, RefusedLaunch
from chrono.measuring.trajectory_results import (
    Aim,
    DragFit,
    FallResult,
    FlightResult,
    StopResult,
)
from chrono.physics.stopping import EXPONENTS, Law
from chrono.reports.character_chart import Curve, curves_picture
from chrono.reports.launch_text import (
    UserUnits,
    air_line,
    estimate_data,
    filled,
    head_lines,
    launch_data,
    leading_line,
    lettered,
    letters_for,
    mach_text,
    name_of,
    own_body,
    parts_text,
    refused_data,
    refused_lines,
    table,
)
from chrono.reports.setup_words import count_text

FallResults = Sequence[FallResult | RefusedLaunch]


def fall_text(results: FallResults, units: UserUnits, *, ascii_only: bool = False) -> str:
    """
    Return falls from rest as text for a terminal, with a picture of speed and height.

    Parameters
    ----------
    results : sequence of FallResult or RefusedLaunch
        At least one result.
    units : UserUnits
        Units in which the values are shown.
    ascii_only : bool, optional
        Draw with plain ASCII characters.
    """
    first = results[0].launch
    clocked = first.n > 0
    what = (
        "How far a body must fall to reach the speed of the next shot" if clocked else "A fall"
    )
    launches = [result.launch for result in results]
    lines = head_lines(what, launches, units)
    for letter, result in zip(letters_for(results), results, strict=True):
        own = own_body(result.launch, launches, units)
        lines += ["", *_fall_lines(result, letter, units, own)]
    drawn = [r for r in results if isinstance(r, FallResult)]
    shown = _fall_picture(drawn, units, ascii_only)
    return "\n".join([*lines, "", *shown, *filled(FLIGHT_CAUTION, 0)])


def fall_data(results: FallResults) -> dict[str, Any]:
    """Return the values that `fall_text` shows, as an object for JSON in SI units."""
    return {"caution": FLIGHT_CAUTION, "falls": [_fall_entry(result) for result in results]}


def _fall_lines(
    result: FallResult | RefusedLaunch,
    letter: str,
    units: UserUnits,
    own: list[tuple[str, str]],
) -> list[str]:
    if isinstance(result, RefusedLaunch):
        return refused_lines(result, letter)
    rows = [
        *own,
        ("height", units.estimate("length", result.height)),
        ("time", units.estimate("time", result.time)),
        ("speed", units.estimate("speed", result.speed)),
        ("terminal speed", units.estimate("speed", result.terminal)),
    ]
    sought = "speed" if result.goal == "height" else "height"
    title = [lettered(letter, name_of(result.launch))] if result.launch.n else []
    return [
        *title,
        *table(rows),
        *filled(leading_line(getattr(result, sought), sought)),
    ]


def _fall_picture(results: list[FallResult], units: UserUnits, ascii_only: bool) -> list[str]:
    if not results:
        return []
    farthest_m = max(float(np.max(r.path.height_m)) for r in results)
    (length, metre), (speed, mps) = units.fitting("length", farthest_m), units.of("speed")
    curves = [
        Curve(r.path.height_m / metre, r.path.speed_mps / mps, letter)
        for r, letter in zip(results, letters_for(results), strict=True)
    ]
    labels = f"height fallen [{length}]", f"speed [{speed}]"
    return [*curves_picture(curves, *labels, ascii_only=ascii_only), ""]


def _fall_entry(result: FallResult | RefusedLaunch) -> dict[str, Any]:
    if isinstance(result, RefusedLaunch):
        return refused_data(result)
    return {
        **launch_data(result.launch),
        "given": result.goal,
        "height_m": estimate_data(result.height),
        "time_s": estimate_data(result.time),
        "speed_mps": estimate_data(result.speed),
        "terminal_mps": estimate_data(result.terminal),
    }


FlightResults = Sequence[FlightResult | RefusedLaunch]


def flight_text(
    results: FlightResults, aim: Aim, units: UserUnits, *, ascii_only: bool = False
) -> str:
    """
    Return flights of bodies as text for a terminal, with a picture of their paths.

    Parameters
    ----------
    results : sequence of FlightResult or RefusedLaunch
        At least one result.
    aim : Aim
        Angle and height of the launch, and the wind.
    units : UserUnits
        Units in which the values are shown.
    ascii_only : bool, optional
        Draw with plain ASCII characters.
    """
    first = results[0].launch
    launches = [result.launch for result in results]
    lines = head_lines(f"A flight {_aim_text(aim, units)}", launches, units)
    if first.n:
        lines += filled("distances are measured from the point midway between the gates")
    for letter, result in zip(letters_for(results), results, strict=True):
        own = own_body(result.launch, launches, units)
        lines += ["", *_flight_lines(result, letter, units, own)]
    drawn = [r for r in results if isinstance(r, FlightResult)]
    shown = _flight_picture(drawn, units, ascii_only)
    return "\n".join([*lines, "", *shown, *filled(FLIGHT_CAUTION, 0)])


def flight_data(results: FlightResults) -> dict[str, Any]:
    """Return the values that `flight_text` shows, as an object for JSON in SI units."""
    return {"caution": FLIGHT_CAUTION, "flights": [_flight_entry(result) for result in results]}


def fit_text(launch: Launch, aim: Aim, fit: DragFit, units: UserUnits) -> str:
    """Return the drag that the program computed from landings, as text for a terminal."""
    rows = [
        ("drag coefficient", units.estimate("number", fit.coefficient)),
        ("terminal speed", units.estimate("speed", fit.terminal)),
        ("drag constant", units.estimate("per length", fit.kappa)),
    ]
    if math.isnan(fit.coefficient.value):
        rows = rows[1:]
    count = len(fit.landings)
    landings = count_text(count, "landing")
    lines = [
        f"Drag (95 %) that {landings} show{'s' if count == 1 else ''} after a launch "
        f"{_aim_text(aim, units)}",
        *filled(air_line(launch)),
        *table(rows),
        *filled(leading_line(fit.kappa, "drag constant")),
        *_used_lines(fit, units),
        *filled("This assumes that the drag coefficient stays the same during a flight."),
    ]
    return "\n".join([*lines, "", *filled(FLIGHT_CAUTION, 0)])


def fit_data(launch: Launch, fit: DragFit) -> dict[str, Any]:
    """Return the values that `fit_text` shows, as an object for JSON in SI units."""
    return {
        "caution": FLIGHT_CAUTION,
        **launch_data(launch),
        "drag_coefficient": estimate_data(fit.coefficient),
        "terminal_mps": estimate_data(fit.terminal),
        "drag_per_m": estimate_data(fit.kappa),
        "landings": [
            {
                "shot": landing.shot or None,
                "speed_mps": landing.speed_mps,
                "range_m": landing.range_m,
                "drag_per_m": kappa,
            }
            for landing, kappa in zip(fit.landings, fit.each, strict=True)
        ],
    }


def _aim_text(aim: Aim, units: UserUnits) -> str:
    height, wind = aim.height.value, aim.wind.value
    words = [f"at {units.show('angle', aim.angle.value)}"]
    if height:
        side = "above" if height > 0 else "below"
        words.append(f"from {units.show('length', abs(height))} {side} the landing point")
    if wind:
        whence = "behind" if wind > 0 else "the front"
        words.append(f"with {units.show('speed', abs(wind))} of wind from {whence}")
    if not wind:
        words.append("in still air")
    return " ".join(words)


def _flight_lines(
    result: FlightResult | RefusedLaunch,
    letter: str,
    units: UserUnits,
    own: list[tuple[str, str]],
) -> list[str]:
    if isinstance(result, RefusedLaunch):
        return refused_lines(result, letter)
    launch = result.launch
    speed = units.estimate("speed", launch.speed_estimate)
    who = f"the next shot of {name_of(launch)}" if launch.n else "it"
    where = units.estimate("length", result.range)
    head = lettered(letter, f"{who} lands at {where} (95 %)")
    mean = launch.of_shots(result.range)
    rows = [*own, ("speed", f"{speed}, {mach_text(result.mach)}")]
    if launch.n:
        rows.append(("mean of the shots", units.estimate("length", mean)))
    best = units.show("angle", result.best_rad)
    rows += [
        ("parts of u", parts_text(result.range, "length", units)),
        ("highest point", units.estimate("length", result.apex)),
        ("time", units.estimate("time", result.time)),
        ("impact", units.estimate("speed", result.impact_speed)),
        ("  angle below level", units.estimate("angle", result.impact_angle)),
        ("without air", units.show("length", result.vacuum_m)),
        ("best angle", f"{best} with {units.show('length', result.best_m)}"),
    ]
    return [*filled(head, 0), *table(rows), *filled(leading_line(result.range, "range"))]


def _flight_picture(
    results: list[FlightResult], units: UserUnits, ascii_only: bool
) -> list[str]:
    if not results:
        return []
    ways_m = [np.abs([r.path.distance_m, r.path.height_m]).max() for r in results]
    length, metre = units.fitting("length", float(max(ways_m)))
    curves = [
        Curve(r.path.distance_m / metre, r.path.height_m / metre, letter)
        for r, letter in zip(results, letters_for(results), strict=True)
    ]
    labels = f"distance [{length}]", f"height [{length}]"
    return [*curves_picture(curves, *labels, ascii_only=ascii_only), ""]


def _used_lines(fit: DragFit, units: UserUnits) -> list[str]:
    lines = ["  from"]
    for landing, kappa in zip(fit.landings, fit.each, strict=True):
        who = f"shot {landing.shot}" if landing.shot else "the body"
        speed = units.show("speed", landing.speed_mps)
        reach = units.show("length", landing.range_m)
        lines.append(f"    {who}: {speed}, landed at {reach}, drag {kappa:.4g} 1/m")
    return lines


def _flight_entry(result: FlightResult | RefusedLaunch) -> dict[str, Any]:
    if isinstance(result, RefusedLaunch):
        return refused_data(result)
    mean = result.launch.of_shots(result.range)
    return {
        **launch_data(result.launch),
        "mach": result.mach,
        "range_m": estimate_data(result.range),
        "mean_range_m": estimate_data(mean),
        "apex_m": estimate_data(result.apex),
        "time_s": estimate_data(result.time),
        "impact_mps": estimate_data(result.impact_speed),
        "impact_rad": estimate_data(result.impact_angle),
        "vacuum_range_m": result.vacuum_m,
        "best_angle_rad": result.best_rad,
        "best_range_m": result.best_m,
        "path": {
            "distance_m": result.path.distance_m.tolist(),
            "height_m": result.path.height_m.tolist(),
            "time_s": result.path.time_s.tolist(),
        },
    }


LAW_WORDS: dict[Law, str] = {
    "constant": "a constant force",
    "spring": "a force that grows with the distance, as in a spring or a tight net",
    "sheet": "a force that grows with the distance cubed (distance³), as in a loose flat net",
}

_GIVEN_KINDS = {
    "distance": "length",
    "peak": "acceleration",
    "mean": "acceleration",
    "force": "force",
    "time": "time",
}

StopResults = Sequence[StopResult | RefusedLaunch]


def stop_text(
    results: StopResults, law: Law, units: UserUnits, *, ascii_only: bool = False
) -> str:
    """
    Return a text for a terminal: how bodies stop, with a plot of the deceleration.

    Parameters
    ----------
    results : sequence of StopResult or RefusedLaunch
        At least one result.
    law : {"constant", "spring", "sheet"}
        How the force grows with the distance.
    units : UserUnits
        Units in which the values are shown.
    ascii_only : bool, optional
        Draw with plain ASCII characters.
    """
    lines = filled(f"A stop by {LAW_WORDS[law]}", 0)
    for letter, result in zip(letters_for(results), results, strict=True):
        lines += ["", *_stop_lines(result, letter, units)]
    drawn = [r for r in results if isinstance(r, StopResult)]
    shown = _stop_picture(drawn, units, ascii_only)
    return "\n".join([*lines, "", *shown, *filled(STOP_CAUTION, 0)])


def stop_data(results: StopResults) -> dict[str, Any]:
    """Return the values that `stop_text` shows, as an object for JSON in SI units."""
    return {"caution": STOP_CAUTION, "stops": [_stop_entry(result) for result in results]}


def _stop_lines(result: StopResult | RefusedLaunch, letter: str, units: UserUnits) -> list[str]:
    if isinstance(result, RefusedLaunch):
        return refused_lines(result, letter)
    who = f"the next shot of {name_of(result.launch)}" if result.launch.n else "the body"
    speed = units.estimate("speed", result.speed)
    head = lettered(letter, f"{who} hits the catch at {speed}: {_verdict(result, units)}")
    rows = [
        ("distance", units.estimate("length", result.distance)),
        ("peak", units.estimate("acceleration", result.peak)),
        ("mean", units.estimate("acceleration", result.mean)),
        ("peak force", units.estimate("force", result.force)),
        ("time", units.estimate("time", result.time)),
        ("energy", units.estimate("energy", result.energy)),
    ]
    if result.launch.body.mass is None:
        rows = [row for row in rows if row[0] not in ("peak force", "energy")]
    sought = "peak" if result.goal == "distance" else "distance"
    named = "stopping distance" if sought == "distance" else sought
    return [
        *filled(head, 0),
        *table(rows),
        *filled(leading_line(getattr(result, sought), named)),
    ]


def _verdict(result: StopResult, units: UserUnits) -> str:
    given = units.show(_GIVEN_KINDS[result.goal], result.given)
    if result.goal == "distance":
        peak = result.peak
        if not math.isfinite(peak.value + peak.U95):
            shown = units.estimate("acceleration", peak)
            return f"with a distance of {given}, the peak deceleration is {shown}"
        most = units.above("acceleration", peak.value, peak.U95)
        return f"with a distance of {given}, the peak deceleration stays under {most} (95 %)"
    distance = result.distance
    if result.goal == "time":
        how = f"in {given}"
    else:
        how = f"with less than {given}{' on average' if result.goal == 'mean' else ''}"
    if result.goal == "time" or not math.isfinite(distance.value + distance.U95):
        enough = units.estimate("length", distance)
    else:
        enough = f"{units.above('length', distance.value, distance.U95)} (95 %)"
    return f"to stop {how}, the body needs a distance of {enough}"


def _stop_picture(results: list[StopResult], units: UserUnits, ascii_only: bool) -> list[str]:
    if not results:
        return []
    length, metre = units.fitting("length", max(r.distance.value for r in results))
    accel, mps2 = units.fitting("acceleration", max(r.peak.value for r in results))
    curves = []
    for result, letter in zip(results, letters_for(results), strict=True):
        part = np.linspace(0, 1, 100)
        rise = part ** EXPONENTS[result.law]
        way, peak = result.distance.value / metre, result.peak.value / mps2
        curves.append(Curve(way * part, peak * rise, letter))
    labels = f"distance while stopping [{length}]", f"deceleration [{accel}]"
    return [*curves_picture(curves, *labels, ascii_only=ascii_only), ""]


def _stop_entry(result: StopResult | RefusedLaunch) -> dict[str, Any]:
    if isinstance(result, RefusedLaunch):
        return refused_data(result)
    return {
        **launch_data(result.launch),
        "law": result.law,
        "given": result.goal,
        "given_value": result.given,
        "speed_at_catch_mps": estimate_data(result.speed),
        "distance_m": estimate_data(result.distance),
        "enough_m": result.enough_m,
        "mean_mps2": estimate_data(result.mean),
        "peak_mps2": estimate_data(result.peak),
        "peak_force_n": estimate_data(result.force),
        "time_s": estimate_data(result.time),
        "energy_j": estimate_data(result.energy),
    }
