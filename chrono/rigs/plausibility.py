"""What a rig file says that cannot well be so, though each of its values alone may be.

Such a file is read, and its doubts are told: the gates may be meant for something else.
"""

from chrono.rigs.rig_model import Rig

FEW_TICKS = 10
"""Below this many steps of the counter in a transit the ± is most of the speed's last digits
(common practice, no source)."""


def rig_doubts(rig: Rig) -> tuple[str, ...]:
    """Return what is hardly possible about a rig, each as a sentence with what to do."""
    return tuple(doubt for doubt in (_mouth(rig), _length(rig), _ticks(rig)) if doubt)


def stands_behind_mouth(rig: Rig) -> bool:
    """Whether gate A would stand at or behind the launcher's mouth."""
    return rig.site.muzzle_distance_m <= rig.spacing_m / 2


def _mouth(rig: Rig) -> str:
    if not stands_behind_mouth(rig):
        return ""
    return (
        f"site.muzzle_distance is {rig.site.muzzle_distance_m:g} m: with gates "
        f"{rig.spacing_m:g} m apart gate A would stand behind the launcher's mouth, so no "
        "speed is given for there; measure from the mouth to midway between the gates"
    )


def _length(rig: Rig) -> str:
    if rig.body.length_m < rig.spacing_m:
        return ""
    return (
        f"body.length is {rig.body.length_m * 1e3:g} mm, gates.spacing "
        f"{rig.spacing_m * 1e3:g} mm: the body blocks both gates at once, and what follows it "
        "is not told from it; place the gates farther apart"
    )


def _ticks(rig: Rig) -> str:
    ticks = rig.spacing_m / rig.window.fastest_mps / rig.clock.tick_s
    if ticks >= FEW_TICKS:
        return ""
    return (
        f"at window.fastest, {rig.window.fastest_mps:g} m/s, a transit is {ticks:.2g} steps of "
        "the clock: such speeds are told with a ± of many per cent; place the gates farther "
        "apart or lower window.fastest"
    )
