"""The commands `boards` and `check`: find the board's port; check gates, link and clock."""

import sys
import time
from datetime import date
from pathlib import Path
from typing import TYPE_CHECKING, Annotated, Any, Literal

import typer

from chrono.commands.batch_options import BatchOptions, Cluster, Jobs, SkipBad, each_of, meant
from chrono.commands.command_options import AsJson, Baud, end, print_json, rig_of
from chrono.errors import OptionError
from chrono.safe_text import plain

if TYPE_CHECKING:
    from chrono.calibrating.pulses import PulseTest

WATCH_S = 0.1
"""Time between two checks of a watched port [s], and between two levels that a board sends."""

Targets = Annotated[
    list[str],
    typer.Argument(
        help="The board's port; or recordings, folders that contain recordings, "
        "or file name patterns.",
        show_default=False,
    ),
]

SelfTest = Annotated[
    bool,
    typer.Option(
        "--self-test",
        help="Test the board with pulses. Before the test, connect the board's pulse "
        "pin to its inputs.",
    ),
]
Light = Annotated[
    bool,
    typer.Option(
        "--light",
        help="Use this option with --self-test. The pulse pin then switches the "
        "emitters (the light sources of the gates). The test measures the "
        "difference between the delays of the two sensors, and writes this "
        "difference to the rig file.",
    ),
]


def boards(as_json: AsJson = False) -> None:
    """List the serial ports of this machine and the virtual boards."""
    from chrono.commands.demo_command import virtual_boards
    from chrono.reader.serial_ports import likely_boards, ports_here

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
        print(
            "no port looks like a board: plug in a board, or use a virtual board",
            file=sys.stderr,
        )
    elif len(likely) > 1:
        print(
            "to find the board's port, unplug the board and see which port disappears",
            file=sys.stderr,
        )


def _likelihood(likely: list[str]) -> str:
    return "most likely the board" if len(likely) == 1 else "may be the board"


def check(
    targets: Targets,
    rig: Annotated[Path | None, typer.Option(help="The rig file.")] = None,
    seconds: Annotated[
        float,
        typer.Option(
            min=1.0, max=3600.0, help="Number of seconds for which the program checks a port."
        ),
    ] = 10.0,
    baud: Baud = 250_000,
    watch: Annotated[
        bool,
        typer.Option(
            "--watch",
            help="Check the beams, the flicker of lamps, the link and the clock again and "
            "again, and show the results until you press a key. If the board "
            "measures the light at the sensors, show the light too.",
        ),
    ] = False,
    tone: Annotated[
        Literal["A", "B"] | None,
        typer.Option(
            help="Use this option with --watch: the terminal's bell then rings again and "
            "again. The bell rings faster if this gate receives more light.",
            show_default=False,
        ),
    ] = None,
    self_test: SelfTest = False,
    light: Light = False,
    as_json: AsJson = False,
    skip_bad: SkipBad = False,
    jobs: Jobs = None,
    cluster: Cluster = None,
) -> None:
    """Check the beams, the link and the clock, and look for flicker."""
    if watch:
        if self_test or light or as_json or len(targets) > 1:
            raise typer.BadParameter(
                "--watch works only with one port, and not together with --self-test, "
                "--light or --json: leave these options out"
            )
        _watch(targets[0], rig, baud, tone)
        return
    if tone:
        raise typer.BadParameter("--tone works only with --watch: add --watch")
    if self_test or light:
        if not self_test:
            raise OptionError(
                "--light works only with --self-test",
                where="--light",
                hint="add --self-test",
            )
        _self_test(targets, rig, light, seconds, baud, as_json)
        return
    from chrono.reports.readiness_text import health_data, health_text
    from chrono.season.recording_finder import may_be_recordings
    from chrono.session.readiness_check import check_port

    target = targets[0]
    if len(targets) > 1 or may_be_recordings(target):
        _check_recordings(targets, rig, BatchOptions(jobs, skip_bad, cluster), as_json)
        return
    print(f"checking the port {plain(target)} for {seconds:g} s", file=sys.stderr)
    health = check_port(target, rig_of(rig), seconds, baud)
    if as_json:
        print_json(health_data(health))
    else:
        print(health_text(health))
    if not health.ready:
        raise typer.Exit(1)


