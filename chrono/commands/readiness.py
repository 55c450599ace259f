"""Before the first shot: which port, and are gates, link and clock ready?"""

import sys
from pathlib import Path
from typing import Annotated

import typer

from chrono.commands.common import (
    AsJson,
    Baud,
    print_json,
    rig_of,
)


def boards(as_json: AsJson = False) -> None:
    """List the serial ports of this machine and the virtual boards."""
    from chrono.commands.demo import virtual_boards
    from chrono.reader.port import ports_here

    found = [*ports_here(), *virtual_boards().items()]
    ports = [{"port": port, "description": text} for port, text in found]
    if as_json:
        print_json(ports)
        return
    for row in ports:
        print(f"{row['port']:<28}  {row['description']}")


def check(
    target: Annotated[str, typer.Argument(help="A port, or a recording.")],
    rig: Annotated[Path | None, typer.Option(help="The rig file.")] = None,
    seconds: Annotated[
        float, typer.Option(min=1.0, max=3600.0, help="How long to watch a port.")
    ] = 10.0,
    baud: Baud = 250_000,
    as_json: AsJson = False,
) -> None:
    """Judge beams, flicker, link and clock: ready, or why not."""
    from chrono.reports.health import health_data, health_text
    from chrono.session.check import check_port, check_recording

    path = Path(target)
    if path.is_file() or path.is_dir() or path.suffix == ".tsv":
        health = check_recording(path, rig_of(rig))
    else:
        print(f"watching {target} for {seconds:g} s", file=sys.stderr)
        health = check_port(target, rig_of(rig), seconds, baud)
    if as_json:
        print_json(health_data(health))
    else:
        print(health_text(health))
    if not health.ready:
        raise typer.Exit(1)
