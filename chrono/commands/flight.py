"""The command `flight`: where a body lands, and what drag its landings tell."""

import math
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
    NoAir,
    RigFile,
    Setups,
    ShownUnit,
    Terminal,
    Told,
    body_of,
    needs_drag,
    needs_speed,
    print_result,
    quantity,
    told_by,
    units_of,
)
from chrono.commands.landings import landings_of
from chrono.errors import OptionError

if TYPE_CHECKING:
    from chrono.measuring.flights import Aim

LEVELS = "from -90 deg to 90 deg"

Landed = Annotated[
    list[str] | None,
    typer.Option(
        "--landed",
        help='Where it landed, to find its drag: "31.2 ± 0.1 m"; with a recording by the '
        'shot\'s number, "7=31.2 ± 0.1 m". May be repeated.',
    ),
]


def flight(
    recording: MaybeRecording = None,
    speed: MaybeSpeed = None,
    angle: Annotated[
        str, typer.Option(help='Above the horizontal, such as "30 ± 1 deg".')
    ] = "0 deg",
    height: Annotated[
        str, typer.Option(help="Of the launch above the landing; negative for below.")
    ] = "0 m",
    wind: Annotated[
        str, typer.Option(help="Along the flight, from behind; negative from ahead.")
    ] = "0 m/s",
    landed: Landed = None,
    mass: Mass = None,
    diameter: Diameter = None,
    drag: Drag = None,
    terminal: Terminal = None,
    no_air: NoAir = False,
    setup: Setups = None,
    rig: RigFile = None,
    site: Conditions = None,
    unit: ShownUnit = None,
    as_json: AsJson = False,
) -> None:
    """
    Tell where a body lands, from a speed or from a recording's shots, each setup by itself.

    With --landed: the drag coefficient and terminal speed with which it lands there.
    """
    from chrono.reports.findings_text import Findings

    findings, aim = Findings(), aim_of(angle, height, wind)
    told = told_by(
        recording,
        rig,
        setup,
        speed,
        site,
        lambda own: body_of(own, mass, diameter, drag, terminal, no_air),
        findings,
    )
    for launch in told.launches:
        needs_speed(launch)
    if landed:
        _print_fit(told, aim, landed, unit, as_json)
    else:
        _print_flights(told, aim, unit, as_json)
    end(findings)


def aim_of(angle: str, height: str, wind: str) -> "Aim":
    """Return how a body is launched, by options."""
    from chrono.measuring.flights import ANGLE, HEIGHT, WIND, Aim

    steepest = math.radians(90.0001)
    return Aim(
        quantity(ANGLE, angle, "rad", "--angle", -steepest, steepest, LEVELS),
        quantity(HEIGHT, height, "m", "--height", -1000.0, 1000.0),
        quantity(WIND, wind, "m/s", "--wind", -60.0, 60.0),
    )


def _print_flights(told: Told, aim: "Aim", unit: str | None, as_json: bool) -> None:
    from chrono.measuring.flights import flight_result
    from chrono.measuring.launch import each_launch
    from chrono.reports.flight import flight_data, flight_text

    if aim.angle.value <= 0 and aim.height.value == 0:
        raise OptionError(
            "a launch that does not rise, from the height where it lands, is no flight",
            hint='give --angle "30 deg", or the --height of the launch, such as "1 m"',
        )
    for launch in told.launches:
        needs_drag(launch)
    results = each_launch(told.launches, lambda launch: flight_result(launch, aim))
    units = units_of(unit, told.rig)
    print_result(
        lambda plain: flight_text(results, aim, units, ascii_only=plain),
        lambda: flight_data(results),
        as_json,
    )


def _print_fit(
    told: Told, aim: "Aim", landed: list[str], unit: str | None, as_json: bool
) -> None:
    from chrono.measuring.flights import fit_drag
    from chrono.reports.flight import fit_data, fit_text

    launch, landings = landings_of(landed, told)
    fit, units = fit_drag(launch, aim, landings), units_of(unit, told.rig)
    print_result(
        lambda _: fit_text(launch, aim, fit, units), lambda: fit_data(launch, fit), as_json
    )
