"""Read launches for `fall`, `flight`, `stop` and `energy`, from options or a recording.

A value may have a ± (95 %), such as ``"45.1 ± 0.3 m/s"``. A mass, a diameter or a drag
coefficient without a ± gets the usual tolerance. Any other value without a ± is exact.
"""

import math
import sys
from collections.abc import Callable, Sequence
from dataclasses import dataclass, replace
from pathlib import Path
from typing import TYPE_CHECKING, Annotated, Any

import typer

from chrono.errors import OptionError
from chrono.safe_text import plain

if TYPE_CHECKING:
    from chrono.measuring.body_in_air import MovingBody
    from chrono.measuring.launch import Launch
    from chrono.measuring.propagation import Quantity
    from chrono.measuring.series_statistics import Sample
    from chrono.reports.findings_text import Findings
    from chrono.reports.launch_text import UserUnits
    from chrono.rigs.rig_model import Rig
    from chrono.session.session import Session

MaybeRecording = Annotated[
    Path | None,
    typer.Argument(
        help="A recording. The command computes the results of each setup separately.",
        show_default=False,
        readable=False,
    ),
]
Setups = Annotated[
    list[str] | None,
    typer.Option(
        "--setup",
        help="Use only the shots of this setup. To use several setups, repeat this option.",
    ),
]
Mass = Annotated[
    str | None,
    typer.Option(
        help='Mass of the body, such as "24 ± 0.1 g". Without a ±, the program assumes ± 1 %.'
    ),
]
Diameter = Annotated[
    str | None,
    typer.Option(
        help="Diameter of the body, measured at a right angle to its path, such as "
        '"40 ± 0.1 mm". Without a ±, the program assumes ± 0.5 %.'
    ),
]
Drag = Annotated[
    str | None,
    typer.Option(
        help="Drag coefficient of the body, for its area seen from the front, such as "
        '"0.8 ± 0.1". For a ball, the program computes the drag coefficient.'
    ),
]
Terminal = Annotated[
    str | None,
    typer.Option(
        help="Terminal speed of the body (the final speed of a long fall), such as "
        '"32 ± 1 m/s".'
    ),
]
NoAir = Annotated[
    bool, typer.Option("--no-air", help="Compute the motion of the body without air.")
]
Conditions = Annotated[
    list[str] | None,
    typer.Option(
        "--site",
        help="A property of the air or the place, such as temperature=23degC. This "
        "value replaces the value in the rig. The other possible keys are "
        "pressure, humidity, latitude and altitude. You may use this option "
        "several times.",
    ),
]
RigFile = Annotated[
    Path | None,
    typer.Option(
        "--rig",
        help="A rig file. The command uses the body, the site and the unit in this file.",
    ),
]
ShownUnit = Annotated[
    str | None,
    typer.Option(
        "--unit",
        help="Unit of the speeds: m/s, km/h, ft/s or mph. Lengths are shown in a "
        "matching unit.",
    ),
]
MaybeSpeed = Annotated[
    str | None,
    typer.Option(
        "--speed",
        help='The speed, such as "45 ± 0.3 m/s". A number without a unit has the '
        "rig's unit of speed.",
    ),
]

BodyOf = Callable[["Rig | None"], "MovingBody"]
"""A function that creates the body from the options. A rig gives the missing values."""

FASTEST_MPS = 3000.0
SMALLEST, LARGEST = 1e-12, 1e12
"""Limits of all values that must be above 0, in SI units. The formulas may overflow beyond."""

SITE_UNITS = {
    "temperature": "K",
    "pressure": "Pa",
    "humidity": "",
    "latitude": "rad",
    "altitude": "m",
}


