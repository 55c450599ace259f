"""Describe a launch; other modules use it to compute falls, flights, stops and energies.

A launch consists of a speed, a body and the air. The user states the speed, or the speed is the
expected speed of the next shot of a setup.
"""

import math
from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass
from typing import TypeVar

from chrono.errors import OptionError
from chrono.measuring.body_in_air import (
    MASS,
    SMOOTH_SPHERE,
    MovingBody,
    SiteAir,
    given_diameter,
    given_mass,
    site_of,
)
from chrono.measuring.propagation import (
    SHOT_TO_SHOT,
    SPEED,
    Estimate,
    Quantity,
    next_shot_speed,
    propagate,
)
from chrono.measuring.series_statistics import Series
from chrono.rigs.rig_model import Rig

ENERGY = "kinetic energy"


@dataclass(frozen=True)
class Launch:
    """
    A launch: the speed, the body and the air.

    Attributes
    ----------
    name : str
        The setup's name; empty if there is only one.
    n : int
        Number of counted shots in the series; 0 for a stated speed.
    speed : tuple of Quantity
        Quantities from which `speed_value` computes the speed; empty if there is no speed.
    body : MovingBody
    site : SiteAir
    """

    name: str
    n: int
    speed: tuple[Quantity, ...]
    body: MovingBody
    site: SiteAir

    @property
    def mean_mps(self) -> float:
        """The estimated speed midway between the gates, or the stated speed [m/s]."""
        return speed_value({q.name: q.value for q in self.quantities})

    @property
    def speed_estimate(self) -> Estimate:
        """The speed of the next shot, or the stated speed, with its uncertainty [m/s]."""
        return propagate(lambda values: (speed_value(values),), self.quantities)[0]

    @property
    def quantities(self) -> tuple[Quantity, ...]:
        """All values of the speed, the body and the site, with their uncertainties."""
        return (*self.speed, *self.body.quantities, *self.site.quantities)

    def of_shots(self, estimate: Estimate) -> Estimate:
        """Convert an estimate for the next shot into an estimate for the mean of all shots."""
        return estimate.of_mean(self.n) if self.n else estimate


@dataclass(frozen=True)
class RefusedLaunch:
    """A launch for which no result could be computed, and the reason."""

    launch: Launch
    reason: str


Result = TypeVar("Result")


def each_launch(
    launches: Sequence[Launch], compute: Callable[[Launch], Result]
) -> list[Result | RefusedLaunch]:
    """
    Compute a result for each launch; an error in one launch does not stop the other launches.

    Raises
    ------
    OptionError
        There is only one launch, and it has no result.
    """
    found: list[Result | RefusedLaunch] = []
    for launch in launches:
        try:
            found.append(compute(launch))
        except OptionError as error:
            if len(launches) == 1:
                raise
            found.append(RefusedLaunch(launch, error.message))
    return found


def speed_value(values: Mapping[str, float]) -> float:
    """
    Return the speed [m/s] from the values of `Launch.quantities`, by name.

    If the values contain a kinetic energy, the speed is computed from this energy.
    """
    if ENERGY in values:
        return math.sqrt(2 * values[ENERGY] / values[MASS])
    return values[SPEED] + values.get(SHOT_TO_SHOT, 0.0)


def launch_of(series: Series, rig: Rig, own: Mapping[str, float], name: str) -> Launch:
    """
    Return a launch with the expected speed of the next shot of a series.

    Parameters
    ----------
    series : Series
        Statistics of the counted shots of one setup.
    rig : Rig
        The rig with the body and the air. The body is treated as a smooth sphere.
    own : mapping
        Values of the body that the setup states: `mass_kg`, `diameter_m`. They replace the
        values of the rig.
    name : str
        The setup's name.
    """
    body = MovingBody(
        given_mass(own.get("mass_kg", rig.body.mass_kg)),
        given_diameter(own.get("diameter_m", rig.body.diameter_m)),
        SMOOTH_SPHERE,
    )
    return Launch(name, series.n, next_shot_speed(series), body, site_of(rig))
