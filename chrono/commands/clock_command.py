"""The commands `clock` and `replay`: measure new shots, and show recorded shots again."""

from pathlib import Path
from typing import Annotated, TypedDict

import typer

from chrono.commands.command_options import (
    AsJson,
    Baud,
    HostClock,
    LiveHostClock,
    NoDashboard,
    OtherRig,
    RecordingFile,
    RecordTo,
    Resumed,
    SetupName,
    ShotLimit,
    Spare,
    announce,
    drive,
    end,
    rig_of,
    wants_dashboard,
)

Pace = Annotated[
    float | None,
    typer.Option(
        min=0.01,
        max=1000.0,
        help="Speed of the replay. 1 is as fast as the recorded session, and 2 is "
        "twice as fast.",
    ),
]
Follow = Annotated[
    bool,
    typer.Option(
        "--follow",
        help="Show all recorded shots, then show each new shot that another program "
        "adds to the recording.",
    ),
]


class ClockOptions(TypedDict):
    """The options that apply to new recordings and to resumed recordings."""

    setup: str
    baud: int
    clock_from_host: bool
    spare: Path
    shots: int | None


def clock(
    port: Annotated[
        str,
        typer.Argument(
            help="The board's port, such as /dev/ttyUSB0, COM3, socket://… or virtual://…"
        ),
    ],
    rig: Annotated[
        Path | None,
        typer.Option(help="The rig file of your gates. A virtual board needs no rig file."),
    ] = None,
    recording: RecordTo = None,
    resume: Resumed = None,
    *,
    spare: Spare,
    no_dashboard: NoDashboard = False,
    shots: ShotLimit = None,
    setup: SetupName = "",
    baud: Baud = 250_000,
    clock_from_host: LiveHostClock = False,
    as_json: AsJson = False,
) -> None:
    """Measure shots live, and record all data that the board sends."""
    announce(port, no_dashboard, as_json)
    from chrono.commands.console_output import default_recording
    from chrono.session.live_run import live_run, resumed_run

    if resume is not None and recording is not None:
        raise typer.BadParameter("give --recording or --resume, not both")
    how: ClockOptions = {
        "setup": setup,
        "baud": baud,
        "clock_from_host": clock_from_host,
        "spare": spare,
        "shots": shots,
    }
    if resume is not None:
        drive(resumed_run(port, rig_of(rig), resume, **how), shots, no_dashboard, as_json)
        return
    run = live_run(port, rig_of(rig), recording or default_recording(), **how)
    drive(run, shots, no_dashboard, as_json)


def replay(
    file: RecordingFile,
    pace: Pace = None,
    at_once: Annotated[
        bool,
        typer.Option(
            "--at-once", help="Show all shots immediately, without the recorded pauses."
        ),
    ] = False,
    follow: Follow = False,
    rig: OtherRig = None,
    clock_from_host: HostClock = False,
    edit: Annotated[
        bool, typer.Option("--edit", help="Save your marks and notes in the recording.")
    ] = False,
    no_dashboard: NoDashboard = False,
    as_json: AsJson = False,
) -> None:
    """
    Show the shots of a recording again, as in the live session.

    The command adds marks and notes to the file only if you agree. The command never changes
    a recorded row.
    """
    if follow:
        if at_once or pace is not None or clock_from_host or edit:
            raise typer.BadParameter(
                "--follow cannot be used together with --pace, --at-once, "
                "--clock-from-host or --edit: leave these options out"
            )
        _follow(file, rig, no_dashboard, as_json)
        return
    from chrono.reports.findings_text import Findings
    from chrono.session.recording_loader import read_recording
    from chrono.session.replay_run import replay_run

    if at_once and pace is not None:
        raise typer.BadParameter("give --pace or --at-once, not both")
    findings, shown_pace = Findings(), None if at_once else pace or 1.0
    if wants_dashboard(no_dashboard, as_json):
        from chrono.dashboard.dashboard_app import show_replay

        show_replay(file, rig_of(rig), shown_pace, findings, clock_from_host, edit=edit)
        end(findings)
        return
    if edit:
        raise typer.BadParameter("--edit works only in the dashboard")
    recorded = read_recording(file, rig_of(rig), clock_from_host=clock_from_host)
    findings.add(recorded)
    run = replay_run(file, recorded.session, shown_pace)
    drive(run, None, no_dashboard, as_json, findings)


def _follow(file: Path, rig: Path | None, no_dashboard: bool, as_json: bool) -> None:
    """Show all shots of a recording, then each new shot; only read the file."""
    from chrono.reports.findings_text import Findings
    from chrono.session.replay_run import follow_run

    if wants_dashboard(no_dashboard, as_json):
        from chrono.dashboard.dashboard_app import show_followed

        findings = Findings()
        show_followed(file, rig_of(rig), findings)
        end(findings)
        return
    drive(follow_run(file, rig_of(rig)), None, no_dashboard, as_json)
