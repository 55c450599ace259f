"""Flights and fitted drag as text with a picture, and as objects for JSON."""

import math
from collections.abc import Sequence
from typing import Any

from chrono.cautions import FLIGHT_CAUTION
from chrono.measuring.flights import Aim, DragFit, FlightResult
from chrono.measuring.launch import Launch, Refused
from chrono.reports.curves import Curve, picture
from chrono.reports.physical import (
    Units,
    air_line,
    estimate_data,
    filled,
    head_lines,
    launch_data,
    leading_line,
    lettered,
    letters_for,
    name_of,
    own_body,
    parts_text,
    refused_data,
    refused_lines,
    table,
)
from chrono.reports.words import count_text

Results = Sequence[FlightResult | Refused]


def flight_text(results: Results, aim: Aim, units: Units, *, ascii_only: bool = False) -> str:
    """
    Return flights as text for a terminal, with their paths as a picture.

    Parameters
    ----------
    results : sequence of FlightResult or Refused
        At least one.
    aim : Aim
        How they were launched.
    units : Units
        What to show them in.
    ascii_only : bool, optional
        Draw with plain ASCII characters.
    """
    first = results[0].launch
    launches = [result.launch for result in results]
    lines = head_lines(f"A flight {_aim_text(aim, units)}", launches, units)
    if first.n:
        lines += filled("distances count from midway between the gates")
    for letter, result in zip(letters_for(results), results, strict=True):
        own = own_body(result.launch, launches, units)
        lines += ["", *_result_lines(result, letter, units, own)]
    drawn = [r for r in results if isinstance(r, FlightResult)]
    shown = _picture(drawn, units, ascii_only)
    return "\n".join([*lines, "", *shown, *filled(FLIGHT_CAUTION, 0)])


def flight_data(results: Results) -> dict[str, Any]:
    """Return what `flight_text` shows as an object for JSON, in SI."""
    return {"caution": FLIGHT_CAUTION, "flights": [_data(result) for result in results]}


def fit_text(launch: Launch, aim: Aim, fit: DragFit, units: Units) -> str:
    """Return the drag that landings tell as text for a terminal."""
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
        f"Drag that {landings} {_aim_text(aim, units)} tell{'s' if count == 1 else ''} (95 %)",
        *filled(air_line(launch)),
        *table(rows),
        *filled(leading_line(fit.kappa, "drag constant")),
        *_used_lines(fit, units),
        *filled("The coefficient is taken as the same along each flight."),
    ]
    return "\n".join([*lines, "", *filled(FLIGHT_CAUTION, 0)])


def fit_data(launch: Launch, fit: DragFit) -> dict[str, Any]:
    """Return what `fit_text` shows as an object for JSON, in SI."""
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


def _aim_text(aim: Aim, units: Units) -> str:
    height, wind = aim.height.value, aim.wind.value
    words = [f"at {units.show('angle', aim.angle.value)}"]
    if height:
        side = "above" if height > 0 else "below"
        words.append(f"from {units.show('length', abs(height))} {side} the landing")
    if wind:
        whence = "from behind" if wind > 0 else "from ahead"
        words.append(f"with {units.show('speed', abs(wind))} of wind {whence}")
    if not wind:
        words.append("in still air")
    return " ".join(words)


def _result_lines(
    result: FlightResult | Refused, letter: str, units: Units, own: list[tuple[str, str]]
) -> list[str]:
    if isinstance(result, Refused):
        return refused_lines(result, letter)
    launch = result.launch
    speed = units.estimate("speed", launch.speed_estimate)
    who = f"one more shot of {name_of(launch)}" if launch.n else "it"
    where = units.estimate("length", result.range)
    head = lettered(letter, f"{who} lands at {where} (95 %)")
    mean = launch.of_shots(result.range)
    rows = [*own, ("speed", f"{speed}, Mach {result.mach:.3g}")]
    if launch.n:
        rows.append(("mean of the shots", units.estimate("length", mean)))
    best = units.show("angle", result.best_rad)
    rows += [
        ("made of", parts_text(result.range, "length", units)),
        ("highest point", units.estimate("length", result.apex)),
        ("time", units.estimate("time", result.time)),
        ("impact", units.estimate("speed", result.impact_speed)),
        ("  below level", units.estimate("angle", result.impact_angle)),
        ("without air", units.show("length", result.vacuum_m)),
        ("best angle", f"{best} with {units.show('length', result.best_m)}"),
    ]
    return [*filled(head, 0), *table(rows), *filled(leading_line(result.range, "range"))]


def _picture(results: list[FlightResult], units: Units, ascii_only: bool) -> list[str]:
    if not results:
        return []
    length, metre = units.of("length")
    curves = [
        Curve(r.path.distance_m / metre, r.path.height_m / metre, letter)
        for r, letter in zip(results, letters_for(results), strict=True)
    ]
    labels = f"distance [{length}]", f"height [{length}]"
    return [*picture(curves, *labels, ascii_only=ascii_only), ""]


def _used_lines(fit: DragFit, units: Units) -> list[str]:
    lines = ["  from"]
    for landing, kappa in zip(fit.landings, fit.each, strict=True):
        who = f"shot {landing.shot}" if landing.shot else "the body"
        speed = units.show("speed", landing.speed_mps)
        reach = units.show("length", landing.range_m)
        lines.append(f"    {who}: {speed}, landed at {reach}: {kappa:.4g} 1/m")
    return lines


def _data(result: FlightResult | Refused) -> dict[str, Any]:
    if isinstance(result, Refused):
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
