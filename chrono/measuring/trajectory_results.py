"""Compute falls, flights and stops with their uncertainties.

For a fall from rest, the user gives height, time or speed, and the module computes the other
two values. For a flight, the module computes the landing place. From measured landings, the
module computes the drag. For a catch (such as a net) that stops the body, the module computes
the forces, and the distance needed for a gentle stop.
"""

import math
from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass, replace
from functools import cache
from typing import Any, Literal

import numpy as np

from chrono.errors import OptionError
from chrono.measuring.body_in_air import (
    DENSITY,
    DIAMETER,
    GRAVITY,
    MASS,
    deceleration_of,
    falling_laws,
    weight_per_mass,
)
from chrono.measuring.error_budget import normal
from chrono.measuring.launch import Launch, speed_value
from chrono.measuring.propagation import Estimate, Quantity, propagate
from chrono.measuring.series_statistics import mean_and_s
from chrono.physics.free_fall import Fall, FallGoal, fall_to, terminal_speed_of
from chrono.physics.sphere_drag import drag_constant
from chrono.physics.stopping import (
    Law,
    distance_for_mean,
    distance_for_peak,
    distance_for_time,
    stop_within,
)
from chrono.physics.stored_energy import kinetic_energy
from chrono.physics.trajectory import (
    Deceleration,
    Flight,
    best_elevation,
    fitted_drag,
    fly,
    speed_along,
    vacuum_range,
)


@dataclass(frozen=True, eq=False)
class FallResult:
    """
    A fall from rest.

    Attributes
    ----------
    launch : Launch
        The launch with the body, the air and the speed.
    goal : str
        The given quantity: height, time or speed.
    height, time, speed : Estimate
        Height of the fall [m], time [s], and speed at the end of the fall [m/s]. With a
        recording, this end speed is the expected speed of the next shot.
    terminal : Estimate
        Terminal speed [m/s], infinite without air.
    path : Fall
        Path of the fall, for a picture.
    """

    launch: Launch
    goal: FallGoal
    height: Estimate
    time: Estimate
    speed: Estimate
    terminal: Estimate
    path: Fall


def fall_result(
    launch: Launch, goal: FallGoal = "speed", given: Quantity | None = None
) -> FallResult:
    """
    Compute the fall of a body from its height, its time or its final speed.

    Parameters
    ----------
    launch : Launch
        The launch with the body and the air. Without `given`, its speed is also used: the
        expected speed of the next shot.
    goal : {"height", "time", "speed"}, optional
        The quantity that is given.
    given : Quantity, optional

    Raises
    ------
    OptionError
        No fall of this body reaches the speed.
    """
    body, site = launch.body, launch.site
    quantities = launch.quantities if given is None else (given, *launch.quantities)

    def fallen(values: Mapping[str, float], points: int) -> Fall:
        value = values[given.name] if given else speed_value(values)
        return fall_to(goal, value, *falling_laws(body, site, values), points=points)

    def model(values: Mapping[str, float]) -> tuple[float, ...]:
        path = fallen(values, 2)
        end = float(path.height_m[-1]), float(path.time_s[-1]), float(path.speed_mps[-1])
        return *end, terminal_speed_of(*falling_laws(body, site, values))

    height, time, speed, terminal = propagate(model, quantities)
    path = fallen({q.name: q.value for q in quantities}, 200)
    return FallResult(launch, goal, height, time, speed, terminal, path)


ANGLE, HEIGHT, WIND = "angle", "height", "wind"
SCATTER = "scatter of the landings"
COMMON = "speed at the gates"


@dataclass(frozen=True)
class Aim:
    """
    Angle, height and wind of a launch.

    Attributes
    ----------
    angle : Quantity
        Angle above the horizontal [rad].
    height : Quantity
        Height of the launch above the landing [m].
    wind : Quantity
        Wind along the flight, positive from behind [m/s].
    """

    angle: Quantity
    height: Quantity
    wind: Quantity

    @property
    def quantities(self) -> tuple[Quantity, ...]:
        """Angle, height and wind as a tuple."""
        return self.angle, self.height, self.wind


@dataclass(frozen=True, eq=False)
class FlightResult:
    """
    The expected flight of the next shot.

    Attributes
    ----------
    launch : Launch
    aim : Aim
    range, apex, time, impact_speed, impact_angle : Estimate
        Distance at landing and greatest height [m], time [s], speed [m/s] and angle below
        the horizontal [rad] at landing.
    vacuum_m : float
        Range without air [m].
    best_rad, best_m : float
        Angle for the longest range [rad], and the longest range [m].
    mach : float
        Mach number at launch.
    path : Flight
        Path of the flight, for a picture.
    """

    launch: Launch
    aim: Aim
    range: Estimate
    apex: Estimate
    time: Estimate
    impact_speed: Estimate
    impact_angle: Estimate
    vacuum_m: float
    best_rad: float
    best_m: float
    mach: float
    path: Flight