def quantity(
    name: str,
    text: str,
    unit: str,
    where: str,
    low: float = SMALLEST,
    high: float = LARGEST,
    limits: str = "",
) -> "Quantity":
    """
    Read the value of an option; treat a value without a ± as exact.

    If `limits` is not empty, the error message shows this text instead of `low` and `high`.

    Raises
    ------
    OptionError
        If the value is not above `low`, or not below `high`. Also if a value that must be above
        0 has a ± that reaches down to 0.
    """
    from chrono.measuring.propagation import known
    from chrono.units import parse_measured

    value, half_width = parse_measured(text, unit, where)
    if not low < value < high:
        least = 0.0 if low == SMALLEST and not 0 < value <= low else low
        above = f"above {least:g} {unit}".rstrip()
        below = (
            f" and below {high:g} {unit}".rstrip() if value >= high or high < LARGEST else ""
        )
        raise OptionError(
            f"{text.strip()} is not a possible {name}",
            where=where,
            hint=f"give a value {limits or above + below}",
        )
    if low > 0 and half_width is not None and half_width >= value:
        raise OptionError(
            f"the ± in {text.strip()} is too large: a {name} is above 0",
            where=where,
            hint="give a ± that is smaller than the value",
        )
    return known(name, value, half_width, unit)


def body_of(
    rig: "Rig | None",
    mass: str | None,
    diameter: str | None,
    drag: str | None,
    terminal: str | None,
    no_air: bool,
) -> "MovingBody":
    """Return the body that the options describe; take missing values from a rig."""
    from chrono.measuring.body_in_air import (
        SMOOTH_SPHERE,
        TERMINAL,
        MovingBody,
        given_diameter,
        given_mass,
    )
    from chrono.measuring.propagation import known

    if (terminal and (drag or no_air)) or (drag and no_air):
        raise OptionError(
            "--terminal, --drag and --no-air cannot be used together",
            hint="give only one of --terminal, --drag and --no-air",
        )
    body = MovingBody(None, None, SMOOTH_SPHERE)
    if rig is not None:
        body = MovingBody(
            given_mass(rig.body.mass_kg), given_diameter(rig.body.diameter_m), SMOOTH_SPHERE
        )
    if mass:
        body = replace(body, mass=_or_usual(mass, "kg", "--mass", given_mass))
    if diameter:
        body = replace(body, diameter=_or_usual(diameter, "m", "--diameter", given_diameter))
    if drag:
        body = replace(body, drag=_coefficient(drag), sphere=False)
    if terminal:
        body = replace(body, terminal=quantity(TERMINAL, terminal, "m/s", "--terminal"))
    if no_air:
        body = replace(body, terminal=known(TERMINAL, math.inf))
    return body


@dataclass(frozen=True)
class LaunchInput:
    """The launches from the options or from a recording, with the rig and the session."""

    launches: "list[Launch]"
    rig: "Rig"
    session: "Session | None" = None


def launches_from(
    recording: Path | None,
    rig_path: Path | None,
    setups: Sequence[str] | None,
    speed: str | None,
    conditions: Sequence[str] | None,
    body: BodyOf,
    findings: "Findings",
    energy: str | None = None,
) -> LaunchInput:
    """
    Return the launches of a recording, or the launch that the options describe.

    Raises
    ------
    OptionError
        If both a recording and a speed are given, or if a setup is given without a recording.
    """
    if recording is None:
        return _stated(rig_path, setups, speed, conditions, body, energy)
    from chrono.commands.command_options import rig_of
    from chrono.session.recording_loader import read_recording

    if speed or energy:
        raise OptionError(
            "the recording already contains the speeds",
            where="--speed" if speed else "--energy",
            hint="leave out this option, or leave out the recording",
        )
    recorded = read_recording(recording, rig_of(rig_path))
    findings.add(recorded)
    session = recorded.session
    rig = with_site(session.rig, conditions)
    found = [_with_options(one, rig, body) for one in launches_of(session, setups or ())]
    return LaunchInput(found, rig, session)


