"""What is hardly possible about a rig, a sentence each with what to do."""

from chrono.rigs.plausibility import RigDoubt, fewest_ticks
from chrono.rigs.rig_model import Rig


def doubt_text(doubt: RigDoubt, rig: Rig) -> str:
    """Return what is hardly possible about a rig, and what to do."""
    match doubt:
        case RigDoubt.BEHIND_MOUTH:
            return (
                f"site.muzzle_distance is {rig.site.muzzle_distance_m:g} m: with gates "
                f"{rig.spacing_m:g} m apart gate A would stand behind the launcher's mouth, so "
                "no speed is given for there; measure from the mouth to midway between the "
                "gates"
            )
        case RigDoubt.BLOCKS_BOTH:
            return (
                f"body.length is {rig.body.length_m * 1e3:g} mm, gates.spacing "
                f"{rig.spacing_m * 1e3:g} mm: the body blocks both gates at once, and what "
                "follows it is not told from it; place the gates farther apart"
            )
        case RigDoubt.FEW_TICKS:
            return (
                f"at window.fastest, {rig.window.fastest_mps:g} m/s, a transit is "
                f"{fewest_ticks(rig):.2g} steps of the clock: such speeds are told with a ± of "
                "many per cent; place the gates farther apart or lower window.fastest"
            )
