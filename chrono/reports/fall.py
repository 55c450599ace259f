"""Falls as text with a picture, and as an object for JSON."""

from collections.abc import Sequence
from typing import Any

from chrono.cautions import FLIGHT_CAUTION
from chrono.measuring.falls import FallResult
from chrono.measuring.launch import Refused
from chrono.reports.curves import Curve, picture
from chrono.reports.physical import (
    Units,
    estimate_data,
    filled,
    head_lines,
    launch_data,
    leading_line,
    lettered,
    letters_for,
    name_of,
    own_body,
    refused_data,
    refused_lines,
    table,
)

Results = Sequence[FallResult | Refused]


def fall_text(results: Results, units: Units, *, ascii_only: bool = False) -> str:
    """
    Return falls from rest as text for a terminal, with speed over height as a picture.

    Parameters
    ----------
    results : sequence of FallResult or Refused
        At least one.
    units : Units
        What to show them in.
    ascii_only : bool, optional
        Draw with plain ASCII characters.
    """
    first = results[0].launch
    clocked = first.n > 0
    what = "The drop after which a body is as fast as one more shot" if clocked else "A fall"
    launches = [result.launch for result in results]
    lines = head_lines(what, launches, units)
    for letter, result in zip(letters_for(results), results, strict=True):
        own = own_body(result.launch, launches, units)
        lines += ["", *_result_lines(result, letter, units, own)]
    drawn = [r for r in results if isinstance(r, FallResult)]
    shown = _picture(drawn, units, ascii_only)
    return "\n".join([*lines, "", *shown, *filled(FLIGHT_CAUTION, 0)])


def fall_data(results: Results) -> dict[str, Any]:
    """Return what `fall_text` shows as an object for JSON, in SI."""
    return {"caution": FLIGHT_CAUTION, "falls": [_data(result) for result in results]}


def _result_lines(
    result: FallResult | Refused, letter: str, units: Units, own: list[tuple[str, str]]
) -> list[str]:
    if isinstance(result, Refused):
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


def _picture(results: list[FallResult], units: Units, ascii_only: bool) -> list[str]:
    if not results:
        return []
    (length, metre), (speed, mps) = units.of("length"), units.of("speed")
    curves = [
        Curve(r.path.height_m / metre, r.path.speed_mps / mps, letter)
        for r, letter in zip(results, letters_for(results), strict=True)
    ]
    labels = f"height fallen [{length}]", f"speed [{speed}]"
    return [*picture(curves, *labels, ascii_only=ascii_only), ""]


def _data(result: FallResult | Refused) -> dict[str, Any]:
    if isinstance(result, Refused):
        return refused_data(result)
    return {
        **launch_data(result.launch),
        "given": result.goal,
        "height_m": estimate_data(result.height),
        "time_s": estimate_data(result.time),
        "speed_mps": estimate_data(result.speed),
        "terminal_mps": estimate_data(result.terminal),
    }
