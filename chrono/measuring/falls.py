"""Drop height, time and speed of a fall from rest, each from each, with their uncertainty."""

from collections.abc import Mapping
from dataclasses import dataclass

from chrono.measuring.launch import Launch, speed_value
from chrono.measuring.propagation import Estimate, Quantity, propagate
from chrono.measuring.surroundings import deceleration_of, weight_per_mass
from chrono.physics.falling import Fall, Goal, fall_to, terminal_speed_of


@dataclass(frozen=True, eq=False)
class FallResult:
    """
    A fall from rest.

    Attributes
    ----------
    launch : Launch
        Whose speed it gives, or whose body falls.
    goal : str
        What was given: height, time or speed.
    height, time, speed : Estimate
        Height fallen [m], time [s], speed at its end [m/s]; with a recording the drop that
        gives the speed of one more shot.
    terminal : Estimate
        Terminal speed [m/s], infinite without air.
    path : Fall
        For a picture.
    """

    launch: Launch
    goal: Goal
    height: Estimate
    time: Estimate
    speed: Estimate
    terminal: Estimate
    path: Fall


def fall_result(
    launch: Launch, goal: Goal = "speed", given: Quantity | None = None
) -> FallResult:
    """
    Return the fall of a body through a height, for a time or to a speed.

    Parameters
    ----------
    launch : Launch
        Its body and air; and its speed, that of one more shot, where nothing is given.
    goal : {"height", "time", "speed"}, optional
        What is given.
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
        gravity, drag = weight_per_mass(body, values), deceleration_of(body, site, values)
        return fall_to(goal, value, drag, gravity, points=points)

    def model(values: Mapping[str, float]) -> tuple[float, ...]:
        path = fallen(values, 2)
        gravity, drag = weight_per_mass(body, values), deceleration_of(body, site, values)
        end = float(path.height_m[-1]), float(path.time_s[-1]), float(path.speed_mps[-1])
        return *end, terminal_speed_of(drag, gravity)

    height, time, speed, terminal = propagate(model, quantities)
    path = fallen({q.name: q.value for q in quantities}, 200)
    return FallResult(launch, goal, height, time, speed, terminal, path)
