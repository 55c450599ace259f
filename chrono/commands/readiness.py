"""Before the first shot: which port, and are gates, link and clock ready?"""

import sys
from pathlib import Path
from typing import Annotated, Any

import typer

from chrono.commands.common import AsJson, Baud, print_json, rig_of
from chrono.plain import plain


def boards(as_json: AsJson = False) -> None:
    """List the serial ports of this machine and the virtual boards."""
    from chrono.commands.demo import virtual_boards
    from chrono.reader.attached import likely_boards, ports_here

    attached = ports_here()
    likely = likely_boards(attached)
    found = [(p.device, p.description) for p in attached]
    ports: list[dict[str, Any]] = [
        {"port": port, "description": text, "likely": port in likely}
        for port, text in (*found, *virtual_boards().items())
    ]
    if as_json:
        print_json(ports)
        return
    for row in ports:
        words = f"  {plain(row['description'])}" if row["description"] else ""
        mark = f"  ({_likelihood(likely)})" if row["likely"] else ""
        print(f"{plain(row['port']):<28}{words}{mark}".rstrip())
    if not likely:
        print("no board seems to be plugged in; the virtual ones need none", file=sys.stderr)
    elif len(likely) > 1:
        print("unplug the board and see which one goes", file=sys.stderr)


def _likelihood(likely: list[str]) -> str:
    return "most likely the board" if len(likely) == 1 else "may be the board"


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
