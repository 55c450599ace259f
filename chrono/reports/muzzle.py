"""The speed at the launcher's mouth in words: drag, Reynolds number, source and validity."""

from typing import Any

from chrono.measuring.muzzle import MuzzleSpeed
from chrono.physics.drag import CRISIS_REYNOLDS
from chrono.rigs.doubts import stands_behind_mouth
from chrono.rigs.file import Rig
from chrono.units import format_speed


def muzzle_data(mouth: MuzzleSpeed | None) -> dict[str, Any]:
    """Return the speed at the mouth as keys of an object for JSON, None where not known."""
    return {
        "muzzle_mps": mouth.speed_mps if mouth else None,
        "U95_muzzle_mps": mouth.U95_mps if mouth else None,
        "muzzle_reynolds": mouth.reynolds if mouth else None,
        "muzzle_drag_coefficients": list(mouth.coefficients) if mouth else None,
        "muzzle_drag_source": mouth.source if mouth else None,
    }


def muzzle_lines(mouth: MuzzleSpeed | None, rig: Rig) -> list[str]:
    """Return the speed at the mouth and what it rests on."""
    distance_m = rig.site.muzzle_distance_m
    where = f"    at the launcher's mouth, {distance_m:g} m before the gates: "
    if stands_behind_mouth(rig):
        return [where + "not given: gate A would stand behind it"]
    if mouth is None:
        return [where + "not known: so light a body would not have come to the gates"]
    low, high = mouth.coefficients
    drag, limit = f"{high:.2f}", f"good to Re {CRISIS_REYNOLDS:.0e}, for a smooth ball only"
    if mouth.in_crisis:
        drag = f"{low:.2f} … {high:.2f}"
        limit = "the drag crisis may have set in or not, the ± holds both"
    return [
        where + format_speed(mouth.speed_mps, mouth.U95_mps, rig.speed_unit),
        f"      level path, Cd {drag} at Re {mouth.reynolds:.1e}: {mouth.source}",
        f"      {limit}",
    ]