def with_site(rig: "Rig", conditions: Sequence[str] | None) -> "Rig":
    """
    Return the rig; replace its values of air and place by the values from the options.

    If only the altitude is given, use the pressure of the standard atmosphere at this altitude.

    Raises
    ------
    OptionError, RigError
        If an option has an unknown key, or a value that cannot be used.
    """
    from chrono.physics.air_and_gravity import standard_pressure
    from chrono.rigs.rig_file import rig_from_record, rig_record

    names = {"temperature": "temperature_k", "pressure": "pressure_pa", "humidity": "humidity"}
    names |= {"latitude": "latitude_rad", "altitude": "altitude_m"}
    said = dict(_condition(text) for text in conditions or ())
    values = {names[key]: value for key, value in said.items()}
    if "altitude" in said and "pressure" not in said:
        values["pressure_pa"] = standard_pressure(said["altitude"])
    record = rig_record(rig)
    record["site"] |= values
    return rig_from_record(record, "--site")


def units_of(unit: str | None, rig: "Rig") -> "UserUnits":
    """Return the units that the output uses."""
    from chrono.reports.launch_text import UserUnits
    from chrono.units import SPEED_UNITS

    if unit is not None and unit not in SPEED_UNITS:
        raise OptionError(
            f'the program cannot show speeds in this unit: "{unit}"',
            where="--unit",
            hint=f"give one of these units: {', '.join(SPEED_UNITS)}",
        )
    return UserUnits(unit or rig.speed_unit)


def needs_drag(launch: "Launch", path: str = "") -> None:
    """
    Raise an error if the drag of a launch is not known.

    Parameters
    ----------
    launch : Launch
    path : str, optional
        The option that states a path on which drag slows the body, if the command has no other
        use for the drag.
    """
    if not launch.body.drag_is_known:
        bodies = "--rig, or both --mass and --diameter"
        raise OptionError(
            "the program does not know the air drag of this body",
            where=path,
            hint=f"give {bodies}; or leave out {path}"
            if path
            else "give --terminal, --rig, --no-air, or both --mass and --diameter",
        )


def needs_speed(launch: "Launch") -> None:
    """Raise an error if the speed of a launch is not known."""
    from chrono.measuring.launch import ENERGY

    if not launch.speed:
        raise OptionError(
            "a speed is missing",
            hint='give a recording, or give a speed, such as --speed "45 m/s"',
        )
    if launch.body.mass is None and launch.speed[0].name == ENERGY:
        raise OptionError(
            "the mass is missing: the program cannot compute a speed from the energy alone",
            hint='add the mass, such as --mass "24 g"',
        )
    if launch.mean_mps > FASTEST_MPS:
        raise OptionError(
            "this energy and this mass give a speed that is too high: "
            f"{launch.mean_mps:.0f} m/s",
            hint="check the energy and the mass: the program accepts speeds of at most "
            f"{FASTEST_MPS:.0f} m/s",
        )


def print_result(text: Callable[[bool], str], data: Callable[[], Any], as_json: bool) -> None:
    """Print a result as JSON, or as text with pictures that the output can show."""
    from chrono.commands.command_options import print_json
    from chrono.commands.output_streams import carries_braille

    if as_json:
        print_json(data())
        return
    print(text(not carries_braille()))


def _stated(
    rig_path: Path | None,
    setups: Sequence[str] | None,
    speed: str | None,
    conditions: Sequence[str] | None,
    body: BodyOf,
    energy: str | None = None,
) -> LaunchInput:
    from chrono.commands.command_options import rig_of
    from chrono.measuring.body_in_air import site_of
    from chrono.measuring.launch import Launch
    from chrono.rigs.rig_file import default_rig

    if setups:
        raise OptionError(
            "--setup works only with a recording",
            where="--setup",
            hint="give the name of a recording, or leave out --setup",
        )
    own = rig_of(rig_path)
    rig = with_site(own or default_rig(), conditions)
    quantities = _speed(speed, energy, rig.speed_unit)
    return LaunchInput([Launch("", 0, quantities, body(own), site_of(rig))], rig)


