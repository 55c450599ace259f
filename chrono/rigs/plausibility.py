"""What a rig file says that cannot well be so, though each of its values alone may be.

Such a file is read, and its doubts are told: the gates may be meant for something else.
"""

from enum import Enum, auto

from chrono.rigs.rig_model import Rig

FEW_TICKS = 10
"""Below this many steps of the counter in a transit the ± is most of the speed's last digits
(common practice, no source)."""


class RigDoubt(Enum):
    """What is hardly possible about a rig."""

    BEHIND_MOUTH = auto()
    """Gate A would stand at or behind the launcher's mouth."""
    BLOCKS_BOTH = auto()
    """The body is as long as the gates are apart, or longer."""
    FEW_TICKS = auto()
    """The fastest body passes within a few steps of the counter."""


def rig_doubts(rig: Rig) -> tuple[RigDoubt, ...]:
    """Return what is hardly possible about a rig."""
    found = {
        RigDoubt.BEHIND_MOUTH: stands_behind_mouth(rig),
        RigDoubt.BLOCKS_BOTH: rig.body.length_m >= rig.spacing_m,
        RigDoubt.FEW_TICKS: fewest_ticks(rig) < FEW_TICKS,
    }
    return tuple(doubt for doubt, holds in found.items() if holds)


def stands_behind_mouth(rig: Rig) -> bool:
    """Whether gate A would stand at or behind the launcher's mouth."""
    return rig.site.muzzle_distance_m <= rig.spacing_m / 2


def fewest_ticks(rig: Rig) -> float:
    """Return the steps of the counter in the transit of the fastest body."""
    return rig.spacing_m / rig.window.fastest_mps / rig.clock.tick_s
