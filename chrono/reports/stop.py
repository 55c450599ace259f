"""Stops as text with a picture, and as an object for JSON."""

from collections.abc import Sequence
from typing import Any

import numpy as np

from chrono.cautions import STOP_CAUTION
from chrono.measuring.launch import Refused
from chrono.measuring.stops import StopResult
from chrono.physics.stopping import EXPONENTS, Law
from chrono.reports.curves import Curve, picture
from chrono.reports.physical import (
    Units,
    estimate_data,
    filled,
    launch_data,
    leading_line,
    lettered,
    letters_for,
    name_of,
    refused_data,
    refused_lines,
    table,
)

LAW_WORDS: dict[Law, str] = {
    "constant": "a force that stays the same on the way",
    "spring": "a force that grows with the way, as of a spring or a tight net",
    "sheet": "a force that grows with its third power, as of a flat slack net or sheet",
}

_GIVEN_KINDS = {
    "distance": "length",
    "peak": "acceleration",
    "mean": "acceleration",
    "force": "force",
    "time": "time",
}

Results = Sequence[StopResult | Refused]


def stop_text(results: Results, law: Law, units: Units, *, ascii_only: bool = False) -> str:
    """
    Return stops as text for a terminal, with the deceleration over the way as a picture.

    Parameters
    ----------
    results : sequence of StopResult or Refused
        At least one.
    law : {"constant", "spring", "sheet"}
        How the force grows.
    units : Units
        What to show them in.
    ascii_only : bool, optional
        Draw with plain ASCII characters.
    """
    lines = filled(f"A stop by {LAW_WORDS[law]}", 0)
    for letter, result in zip(letters_for(results), results, strict=True):
        lines += ["", *_result_lines(result, letter, units)]
    drawn = [r for r in results if isinstance(r, StopResult)]
    shown = _picture(drawn, units, ascii_only)
    return "\n".join([*lines, "", *shown, *filled(STOP_CAUTION, 0)])


def stop_data(results: Results) -> dict[str, Any]:
    """Return what `stop_text` shows as an object for JSON, in SI."""
    return {"caution": STOP_CAUTION, "stops": [_data(result) for result in results]}


def _result_lines(result: StopResult | Refused, letter: str, units: Units) -> list[str]:
    if isinstance(result, Refused):
        return refused_lines(result, letter)
    who = f"one more shot of {name_of(result.launch)}" if result.launch.n else "it"
    speed = units.estimate("speed", result.speed)
    head = lettered(letter, f"{who} comes with {speed}: {_verdict(result, units)}")
    rows = [
        ("way", units.estimate("length", result.distance)),
        ("peak", units.estimate("acceleration", result.peak)),
        ("mean", units.estimate("acceleration", result.mean)),
        ("peak force", units.estimate("force", result.force)),
        ("time", units.estimate("time", result.time)),
        ("energy", units.estimate("energy", result.energy)),
    ]
    if result.launch.body.mass is None:
        rows = [row for row in rows if row[0] not in ("peak force", "energy")]
    sought = "peak" if result.goal == "distance" else "distance"
    named = "way" if sought == "distance" else sought
    return [
        *filled(head, 0),
        *table(rows),
        *filled(leading_line(getattr(result, sought), named)),
    ]


def _verdict(result: StopResult, units: Units) -> str:
    given = units.show(_GIVEN_KINDS[result.goal], result.given)
    enough = units.above("length", result.distance.value, result.distance.U95)
    if result.goal == "distance":
        peak = units.above("acceleration", result.peak.value, result.peak.U95)
        return f"on {given} of way its peak stays under {peak} (95 %)"
    if result.goal == "time":
        return (
            f"to take {given} the catch must give {units.estimate('length', result.distance)}"
        )
    of = {"peak": "", "mean": " in the mean", "force": ""}[result.goal]
    return f"the catch must give {enough} to stay under {given}{of} (95 %)"


def _picture(results: list[StopResult], units: Units, ascii_only: bool) -> list[str]:
    if not results:
        return []
    (length, metre), (accel, mps2) = units.of("length"), units.of("acceleration")
    curves = []
    for result, letter in zip(results, letters_for(results), strict=True):
        part = np.linspace(0, 1, 100)
        rise = part ** EXPONENTS[result.law]
        way, peak = result.distance.value / metre, result.peak.value / mps2
        curves.append(Curve(way * part, peak * rise, letter))
    labels = f"way into the catch [{length}]", f"deceleration [{accel}]"
    return [*picture(curves, *labels, ascii_only=ascii_only), ""]


def _data(result: StopResult | Refused) -> dict[str, Any]:
    if isinstance(result, Refused):
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
