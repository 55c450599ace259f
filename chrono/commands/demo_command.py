"""The command `demo`; no other file of a command may import the package `virtual`."""

from typing import Annotated

import typer

from chrono.commands.command_options import (
    AsJson,
    NoDashboard,
    RecordTo,
    ShotLimit,
    announce,
    drive,
)


def demo(
    scenario: Annotated[
        str, typer.Option(help="Name of the scenario that the virtual board simulates.")
    ] = "two-bands",
    seed: Annotated[
        int,
        typer.Option(
            min=0,
            help="Start number (seed) for the random shots. The same number gives the "
            "same shots.",
        ),
    ] = 1,
    shots: ShotLimit = None,
    speedup: Annotated[
        float,
        typer.Option(
            min=0.1,
            max=100.0,
            help="Speed of the demo. 1 is as fast as real time, and 2 is twice as fast.",
        ),
    ] = 1.0,
    recording: RecordTo = None,
    no_dashboard: NoDashboard = False,
    as_json: AsJson = False,
) -> None:
    """Measure shots of a virtual board; you need no hardware."""
    port = f"virtual://{scenario}?seed={seed}&speedup={speedup:g}"
    if shots:
        port += f"&shots={shots}"
    announce(port, no_dashboard, as_json)
    from chrono.session.live_run import live_run

    run = live_run(port, None, recording, shots=shots)
    drive(run, shots, no_dashboard, as_json)


def virtual_boards() -> dict[str, str]:
    """Return the address of each virtual board, and the description of its scenario."""
    from chrono.virtual.scenarios import SCENARIOS, Play

    return {Play(scenario).url: scenario.summary for scenario in SCENARIOS.values()}


def virtual_rig_text(scenario: str) -> str:
    """
    Return the text of the rig file of a scenario.

    Raises
    ------
    PortError
        If no scenario has this name.
    """
    from chrono.virtual.scenarios import parse_play, rig_text

    return rig_text(parse_play(f"virtual://{scenario}").scenario)