def _watch(port: str, rig: Path | None, baud: int, tone: Literal["A", "B"] | None) -> None:
    """Show the state of a port again and again until the user presses a key."""
    from rich.live import Live
    from rich.text import Text

    from chrono.commands.key_press import KeyPress
    from chrono.health.alignment import Tone
    from chrono.reports.readiness_text import alignment_lines, health_text
    from chrono.season.recording_finder import may_be_recordings
    from chrono.session.readiness_check import PortWatch

    if may_be_recordings(port):
        raise OptionError(
            "--watch works only with a port, not with a recording",
            where="--watch",
            hint="leave out --watch",
        )
    if not (sys.stdin.isatty() and sys.stdout.isatty()):
        raise OptionError(
            "watching needs a terminal", where="--watch", hint="leave out --watch"
        )
    print(f"checking the port {plain(port)}; press any key to end", file=sys.stderr)
    shown_s, sound = 0.0, Tone(tone or "")
    with PortWatch(port, rig_of(rig), baud) as watched, KeyPress() as key:
        with Live(auto_refresh=False) as screen:
            while not key.pressed():
                watched.step()
                if time.monotonic() >= shown_s + WATCH_S:
                    shown_s = time.monotonic()
                    beams = watched.align()
                    words = [*alignment_lines(beams), health_text(watched.judge())]
                    screen.update(Text("\n".join(words)), refresh=True)
                    if sound.is_due(beams, shown_s):
                        screen.console.bell()
        health = watched.judge()
    if not health.ready:
        raise typer.Exit(1)


def _check_recordings(
    targets: list[str], rig: Path | None, how: BatchOptions, as_json: bool
) -> None:
    """Print all results of one recording; print one line for each of several recordings."""
    sources = meant(targets, how)
    from chrono.reports.findings_text import Findings
    from chrono.reports.readiness_text import health_data, health_line, health_text
    from chrono.season.batch_tasks import Check
    from chrono.season.recording_finder import is_plainly_named

    findings, data, ready = Findings(), [], True
    alone = len(targets) == 1 and is_plainly_named(targets[0])
    with each_of(sources, Check(rig_of(rig)), how, findings, streaming=not as_json) as found:
        for each in found:
            ready = ready and each.health.ready
            data.append({"recording": each.name, **health_data(each.health)} if as_json else {})
            if not as_json:
                print(
                    health_text(each.health) if alone else health_line(each.name, each.health)
                )
    if as_json:
        print_json(data[0] if alone and data else data)
    end(findings)
    if not ready:
        raise typer.Exit(1)


def _self_test(
    targets: list[str],
    rig: Path | None,
    light: bool,
    seconds: float,
    baud: int,
    as_json: bool,
) -> None:
    """Start a board's self-test, print the result, and write it to the rig file if wanted."""
    from chrono.calibrating.pulse_lines import read_pulse_lines
    from chrono.calibrating.pulses import pulse_test
    from chrono.reports.self_test_text import pulse_data, pulse_doubt, pulse_report
    from chrono.season.recording_finder import may_be_recordings

    if len(targets) > 1 or may_be_recordings(targets[0]):
        raise OptionError(
            "a self-test works only with one port, not with recordings",
            where="--self-test",
            hint="name the board's port",
        )
    rig_of(rig)  # report a wrong rig file before the test
    print(
        f"testing the board at {plain(targets[0])}; the test of the board's clock "
        f"takes {seconds:g} s",
        file=sys.stderr,
    )
    test = pulse_test(*read_pulse_lines(targets[0], baud, seconds))
    doubt = pulse_doubt(test, light=light)
    if as_json:
        print_json(pulse_data(test, doubt))
    else:
        print("\n".join(pulse_report(test, light=light)))
    if doubt:
        print(f"nothing was written: {doubt}" if rig else doubt, file=sys.stderr)
        raise typer.Exit(1)
    if rig:
        _write(test, rig, light)


def _write(test: "PulseTest", rig: Path, light: bool) -> None:
    from chrono.calibrating.calibration import rig_changes
    from chrono.calibrating.pulses import delay_of
    from chrono.reports.self_test_text import pulse_evidence
    from chrono.rigs.rig_file import update_rig

    if not light:
        print(
            "nothing was written: only a test with --light measures the sensors",
            file=sys.stderr,
        )
        return
    day = date.today().isoformat()
    copy = update_rig(rig, rig_changes(delay_of(test), pulse_evidence(test), day))
    print(
        f"the result is now in {plain(str(rig))}; the old file was copied to "
        f"{plain(copy.name)}",
        file=sys.stderr,
    )
