"""The speed at the launcher's mouth in words: drag, Reynolds number, source and validity."""

from collections.abc import Sequence
from typing import Any

from chrono.measuring.muzzle import MuzzleSpeed
from chrono.physics.drag import CRISIS_REYNOLDS
from chrono.reports.physical import filled
from chrono.reports.statistics import Detail, detail
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


def muzzle_details(mouth: MuzzleSpeed | None, rig: Rig) -> list[Detail]:
    """Return the speed at the mouth and what it rests on."""
    where = f"{rig.site.muzzle_distance_m:g} m before the gates"
    if stands_behind_mouth(rig):
        return detail("mouth", f"{where}: not given, gate A would stand behind it")
    if mouth is None:
        return detail(
            "mouth", f"{where}: not known, so light a body would not have come to the gates"
        )
    low, high = mouth.coefficients
    drag = f"{low:.2f} … {high:.2f}" if mouth.in_crisis else f"{high:.2f}"
    speed = format_speed(mouth.speed_mps, mouth.U95_mps, rig.speed_unit)
    return detail("mouth", f"{speed}, {where}", f"Cd {drag} at Re {mouth.reynolds:.1e}")


def mouth_source_lines(mouths: Sequence[MuzzleSpeed], rig: Rig) -> list[str]:
    """Return what speeds at the mouth rest on, once for all of them."""
    if stands_behind_mouth(rig):
        return []
    texts = dict.fromkeys(f"{each.source}; {_limit(each)}" for each in mouths)
    return [line for text in texts for line in ["", *filled(f"mouth: level path, {text}")]]


def _limit(mouth: MuzzleSpeed) -> str:
    if mouth.is_flat:
        return "for flight end first only"
    if mouth.in_crisis:
        return "the drag crisis may have set in or not, the ± holds both"
    return f"good to Re {CRISIS_REYNOLDS:.0e}, for a smooth ball only"
