"""The commands `fall`, `flight` and `stop`: compute how a body falls, flies or stops."""

import math
from collections.abc import Sequence
from typing import TYPE_CHECKING, Annotated

import typer

from chrono.commands.command_options import AsJson, end
from chrono.commands.launch_options import (
    Conditions,
    Diameter,
    Drag,
    LaunchInput,
    Mass,
    MaybeRecording,
    MaybeSpeed,
    NoAir,
    RigFile,
    Setups,
    ShownUnit,
    Terminal,
    body_of,
    launches_from,
    needs_drag,
    needs_speed,
    print_result,
    quantity,
    units_of,
)
from chrono.errors import OptionError

if TYPE_CHECKING:
    from chrono.measuring.launch import Launch
    from chrono.measuring.propagation import Quantity
    from chrono.measuring.trajectory_results import Aim, Landing, StopGoal
    from chrono.physics.free_fall import FallGoal
    from chrono.physics.stopping import Law
    from chrono.reports.findings_text import Findings
    from chrono.session.session import Session
    from chrono.session.shot_log import ShotRow


def fall(
    recording: MaybeRecording = None,
    height: Annotated[
        str | None, typer.Option(help='Height of the fall, such as "8 ± 0.05 m".')
    ] = None,
    time: Annotated[str | None, typer.Option(help='Time of the fall, such as "1.2 s".')] = None,
    speed: MaybeSpeed = None,
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
    Compute height, time and speed of a fall from rest.

    Give height, time, speed or a recording. For a recording, the command computes the height
    of a fall that gives the measured speed.
    """
    from chrono.measuring.launch import each_launch
    from chrono.measuring.trajectory_results import fall_result
    from chrono.reports.findings_text import Findings
    from chrono.reports.launch_text import refused_words
    from chrono.reports.trajectory_text import fall_data, fall_text

    findings = Findings()
    goal, given = _fall_goal(recording is not None, height, time, speed)
    told = launches_from(
        recording,
        rig,
        setup,
        None,
        site,
        lambda own: body_of(own, mass, diameter, drag, terminal, no_air),
        findings,
    )
    for launch in told.launches:
        needs_drag(launch)
    results = each_launch(told.launches, lambda launch: fall_result(launch, goal, given))
    units = units_of(unit, told.rig)
    print_result(
        lambda plain: fall_text(results, units, ascii_only=plain),
        lambda: fall_data(results),
        as_json,
    )
    findings.lines += refused_words(results)
    end(findings)


def _fall_goal(
    recorded: bool, height: str | None, time: str | None, speed: str | None
) -> "tuple[FallGoal, Quantity | None]":
    """Return the only value of a fall (height, time or speed) that the user gave."""
    said: dict[FallGoal, tuple[str | None, str, float]] = {
        "height": (height, "m", 1e5),
        "time": (time, "s", 1e4),
        "speed": (speed, "m/s", 3000.0),
    }
    chosen = [goal for goal, (text, _, _) in said.items() if text]
    if recorded and not chosen:
        return "speed", None
    if recorded or len(chosen) != 1:
        raise OptionError(
            "the command needs exactly one of these: --height, --time, --speed or a recording",
            hint='give only one value, such as --height "8 m"',
        )
    goal = chosen[0]
    text, unit, most = said[goal]
    return goal, quantity(goal, text or "", unit, f"--{goal}", high=most)


WHERE = "--landed"


def landings_of(texts: Sequence[str], told: LaunchInput) -> "tuple[Launch, list[Landing]]":
    """
    Return the launch of a body, and the landing places that the user gave.

    Raises
    ------
    OptionError
        If a shot is missing, is not counted, is named twice or has another body. Also if a
        text is not a landing.
    """
    if told.session is None:
        return _stated(texts, told.launches[0])
    shots = [_split(text) for text in texts]
    numbers = [number for number, _ in shots]
    twice = next((n for n in numbers if numbers.count(n) > 1), None)
    if twice is not None:
        raise _trouble(
            f"shot number {twice} was given more than once", "give each shot only once"
        )
    rows = [_row(told.session, number) for number in numbers]
    launch = _one_body([_launch(told.launches, row) for row in rows])
    landings = [
        _landing(row.number, row.speed_mps, row.u_random_mps, reach)
        for row, (_, reach) in zip(rows, shots, strict=True)
    ]
    return launch, landings


def _stated(texts: Sequence[str], launch: "Launch") -> "tuple[Launch, list[Landing]]":
    u = launch.speed[0].input.u
    return launch, [_landing(0, launch.mean_mps, u, text) for text in texts]


def _landing(number: int, speed_mps: float, u_mps: float, text: str) -> "Landing":
    from chrono.measuring.trajectory_results import Landing

    reach = quantity("range", text, "m", WHERE, high=1e5)
    return Landing(number, speed_mps, u_mps, reach.value, reach.input.u)


def _split(text: str) -> tuple[int, str]:
    number, sign, reach = text.partition("=")
    if not sign or not number.strip().isdecimal():
        raise _trouble(
            f'the number of the shot is missing in "{text}"',
            'write the number of the shot first, such as "7=31.2 m"',
        )
    return int(number), reach


def _row(session: "Session", number: int) -> "ShotRow":
    shots = len(session.log)
    if not 1 <= number <= shots:
        raise _trouble(f"there is no shot {number}", f"give a shot number from 1 to {shots}")
    row = next(session.rows_of(slice(number - 1, number)))
    if not row.counted:
        raise _trouble(
            f"shot {number} is not counted",
            "choose a counted shot, or let this shot count again",
        )
    return row


def _launch(launches: "Sequence[Launch]", row: "ShotRow") -> "Launch":
    for launch in launches:
        if launch.name == row.setup:
            return launch
    raise _trouble(
        f"the chosen setups do not contain shot {row.number}",
        "choose only shots of the chosen setups",
    )


def _one_body(launches: "Sequence[Launch]") -> "Launch":
    if len({launch.body for launch in launches}) > 1:
        raise _trouble(
            "the chosen shots were made with different bodies",
            "choose only shots of the same body",
        )
    return launches[0]


def _trouble(what: str, hint: str) -> OptionError:
    return OptionError(what, where=WHERE, hint=hint)


LEVELS = "from -90 deg to 90 deg"

Landed = Annotated[
    list[str] | None,
    typer.Option(
        "--landed",
        help='Distance at which the body landed, such as "31.2 ± 0.1 m". The command '
        "finds the drag from this distance. With a recording, write the number "
        'of the shot first, such as "7=31.2 ± 0.1 m". You may use this option '
        "several times.",
    ),
]


def flight(
    recording: MaybeRecording = None,
    speed: MaybeSpeed = None,
    angle: Annotated[
        str,
        typer.Option(help='Angle of the launch above the horizontal, such as "30 ± 1 deg".'),
    ] = "0 deg",
    height: Annotated[
        str,
        typer.Option(
            help="Height of the launch point above the landing point. Give a negative "
            "height if the launch point is lower."
        ),
    ] = "0 m",
    wind: Annotated[
        str,
        typer.Option(
            help="Wind speed. Give a positive speed for wind from behind, and a negative "
            "speed for wind from the front."
        ),
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
    Compute where a body lands, from a speed or from shots.

    Each setup of a recording is computed separately.

    With --landed, the command finds the drag coefficient and the terminal speed that fit the
    landing.
    """
    from chrono.reports.findings_text import Findings

    if landed and (drag or terminal or no_air):
        raise OptionError(
            "--landed finds the drag, so --drag, --terminal and --no-air cannot be used",
            where=WHERE,
            hint="leave out --landed, or leave out --drag, --terminal and --no-air",
        )
    findings, aim = Findings(), aim_of(angle, height, wind)
    told = launches_from(
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
        _print_flights(told, aim, unit, as_json, findings)
    end(findings)


def aim_of(angle: str, height: str, wind: str) -> "Aim":
    """Return the angle, the height and the wind of a launch, from the options."""
    from chrono.measuring.trajectory_results import ANGLE, HEIGHT, WIND, Aim

    steepest = math.radians(90.0001)
    return Aim(
        quantity(ANGLE, angle, "rad", "--angle", -steepest, steepest, LEVELS),
        quantity(HEIGHT, height, "m", "--height", -1000.0, 1000.0),
        quantity(WIND, wind, "m/s", "--wind", -60.0, 60.0),
    )


def _print_flights(
    told: LaunchInput, aim: "Aim", unit: str | None, as_json: bool, findings: "Findings"
) -> None:
    from chrono.measuring.launch import each_launch
    from chrono.measuring.trajectory_results import flight_result
    from chrono.reports.launch_text import refused_words
    from chrono.reports.trajectory_text import flight_data, flight_text

    if aim.angle.value <= 0 and aim.height.value == 0:
        raise OptionError(
            "the body cannot fly: it must start upward, or start higher than the landing point",
            hint='give an angle, such as --angle "30 deg", or a height, such as --height "1 m"',
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
    findings.lines += refused_words(results)


def _print_fit(
    told: LaunchInput, aim: "Aim", landed: list[str], unit: str | None, as_json: bool
) -> None:
    from chrono.measuring.trajectory_results import fit_drag
    from chrono.reports.trajectory_text import fit_data, fit_text

    launch, landings = landings_of(landed, told)
    fit, units = fit_drag(launch, aim, landings), units_of(unit, told.rig)
    print_result(
        lambda _: fit_text(launch, aim, fit, units), lambda: fit_data(launch, fit), as_json
    )


def stop(
    recording: MaybeRecording = None,
    speed: MaybeSpeed = None,
    energy: Annotated[
        str | None,
        typer.Option(
            help='Kinetic energy of the body, such as "20 J". Use this option instead of '
            "--speed."
        ),
    ] = None,
    law: Annotated[
        str,
        typer.Option(
            help="Type (force law) of the catch: constant (material that is crushed or "
            "brakes), spring (tight net or rope) or sheet (flat, loose net or cloth)."
        ),
    ] = "spring",
    distance: Annotated[
        str | None, typer.Option(help='Stopping distance, such as "0.8 m".')
    ] = None,
    limit: Annotated[
        str | None, typer.Option(help='Largest allowed peak deceleration, such as "50 g".')
    ] = None,
    mean: Annotated[
        str | None, typer.Option(help='Largest allowed mean deceleration, such as "20 g".')
    ] = None,
    force: Annotated[
        str | None, typer.Option(help='Largest allowed peak force, such as "30 N".')
    ] = None,
    time: Annotated[
        str | None,
        typer.Option(help='Time in which the catch stops the body, such as "40 ms".'),
    ] = None,
    path: Annotated[
        str | None,
        typer.Option(
            help="Horizontal distance from the gates to the catch. Air drag slows the "
            "body on this path."
        ),
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
    """Compute distance, deceleration, force and time of a stop."""
    from chrono.measuring.launch import each_launch
    from chrono.measuring.trajectory_results import stop_result
    from chrono.reports.findings_text import Findings
    from chrono.reports.launch_text import refused_words
    from chrono.reports.trajectory_text import stop_data, stop_text

    findings, how = Findings(), law_of(law)
    goal, given = _stop_goal(distance, limit, mean, force, time)
    way = quantity("path", path, "m", "--path", high=1000.0) if path else None
    told = launches_from(
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
        if way is not None:
            needs_drag(launch, "--path")
    results = each_launch(told.launches, lambda one: stop_result(one, how, goal, given, way))
    units = units_of(unit, told.rig)
    print_result(
        lambda plain: stop_text(results, how, units, ascii_only=plain),
        lambda: stop_data(results),
        as_json,
    )
    findings.lines += refused_words(results)
    end(findings)


def law_of(text: str) -> "Law":
    """
    Return the rule for the force of a catch by its name.

    Raises
    ------
    OptionError
        If no law has this name.
    """
    from chrono.physics.stopping import EXPONENTS

    for law in EXPONENTS:
        if text == law:
            return law
    raise OptionError(
        f'there is no force law with the name "{text}"',
        where="--law",
        hint=f"choose one of these force laws: {', '.join(EXPONENTS)}",
    )


def _stop_goal(
    distance: str | None,
    limit: str | None,
    mean: str | None,
    force: str | None,
    time: str | None,
) -> "tuple[StopGoal, Quantity]":
    """Return the only value of a catch (distance, force, …) that the user gave."""
    said: dict[StopGoal, tuple[str | None, str, str]] = {
        "distance": (distance, "m", "--distance"),
        "peak": (limit, "m/s^2", "--limit"),
        "mean": (mean, "m/s^2", "--mean"),
        "force": (force, "N", "--force"),
        "time": (time, "s", "--time"),
    }
    chosen = [goal for goal, (text, _, _) in said.items() if text]
    if len(chosen) != 1:
        raise OptionError(
            "the command needs exactly one of these: --distance, --limit, --mean, "
            "--force or --time",
            hint='give only one value, such as --limit "50 g"',
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
            f"the value must be above 0, not {text.strip()}",
            where=where,
            hint='give a limit above 0, such as "50 g"',
        )
    return known("limit", value)
