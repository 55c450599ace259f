"""How a catch stops a body, and how much way it must give to stay gentle, with uncertainty."""

import math
from collections.abc import Mapping
from dataclasses import dataclass
from typing import Literal

from chrono.errors import OptionError
from chrono.measuring.launch import Launch, speed_value
from chrono.measuring.propagation import Estimate, Quantity, propagate
from chrono.measuring.surroundings import MASS, deceleration_of
from chrono.physics.stopping import (
    Law,
    distance_for_mean,
    distance_for_peak,
    distance_for_time,
    stop_within,
)
from chrono.physics.stored import kinetic_energy
from chrono.physics.trajectory import speed_along

Goal = Literal["distance", "peak", "mean", "force", "time"]


@dataclass(frozen=True, eq=False)
class StopResult:
    """
    A stop.

    Attributes
    ----------
    launch : Launch
    law, goal : str
        How the force grows, and what was given.
    given : float
        Its value in SI.
    speed : Estimate
        At the catch [m/s], for one more shot.
    distance, mean, peak, force, time, energy : Estimate
        Way into the catch [m], mean and peak deceleration [m/s²], peak force [N], time to
        rest [s], energy taken [J]; force and energy are NaN without a mass.
    """

    launch: Launch
    law: Law
    goal: Goal
    given: float
    speed: Estimate
    distance: Estimate
    mean: Estimate
    peak: Estimate
    force: Estimate
    time: Estimate
    energy: Estimate

    @property
    def enough_m(self) -> float:
        """Way that is enough for one more shot at 95 % [m]: the upper end of `distance`."""
        return self.distance.value + self.distance.U95


def stop_result(
    launch: Launch, law: Law, goal: Goal, given: Quantity, path_m: float = 0.0
) -> StopResult:
    """
    Return the stop of one more shot.

    Parameters
    ----------
    launch : Launch
    law : {"constant", "spring", "sheet"}
    goal : {"distance", "peak", "mean", "force", "time"}
        What is given: way into the catch, limit of the peak or of the mean deceleration,
        limit of the peak force, time to rest.
    given : Quantity
    path_m : float, optional
        Level way from the gates to the catch, on which drag slows it [m].

    Raises
    ------
    OptionError
        A force is given and no mass.
    """
    if goal == "force" and launch.body.mass is None:
        raise OptionError(
            "a force stops a mass, and none is known", hint='say it, such as --mass "24 g"'
        )

    def model(values: Mapping[str, float]) -> tuple[float, ...]:
        speed = _at_catch(launch, values, path_m)
        mass = values.get(MASS, math.nan)
        distance = _distance(goal, values[given.name], speed, mass, law)
        stop = stop_within(speed, distance, law)
        energy = kinetic_energy(mass, speed)
        return (
            speed,
            distance,
            stop.mean_mps2,
            stop.peak_mps2,
            mass * stop.peak_mps2,
            stop.time_s,
            energy,
        )

    found = propagate(model, (*launch.quantities, given))
    return StopResult(launch, law, goal, given.value, *found)


def _distance(goal: Goal, given: float, speed_mps: float, mass_kg: float, law: Law) -> float:
    match goal:
        case "distance":
            return given
        case "peak":
            return distance_for_peak(speed_mps, given, law)
        case "mean":
            return distance_for_mean(speed_mps, given)
        case "force":
            return distance_for_peak(speed_mps, given / mass_kg, law)
        case "time":
            return distance_for_time(speed_mps, given, law)


def _at_catch(launch: Launch, values: Mapping[str, float], path_m: float) -> float:
    """Return the speed at the catch; without what drag needs that at the launch."""
    speed = speed_value(values)
    if not path_m or not launch.body.drag_is_known:
        return speed
    return speed_along(speed, path_m, deceleration_of(launch.body, launch.site, values))
