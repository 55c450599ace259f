"""The command `fall`: drop height, time and speed, each from each."""

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
    body_of,
    needs_drag,
    print_result,
    quantity,
    told_by,
    units_of,
)
from chrono.errors import OptionError

if TYPE_CHECKING:
    from chrono.measuring.propagation import Quantity
    from chrono.physics.falling import Goal


def fall(
    recording: MaybeRecording = None,
    height: Annotated[str | None, typer.Option(help='Height fallen, "8 ± 0.05 m".')] = None,
    time: Annotated[str | None, typer.Option(help='Time of the fall, "1.2 s".')] = None,
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
    Tell height, time and speed of a fall from rest, from one of them or from shots.

    With a recording: how high to drop the body so that it comes as fast as it was clocked.
    """
    from chrono.measuring.falls import fall_result
    from chrono.measuring.launch import each_launch
    from chrono.reports.fall import fall_data, fall_text
    from chrono.reports.findings_text import Findings

    findings = Findings()
    goal, given = _given(recording is not None, height, time, speed)
    told = told_by(
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
    end(findings)


def _given(
    recorded: bool, height: str | None, time: str | None, speed: str | None
) -> "tuple[Goal, Quantity | None]":
    """Return what is given, which is one thing."""
    said: dict[Goal, tuple[str | None, str, float]] = {
        "height": (height, "m", 1e5),
        "time": (time, "s", 1e4),
        "speed": (speed, "m/s", 3000.0),
    }
    chosen = [goal for goal, (text, _, _) in said.items() if text]
    if recorded and not chosen:
        return "speed", None
    if recorded or len(chosen) != 1:
        raise OptionError(
            "a fall is told by one of height, time, speed or a recording",
            hint='give one, such as --height "8 m"',
        )
    goal = chosen[0]
    text, unit, most = said[goal]
    return goal, quantity(goal, text or "", unit, f"--{goal}", high=most)
