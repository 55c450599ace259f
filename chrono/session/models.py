"""The models that give speeds, each made once."""

from functools import lru_cache

from chrono.clock.rate import ClockEstimate
from chrono.measuring.speed import SpeedModel
from chrono.rigs.file import Rig, with_clock_rate
from chrono.session.as_if import AsIf


@lru_cache(maxsize=8)
def speed_model(rig: Rig, as_if: AsIf) -> SpeedModel:
    """Make a rig's model once: its coverage takes a tenth of a second to work out."""
    return as_if.model(SpeedModel.from_rig(rig))


def with_rate(rig: Rig, rate: ClockEstimate | None) -> Rig:
    """Return a rig whose counter runs as its beats tell; None: as it states."""
    if rate is None:
        return rig
    return with_clock_rate(rig, rate.rate_error, rate.u, rate.uncertainty.dof)
