"""The command `stop`: how a catch stops a body, and how much way it needs."""

from typing import TYPE_CHECKING, Annotated

import typer

from chrono.commands.common import AsJson, end
from chrono.commands.given import (
    Conditions,
    Diameter,
    Drag,
    Mass,
    MaybeRecording,
    MaybeSpeed,
    RigFile,
    Setups,
    ShownUnit,
    body_of,
    needs_speed,
    print_result,
    quantity,
    told_by,
    units_of,
)
from chrono.errors import OptionError

if TYPE_CHECKING:
    from chrono.measuring.propagation import Quantity
    from chrono.measuring.stops import Goal
    from chrono.physics.stopping import Law


def stop(
    recording: MaybeRecording = None,
    speed: MaybeSpeed = None,
    energy: Annotated[
        str | None, typer.Option(help='Kinetic energy in place of a speed, "20 J".')
    ] = None,
    law: Annotated[
        str,
        typer.Option(
            help="How the catch pushes back: constant (crushing, rubbing), spring (tight net, "
            "cord), sheet (flat slack net or sheet)."
        ),
    ] = "spring",
    distance: Annotated[str | None, typer.Option(help='Way that it gives, "0.8 m".')] = None,
    limit: Annotated[
        str | None, typer.Option(help='Peak deceleration to stay under, "50 g".')
    ] = None,
    mean: Annotated[
        str | None, typer.Option(help='Mean deceleration to stay under, "20 g".')
    ] = None,
    force: Annotated[str | None, typer.Option(help='Peak force to stay under, "30 N".')] = None,
    time: Annotated[str | None, typer.Option(help='Time to rest, "40 ms".')] = None,
    path: Annotated[
        str | None, typer.Option(help="Level way from the gates to the catch, with drag.")
    ] = None,
    mass: Mass = None,
    diameter: Diameter = None,
    drag: Drag = None,
    setup: Setups = None,
    rig: RigFile = None,
    site: Conditions = None,
    unit: ShownUnit = None,
    as_json: AsJson = False,
) -> None:
    """Tell the way, deceleration, force, time and energy of a stop, each from each."""
    from chrono.measuring.launch import each_launch
    from chrono.measuring.stops import stop_result
    from chrono.reports.findings_text import Findings
    from chrono.reports.stop import stop_data, stop_text

    findings, how = Findings(), law_of(law)
    goal, given = _given(distance, limit, mean, force, time)
    path_m = quantity("way", path, "m", "--path", high=1000.0).value if path else 0.0
    told = told_by(
        recording,
        rig,
        setup,
        speed,
        site,
        lambda own: body_of(own, mass, diameter, drag, None, False),
        findings,
        energy,
    )
    for launch in told.launches:
        needs_speed(launch)
    results = each_launch(told.launches, lambda one: stop_result(one, how, goal, given, path_m))
    units = units_of(unit, told.rig)
    print_result(
        lambda plain: stop_text(results, how, units, ascii_only=plain),
        lambda: stop_data(results),
        as_json,
    )
    end(findings)


def law_of(text: str) -> "Law":
    """
    Return the law of a catch.

    Raises
    ------
    OptionError
        There is none of that name.
    """
    from chrono.physics.stopping import EXPONENTS

    for law in EXPONENTS:
        if text == law:
            return law
    raise OptionError(
        f'"{text}" is no law of a catch',
        where="--law",
        hint=f"give one of {', '.join(EXPONENTS)}",
    )


def _given(
    distance: str | None,
    limit: str | None,
    mean: str | None,
    force: str | None,
    time: str | None,
) -> "tuple[Goal, Quantity]":
    """Return what is given of the catch, which is one thing."""
    said: dict[Goal, tuple[str | None, str, str]] = {
        "distance": (distance, "m", "--distance"),
        "peak": (limit, "m/s^2", "--limit"),
        "mean": (mean, "m/s^2", "--mean"),
        "force": (force, "N", "--force"),
        "time": (time, "s", "--time"),
    }
    chosen = [goal for goal, (text, _, _) in said.items() if text]
    if len(chosen) != 1:
        raise OptionError(
            "a catch is told by one of distance, limit, mean, force, time",
            hint='give one, such as --limit "50 g"',
        )
    goal = chosen[0]
    text, unit, where = said[goal]
    if unit == "m/s^2":
        return goal, _acceleration(text or "", where)
    return goal, quantity(goal, text or "", unit, where)


def _acceleration(text: str, where: str) -> "Quantity":
    from chrono.measuring.propagation import known
    from chrono.units import parse_acceleration

    value = parse_acceleration(text, where)
    if value <= 0:
        raise OptionError(
            f"{text.strip()} stops nothing", where=where, hint='give a limit above 0, "50 g"'
        )
    return known("limit", value)