@dataclass(frozen=True)
class Landing:
    """
    A measured landing.

    Attributes
    ----------
    shot : int
        Number of the shot; 0 for a stated speed.
    speed_mps, speed_u_mps : float
        Speed of the shot and the random part of its uncertainty [m/s].
    range_m, range_u_m : float
        Distance from the launch to the landing and its standard uncertainty [m].
    """

    shot: int
    speed_mps: float
    speed_u_mps: float
    range_m: float
    range_u_m: float


@dataclass(frozen=True, eq=False)
class DragFit:
    """
    Drag computed from measured landings. The drag coefficient is constant along each flight.

    Attributes
    ----------
    landings : tuple of Landing
        The shots used.
    each : tuple of float
        Drag constant κ of each landing [1/m].
    kappa, coefficient, terminal : Estimate
        Results of all landings together: κ [1/m], drag coefficient relative to the frontal area
        (NaN without mass and diameter), terminal speed [m/s].
    """

    landings: tuple[Landing, ...]
    each: tuple[float, ...]
    kappa: Estimate
    coefficient: Estimate
    terminal: Estimate


def flight_result(launch: Launch, aim: Aim) -> FlightResult:
    """
    Return the expected flight of the next shot.

    Raises
    ------
    OptionError
        The body never gets as high as the landing.
    """

    def flown(values: Mapping[str, float], points: int = 2) -> Flight:
        drag, gravity = _laws(launch, values)
        speed, angle = speed_value(values), values[ANGLE]
        height, wind = values[HEIGHT], values[WIND]
        return fly(speed, angle, drag, gravity, height_m=height, wind_mps=wind, points=points)

    def model(values: Mapping[str, float]) -> tuple[float, ...]:
        path = flown(values)
        end = float(path.speed_mps[-1]), path.impact_angle_rad
        return path.range_m, path.apex_m, float(path.time_s[-1]), *end

    quantities = (*launch.quantities, *aim.quantities)
    values = {q.name: q.value for q in quantities}
    drag, gravity = _laws(launch, values)
    speed, height, wind = launch.mean_mps, aim.height.value, aim.wind.value
    best = best_elevation(speed, drag, gravity, height_m=height, wind_mps=wind)
    range_, apex, time, impact_speed, impact_angle = propagate(model, quantities)
    return FlightResult(
        launch=launch,
        aim=aim,
        range=range_,
        apex=apex,
        time=time,
        impact_speed=impact_speed,
        impact_angle=impact_angle,
        vacuum_m=vacuum_range(speed, aim.angle.value, values[GRAVITY], height),
        best_rad=best,
        best_m=flown(values | {ANGLE: best}).range_m,
        mach=speed / launch.site.sound_mps,
        path=flown(values, 200),
    )


def fit_drag(launch: Launch, aim: Aim, landings: Sequence[Landing]) -> DragFit:
    """
    Find the drag for which the computed landing places agree with the measured places.

    Parameters
    ----------
    launch : Launch
        The launch with the body, the air, and the common part of all speeds.
    aim : Aim
    landings : sequence of Landing
        One landing or more.

    Raises
    ------
    OptionError
        A landing is beyond the range in a vacuum, or too near to be explained by drag.

    Notes
    -----
    The result is the geometric mean of the drag constants κ of all landings. The random part of
    the uncertainty is the scatter of κ or the uncertainty of one landing (the larger value),
    divided by √n. The shared part comes from angle, height, wind and rig.
    """
    fitted = _fits(launch, aim, landings)
    scale = launch.speed[0].input.u / launch.mean_mps if launch.n else 0.0
    known = (q for q in (launch.body.mass, launch.body.diameter) if q is not None)
    shared = (
        Quantity(COMMON, 0.0, normal(COMMON, scale)),
        *known,
        *launch.site.quantities,
        *aim.quantities,
    )
    middle = {q.name: q.value for q in shared}
    each = fitted(middle)
    own = [_own_u(launch, aim, landing, middle) for landing in landings]

    def model(values: Mapping[str, float]) -> tuple[float, ...]:
        kappa = math.exp(float(np.mean(np.log(fitted(values)))) + values[SCATTER])
        terminal = math.sqrt(weight_per_mass(launch.body, values) / kappa)
        return kappa, kappa / _drag_per_coefficient(values), terminal

    found = propagate(model, (*shared, _scatter(each, own)))
    return DragFit(tuple(landings), each, *found)


def _fits(
    launch: Launch, aim: Aim, landings: Sequence[Landing]
) -> Callable[[Mapping[str, float]], tuple[float, ...]]:
    """Return a function that computes the drag constant κ of every landing."""

    @cache
    def at(common: float, angle: float, height: float, wind: float, gravity: float) -> Any:
        return tuple(
            fitted_drag(
                landing.range_m,
                landing.speed_mps * (1 + common),
                angle,
                gravity,
                height_m=height,
                wind_mps=wind,
            )
            for landing in landings
        )

    # the uncertainty of a ball's buoyancy is far smaller than the uncertainty of its drag
    known = {q.name: q.value for q in launch.quantities}
    lightened = weight_per_mass(launch.body, known) / known[GRAVITY]

    def fitted(values: Mapping[str, float]) -> tuple[float, ...]:
        gravity = values[GRAVITY] * lightened
        return at(values[COMMON], values[ANGLE], values[HEIGHT], values[WIND], gravity)

    return fitted


