"""Define options and functions that several commands use."""

import json
import os
import sys
from pathlib import Path
from typing import TYPE_CHECKING, Annotated, Any

import typer

from chrono.errors import OptionError
from chrono.safe_text import plain

if TYPE_CHECKING:
    from chrono.reports.findings_text import Findings
    from chrono.rigs.rig_model import Rig
    from chrono.session.recording_loader import LoadedRecording
    from chrono.session.run import Run

# Our error message for an unreadable file says what to do; typer's message does not.
RecordingFile = Annotated[
    Path, typer.Argument(help="A recording.", show_default=False, readable=False)
]
AsJson = Annotated[bool, typer.Option("--json", help="Print the result as JSON.")]
OtherRig = Annotated[
    Path | None,
    typer.Option(
        "--rig", help="Compute the results with this rig file instead of the recorded rig."
    ),
]
HostClock = Annotated[
    bool,
    typer.Option(
        "--clock-from-host",
        help="Use the computer's clock to find how fast the board's counter counts.",
    ),
]
LiveHostClock = Annotated[
    bool,
    typer.Option(
        "--clock-from-host",
        help="Use the computer's clock to find how fast the board's counter counts. "
        "This takes about one minute. Then the program corrects all speeds. A speed "
        "that was printed earlier may differ from the speed in the export.",
    ),
]
NoDashboard = Annotated[
    bool,
    typer.Option(
        "--no-dashboard", help="Print one line for each shot instead of opening the dashboard."
    ),
]
ShotLimit = Annotated[
    int | None, typer.Option("--shots", min=1, help="Stop after this many shots.")
]
RecordTo = Annotated[
    Path | None,
    typer.Option(
        "--recording",
        help="Name of the new recording. A file with this name must not exist yet.",
    ),
]
Spare = Annotated[
    Path,
    typer.Option(
        "--spare",
        help="Folder in which the recording continues if the disk of the recording fails.",
        default_factory=Path.home,
        show_default="the home folder",
    ),
]
Resumed = Annotated[
    Path | None,
    typer.Option(
        "--resume",
        help="Add new shots to this recording, and use its rig and its setups. The "
        "recorded rows do not change.",
    ),
]
SetupName = Annotated[
    str, typer.Option("--setup", help="Name of the setup with which the session starts.")
]
Speed = Annotated[
    str,
    typer.Option(
        "--speed",
        help='The speed, such as "45 m/s". A number without a unit has the rig\'s unit '
        "of speed.",
        show_default=False,
    ),
]
Baud = Annotated[
    int,
    typer.Option(
        min=300,
        help="Speed of the serial link (baud rate). It must be the same as in the "
        "board's firmware.",
    ),
]
RigToWrite = Annotated[
    Path | None,
    typer.Option(
        "--rig",
        help="The rig file that the command uses and changes. Without this option, "
        "the command uses the recorded rig and writes nothing.",
    ),
]
Accept = Annotated[
    bool,
    typer.Option(
        "--accept", help="Write the result to the rig file even if the result is doubtful."
    ),
]
Dry = Annotated[
    bool,
    typer.Option("--dry-run", help="Print the result, but do not write it to the rig file."),
]


def announce(port: str, no_dashboard: bool, as_json: bool) -> None:
    """Print the name of the opened port, because the dashboard takes some time to load."""
    if wants_dashboard(no_dashboard, as_json):
        print(f"opening {plain(port)} …", file=sys.stderr, flush=True)


def drive(
    run: "Run", shots: int | None, no_dashboard: bool, as_json: bool, findings: Any = None
) -> None:
    """Show the dashboard if it is wanted and a terminal exists; else print the shots."""
    from chrono.reports.findings_text import Findings

    findings = findings or Findings()
    if wants_dashboard(no_dashboard, as_json):
        from chrono.dashboard.dashboard_app import show

        show(run, findings)
        if run.live:
            from chrono.commands.console_output import print_session_end

            print_session_end(run)
    else:
        from chrono.commands.console_output import print_shots

        print_shots(run, shots, as_json, findings)
    end(findings)


def wants_dashboard(no_dashboard: bool, as_json: bool) -> bool:
    """Return True if the user wants a dashboard and there is a terminal."""
    if no_dashboard or as_json:
        return False
    if os.environ.get("TEXTUAL_DRIVER"):  # a terminal in a browser has its own driver
        return True
    if os.environ.get("TERM") == "dumb":
        return False
    streams = (sys.stdin, sys.stdout, sys.stderr)
    return all(stream is not None and stream.isatty() for stream in streams)


def rig_of(path: Path | None) -> "Rig | None":
    """Read the rig file that the user named; return None if the user named no file."""
    if path is None:
        return None
    from chrono.rigs.rig_file import load_rig

    return load_rig(path)


def read_one(
    path: Path, rig: Path | None, clock_from_host: bool
) -> "tuple[LoadedRecording, Findings]":
    """Read a whole recording; return the recording and the problems of its data."""
    from chrono.reports.findings_text import Findings
    from chrono.session.recording_loader import read_recording

    recorded = read_recording(path, rig_of(rig), clock_from_host=clock_from_host)
    findings = Findings()
    findings.add(recorded)
    return recorded, findings


def speed_of(text: str, unit: str) -> float:
    """Convert a text to a speed [m/s]; `unit` is the unit of a number without a unit."""
    from chrono.units import parse_quantity, with_unit

    speed_mps = parse_quantity(with_unit(text, unit), "m/s", "--speed")
    if not 0.01 <= speed_mps <= 20_000:
        raise OptionError(
            f"a launched body cannot have this speed: {speed_mps:g} m/s",
            where="--speed",
            hint="give a speed from 0.01 m/s to 20 km/s",
        )
    return speed_mps


def part_of(text: str) -> float:
    """Convert a text with a unit, such as ``"0.5 %"``, to a ratio."""
    from chrono.units import parse_quantity

    if text.strip().replace(".", "", 1).isdigit():
        raise OptionError(
            f"the value has no unit, so it may be a ratio or a percentage: {text.strip()}",
            where="--within",
            hint=f'write the value with its unit, such as "{text.strip()} %"',
        )
    return parse_quantity(text, "", "--within")


def end(findings: Any) -> None:
    """Print the problems of the measured data; if there are any, end with exit code 1."""
    for line in findings.lines:
        told = "\n".join(map(plain, line.split("\n")))
        print(f"chrono: {told}", file=sys.stderr)
    if findings.lines:
        raise typer.Exit(1)


def print_json(data: Any) -> None:
    """Print a Python object as JSON. The printed object must not contain the number NaN."""
    print(json.dumps(data, indent=1, allow_nan=False))
