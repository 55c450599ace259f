"""Write the energies of launched bodies as text with a picture, and as an object for JSON."""

import math
from collections.abc import Sequence
from typing import Any

from chrono.cautions import FLIGHT_CAUTION, STORED_CAUTION
from chrono.measuring.energy_results import EnergyResult
from chrono.measuring.launch import RefusedLaunch
from chrono.reports.launch_text import (
    UserUnits,
    estimate_data,
    filled,
    head_lines,
    launch_data,
    mach_text,
    name_of,
    own_body,
    parts_text,
    refused_data,
    refused_lines,
    table,
)

BAR_CELLS = 40

Results = Sequence[EnergyResult | RefusedLaunch]


def energy_text(results: Results, units: UserUnits, *, ascii_only: bool = False) -> str:
    """
    Return the energies and momenta of bodies as text for a terminal; bars show the energies.

    Parameters
    ----------
    results : sequence of EnergyResult or RefusedLaunch
        At least one result.
    units : UserUnits
        Units in which the values are shown.
    ascii_only : bool, optional
        Draw with plain ASCII characters.
    """
    launches = [result.launch for result in results]
    lines = head_lines("Energy and momentum", launches, units)
    for result in results:
        own = own_body(result.launch, launches, units)
        lines += ["", *_result_lines(result, units, own)]
    computed = [r for r in results if isinstance(r, EnergyResult)]
    lines += ["", *_bars(computed, units, ascii_only), *_exceeded_lines(computed)]
    stored = any(r.bounds for r in computed)
    caution = STORED_CAUTION.splitlines() if stored else filled(FLIGHT_CAUTION, 0)
    return "\n".join([*lines, *caution])


def energy_data(results: Results) -> dict[str, Any]:
    """Return the values that `energy_text` shows, as an object for JSON in SI units."""
    stored = any(isinstance(r, EnergyResult) and r.bounds for r in results)
    return {
        "caution": STORED_CAUTION if stored else FLIGHT_CAUTION,
        "energies": [_data(result) for result in results],
    }


def exceeded_words(results: Results) -> list[str]:
    """Return a sentence for each setup whose body had more energy than the launcher stored."""
    return [
        f"{name_of(r.launch)}: the body had more energy than {name} allows; check mass, speed "
        "and the stored energy"
        for r in results
        if isinstance(r, EnergyResult)
        for name in r.exceeded
    ]


def _result_lines(
    result: EnergyResult | RefusedLaunch, units: UserUnits, own: list[tuple[str, str]]
) -> list[str]:
    if isinstance(result, RefusedLaunch):
        return refused_lines(result, "")
    launch = result.launch
    where = "at the mouth" if result.distance_m else "where it was measured"
    speed = launch.of_shots(result.speed)
    energy, momentum = launch.of_shots(result.energy), launch.of_shots(result.momentum)
    rows = [
        *own,
        ("speed", f"{units.estimate('speed', speed)}, {mach_text(result.mach)}"),
        ("energy", units.estimate("energy", energy)),
        ("  of one more shot", parts_text(result.energy, "energy", units)),
        ("momentum", units.estimate("momentum", momentum)),
    ]
    if not launch.n:
        rows = [row for row in rows if not row[0].startswith("  ")]
    for bound in result.bounds:
        rows += [
            (bound.name, units.estimate("energy", bound.energy)),
            ("  carried by the body", units.estimate("part", launch.of_shots(bound.part))),
        ]
    rows += [
        (f"fastest {name}", units.estimate("speed", found)) for name, found in result.limits
    ]
    mean = "mean, " if launch.n > 1 else ""
    return [f"{name_of(launch)}, {mean}{where} (95 %)", *table(rows)]


def _bars(results: Sequence[EnergyResult], units: UserUnits, ascii_only: bool) -> list[str]:
    """Draw one bar for the energy of each setup, and for each energy that was stored."""
    entries = [(name_of(r.launch), r.energy.value) for r in results]
    for result in results[:1]:
        entries += [(bound.name, bound.energy.value) for bound in result.bounds]
    largest = max((energy for _, energy in entries), default=0.0)
    if not largest or not math.isfinite(largest):
        return []
    width = min(max(len(name) for name, _ in entries), 30)
    mark = "#" if ascii_only else "█"
    lines = []
    for name, energy in entries:
        bar = mark * max(round(energy / largest * BAR_CELLS), 1)
        lines.append(f"  {name[:width]:<{width}} {units.show('energy', energy)}")
        lines.append(f"  {bar}")
    return [*lines, ""]


def _exceeded_lines(results: Sequence[EnergyResult]) -> list[str]:
    words = exceeded_words(results)
    return [line for word in words for line in filled(word, 0)] + ([""] if words else [])


def _data(result: EnergyResult | RefusedLaunch) -> dict[str, Any]:
    if isinstance(result, RefusedLaunch):
        return refused_data(result)
    launch = result.launch
    return {
        **launch_data(launch),
        "distance_to_mouth_m": result.distance_m,
        "mach": result.mach,
        "mouth_mps": estimate_data(launch.of_shots(result.speed)),
        "energy_j": estimate_data(launch.of_shots(result.energy)),
        "energy_of_one_shot_j": estimate_data(result.energy),
        "momentum_Ns": estimate_data(launch.of_shots(result.momentum)),
        "stored": [
            {
                "bound": bound.name,
                "energy_j": estimate_data(bound.energy),
                "part": estimate_data(launch.of_shots(bound.part)),
            }
            for bound in result.bounds
        ],
        "limits": {name: estimate_data(found) for name, found in result.limits},
        "exceeded": list(result.exceeded),
    }