def _speed(speed: str | None, energy: str | None, unit: str) -> "tuple[Quantity, ...]":
    """Return the speed or energy that the user gave; a speed without a unit is in `unit`."""
    from chrono.measuring.launch import ENERGY
    from chrono.measuring.propagation import SPEED
    from chrono.units import with_unit

    if speed and energy:
        raise OptionError(
            "--energy and --speed cannot be used together",
            where="--energy",
            hint="give only --energy or only --speed",
        )
    if energy:
        return (quantity(ENERGY, energy, "J", "--energy"),)
    if not speed:
        return ()
    return (quantity(SPEED, with_unit(speed, unit), "m/s", "--speed", high=FASTEST_MPS),)


def _with_options(launch: "Launch", rig: "Rig", body: BodyOf) -> "Launch":
    """Return a recorded launch with the values of the body that the user gave as options."""
    from chrono.measuring.body_in_air import site_of

    told = body(None)
    own = launch.body
    whole = replace(told, mass=told.mass or own.mass, diameter=told.diameter or own.diameter)
    return replace(launch, body=whole, site=site_of(rig))


def _or_usual(
    text: str, unit: str, where: str, usual: Callable[[float], "Quantity"]
) -> "Quantity":
    """Read a quantity with its ±; use the usual tolerance if the text has no ±."""
    from chrono.units import parse_measured

    bare = usual(1.0)
    found = quantity(bare.name, text, unit, where)
    return usual(found.value) if parse_measured(text, unit)[1] is None else found


def _coefficient(text: str) -> "Quantity":
    from chrono.measuring.body_in_air import DRAG, DRAG_COEFFICIENT_RELATIVE_U
    from chrono.measuring.error_budget import normal
    from chrono.measuring.propagation import Quantity

    def usual(value: float) -> Quantity:
        return Quantity(DRAG, value, normal(DRAG, DRAG_COEFFICIENT_RELATIVE_U * value))

    return _or_usual(text, "", "--drag", usual)


def _condition(text: str) -> tuple[str, float]:
    from chrono.units import parse_quantity

    key, _, value = text.partition("=")
    if key.strip() not in SITE_UNITS or not value:
        raise OptionError(
            f'this text does not give a property of the air or the place: "{text}"',
            where="--site",
            hint="write a key and its value, such as temperature=23degC; the keys are "
            f"{', '.join(SITE_UNITS)}",
        )
    return key.strip(), parse_quantity(value, SITE_UNITS[key.strip()], f"--site {key}")


def launches_of(session: "Session", setups: Sequence[str] = ()) -> "list[Launch]":
    """
    Return the expected next shot of each setup as a `Launch`.

    Parameters
    ----------
    session : Session
        The session of a whole recording, or of its first part.
    setups : sequence of str, optional
        Use only these setups, in this order. By default, the setup used first comes first.

    Raises
    ------
    OptionError
        If a setup or the whole session has no counted shots.
    """
    wanted = setups or session.setups.names
    samples = [(name, session.sample(name)) for name in wanted]
    found = [_launch(session, name, each) for name, each in samples if each is not None]
    lacking = next((name for name, each in samples if each is None and setups), None)
    if lacking is not None or not found:
        known = ", ".join(f'"{plain(n)}"' for n in session.setups.names if n) or "no setup"
        what = (
            "the recording has no counted shots"
            if lacking is None
            else f'the setup "{lacking}" has no counted shots'
        )
        raise OptionError(
            f"the program cannot compute a result: {what}",
            hint=f"the recording has these setups: {known}",
        )
    return found


def _launch(session: "Session", name: str, sample: "Sample") -> "Launch":
    """Return the expected next shot of a setup; if bodies differ, its body is not known."""
    from chrono.measuring.body_in_air import SMOOTH_SPHERE, MovingBody
    from chrono.measuring.launch import launch_of
    from chrono.measuring.series_statistics import series_of
    from chrono.reports.launch_text import unlike_bodies_line
    from chrono.session.session_summary import last_setup

    series = series_of(sample)
    assert series is not None, "a sample has shots"
    body = last_setup(session, sample).body
    launch = launch_of(series, session.rig, body, name)
    if len(sample.bodies) == 1:
        return launch
    print(unlike_bodies_line(name, len(sample.bodies)), file=sys.stderr)
    return replace(launch, body=MovingBody(None, None, SMOOTH_SPHERE))
