"""The demo: a virtual board clocked like a real one."""

from typing import Annotated

import typer

from chrono.commands.common import (
    AsJson,
    NoDashboard,
    RecordTo,
    ShotLimit,
    drive,
)


def demo(
    scenario: Annotated[str, typer.Option(help="What the virtual board plays.")] = "two-bands",
    seed: Annotated[int, typer.Option(min=0, help="Same number, same shots.")] = 1,
    shots: ShotLimit = None,
    speedup: Annotated[float, typer.Option(min=0.1, max=100.0, help="Faster time.")] = 1.0,
    recording: RecordTo = None,
    no_dashboard: NoDashboard = False,
    as_json: AsJson = False,
) -> None:
    """Clock a virtual board: everything works without hardware."""
    from chrono.session.run import live_run

    port = f"virtual://{scenario}?seed={seed}&speedup={speedup:g}"
    if shots:
        port += f"&shots={shots}"
    drive(live_run(port, None, recording), shots, no_dashboard, as_json)