def _own_u(launch: Launch, aim: Aim, landing: Landing, values: Mapping[str, float]) -> float:
    """Return the relative standard uncertainty of the κ computed from one landing."""

    def log_kappa(speed: float, reach: float) -> float:
        moved = replace(landing, speed_mps=speed, range_m=reach)
        try:
            return math.log(_fits(launch, aim, [moved])(values)[0])
        except OptionError:  # the body lands so far away that no drag is left
            return math.nan

    speed, reach = landing.speed_mps, landing.range_m
    by_speed = [log_kappa(speed + s * landing.speed_u_mps, reach) for s in (1, -1)]
    by_range = [log_kappa(speed, reach + s * landing.range_u_m) for s in (1, -1)]
    u = math.hypot(by_speed[0] - by_speed[1], by_range[0] - by_range[1]) / 2
    return u if math.isfinite(u) else math.inf


def _scatter(each: Sequence[float], own: Sequence[float]) -> Quantity:
    """Return the relative random uncertainty of the mean drag constant κ."""
    n = len(each)
    _, s = mean_and_s(np.log(each))
    leaves = math.sqrt(float(np.mean(np.square(own))))
    leads = s > leaves  # false if s is NaN: there is a single landing
    u = (s if leads else leaves) / math.sqrt(n)
    dof = n - 1 if leads else math.inf
    return Quantity(SCATTER, 0.0, normal(SCATTER, u, dof=dof, nature="random"))


def _drag_per_coefficient(values: Mapping[str, float]) -> float:
    """Return the drag constant κ [1/m] for a drag coefficient of 1, or NaN if it is unknown."""
    if MASS not in values or DIAMETER not in values:
        return math.nan
    return drag_constant(1.0, values[DENSITY], values[DIAMETER], values[MASS])


def _laws(launch: Launch, values: Mapping[str, float]) -> tuple[Deceleration, float]:
    drag = deceleration_of(launch.body, launch.site, values)
    return drag, weight_per_mass(launch.body, values)


StopGoal = Literal["distance", "peak", "mean", "force", "time"]


@dataclass(frozen=True, eq=False)
class StopResult:
    """
    How a catch (such as a net) is expected to stop the next shot.

    Attributes
    ----------
    launch : Launch
    law, goal : str
        Law by which the force grows, and the given quantity.
    given : float
        Value of the given quantity in SI units.
    speed : Estimate
        Expected speed of the next shot at the catch [m/s].
    distance, mean, peak, force, time, energy : Estimate
        Distance into the catch [m], mean and peak deceleration [m/s²], peak force [N], time to
        rest [s], energy taken [J]. Force and energy are NaN without a mass.
    """

    launch: Launch
    law: Law
    goal: StopGoal
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
        """Upper end of the 95 % interval of the stopping distance [m]."""
        return self.distance.value + self.distance.U95


LEAST_LEFT = 0.01
"""A body that keeps less than this part of its speed falls down before it reaches the catch."""


def stop_result(
    launch: Launch, law: Law, goal: StopGoal, given: Quantity, path: Quantity | None = None
) -> StopResult:
    """
    Compute how a catch (such as a net) is expected to stop the next shot.

    Parameters
    ----------
    launch : Launch
    law : {"constant", "spring", "sheet"}
    goal : {"distance", "peak", "mean", "force", "time"}
        The given quantity: distance into the catch, limit of the peak or of the mean
        deceleration, limit of the peak force, time to rest.
    given : Quantity
    path : Quantity, optional
        Level distance from the gates to the catch, over which drag slows the body [m].

    Raises
    ------
    OptionError
        A force is given without a mass, or the air stops the body before the catch.
    """
    if goal == "force" and launch.body.mass is None:
        raise OptionError(
            "a force limit can only be used if the mass of the body is given",
            hint='add the mass, such as --mass "24 g"',
        )

    def model(values: Mapping[str, float]) -> tuple[float, ...]:
        speed = _at_catch(launch, values, values[path.name] if path else 0.0)
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

    stated = (given,) if path is None else (given, path)
    found = propagate(model, (*launch.quantities, *stated))
    return StopResult(launch, law, goal, given.value, *found)


def _distance(
    goal: StopGoal, given: float, speed_mps: float, mass_kg: float, law: Law
) -> float:
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
    """Return the speed at the catch (such as a net); without a path, the launch speed."""
    speed = speed_value(values)
    if not path_m:
        return speed
    left = speed_along(speed, path_m, deceleration_of(launch.body, launch.site, values))
    if left < LEAST_LEFT * speed:
        raise OptionError(
            f"the air nearly stops this light body before it has moved {path_m:g} m",
            hint="check the path, the mass and the diameter",
        )
    return left
