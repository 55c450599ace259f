"""The commands: each calls one function, and loads what it needs only when it runs."""

import json
import sys
from pathlib import Path
from typing import TYPE_CHECKING, Annotated, Any, NoReturn

import typer

from chrono import __version__
from chrono.errors import ChronoError, OptionError

if TYPE_CHECKING:
    from chrono.rig import Rig
    from chrono.run import Run

app = typer.Typer(
    name="chrono",
    help="Speed of a launched body from two light gates, with an honest uncertainty.",
    no_args_is_help=True,
    add_completion=False,
    rich_markup_mode=None,
    pretty_exceptions_enable=False,
)
rig_app = typer.Typer(
    help="Write and check a rig file.", no_args_is_help=True, rich_markup_mode=None
)
app.add_typer(rig_app, name="rig")
calibrate_app = typer.Typer(
    help="Measure what the rig file only states, and write it there.",
    no_args_is_help=True,
    rich_markup_mode=None,
)
app.add_typer(calibrate_app, name="calibrate")

# typer brings a click of its own, whose errors it does not all name.
_USAGE_ERROR: Any = next(
    c for c in typer.BadParameter.__mro__ if c.__name__ == "ClickException"
)

# Whether a file can be read is told by our own words, which say what to do.
RecordingFile = Annotated[
    Path, typer.Argument(help="A recording.", show_default=False, readable=False)
]
RecordingFiles = Annotated[
    list[Path], typer.Argument(help="Recordings.", show_default=False, readable=False)
]
AsJson = Annotated[bool, typer.Option("--json", help="Print JSON.")]
OtherRig = Annotated[
    Path | None, typer.Option("--rig", help="Measure with this rig, not the recorded one.")
]
HostClock = Annotated[
    bool, typer.Option("--clock-from-host", help="Take the counter's rate from its beats.")
]
LiveHostClock = Annotated[
    bool,
    typer.Option(
        "--clock-from-host",
        help="Take the counter's rate from its beats once they tell it, after a minute or so. "
        "Shots are then measured again; one that was printed before may differ from its "
        "row in the export, which uses what all beats say.",
    ),
]
NoDashboard = Annotated[
    bool, typer.Option("--no-dashboard", help="Print a line a shot instead of the dashboard.")
]
ShotLimit = Annotated[
    int | None, typer.Option("--shots", min=1, help="Stop after this many shots.")
]
RecordTo = Annotated[
    Path | None, typer.Option("--recording", help="File to record to; it must not exist.")
]
SetupName = Annotated[str, typer.Option("--setup", help="Name of the first setup.")]
Speed = Annotated[str, typer.Option("--speed", help='Such as "45 m/s".', show_default=False)]
Baud = Annotated[int, typer.Option(min=300, help="As the firmware was built.")]
RigToWrite = Annotated[
    Path | None,
    typer.Option(
        "--rig",
        help="The rig file to measure with and to put the result in; without it the recorded "
        "rig is used and nothing is written.",
    ),
]
Accept = Annotated[
    bool, typer.Option("--accept", help="Write the result even if it is in doubt.")
]
Dry = Annotated[bool, typer.Option("--dry-run", help="Print the result, write nothing.")]


def main() -> None:
    """Run the command line: one line for what the user can put right, and exit code 2."""
    try:
        code = app(standalone_mode=False)
    except ChronoError as error:
        _fail(*(str(problem) for problem in getattr(error, "problems", (error,))))
    except typer.Exit as done:
        code = done.exit_code
    except (typer.Abort, KeyboardInterrupt):
        code = 130
    except _USAGE_ERROR as error:
        _fail(_usage_text(error))
    except BrokenPipeError:
        sys.stderr.close()
        code = 1
    raise SystemExit(code or 0)


def _fail(*messages: str) -> NoReturn:
    for message in messages:
        print(f"chrono: error: {message}", file=sys.stderr)
    raise SystemExit(2)


def _usage_text(error: Any) -> str:
    message: str = error.format_message()
    if message.startswith("Usage:"):
        message = "a command is missing"
    where = error.ctx.command_path if error.ctx else "chrono"
    return f"{message}\n  do: see {where} --help"


def _print_version(wanted: bool) -> None:
    if wanted:
        print(f"chrono-gates {__version__}")
        raise typer.Exit


@app.callback()
def _common(
    version: Annotated[
        bool,
        typer.Option(
            "--version", callback=_print_version, is_eager=True, help="Print the version."
        ),
    ] = False,
) -> None:
    """Take the options that stand before any command."""


@app.command()
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
    from chrono.run import live_run

    port = f"virtual://{scenario}?seed={seed}&speedup={speedup:g}"
    if shots:
        port += f"&shots={shots}"
    _drive(live_run(port, None, recording), shots, no_dashboard, as_json)


@app.command()
def clock(
    port: Annotated[str, typer.Argument(help="/dev/ttyUSB0, COM3, socket://…, virtual://…")],
    rig: Annotated[
        Path | None, typer.Option(help="The rig file; a virtual board brings its own.")
    ] = None,
    recording: RecordTo = None,
    no_dashboard: NoDashboard = False,
    shots: ShotLimit = None,
    setup: SetupName = "",
    baud: Baud = 250_000,
    clock_from_host: LiveHostClock = False,
    as_json: AsJson = False,
) -> None:
    """Clock shots from a board, recording everything it says."""
    from chrono.console import default_recording
    from chrono.run import live_run

    target = recording or default_recording()
    run = live_run(
        port, _rig(rig), target, setup=setup, baud=baud, clock_from_host=clock_from_host
    )
    _drive(run, shots, no_dashboard, as_json)


@app.command()
def replay(
    file: RecordingFile,
    pace: Annotated[
        float | None, typer.Option(min=0.01, max=1000.0, help="1 is as it was.")
    ] = None,
    at_once: Annotated[bool, typer.Option("--at-once", help="All shots at once.")] = False,
    rig: OtherRig = None,
    clock_from_host: HostClock = False,
    no_dashboard: NoDashboard = False,
    as_json: AsJson = False,
) -> None:
    """Show a recording again, through the code that showed it live."""
    from chrono.recorded import Findings, read_recording
    from chrono.run import replay_run

    if at_once and pace is not None:
        raise typer.BadParameter("give --pace or --at-once, not both")
    findings, shown_pace = Findings(), None if at_once else pace or 1.0
    if _wants_dashboard(no_dashboard, as_json):
        from chrono.dashboard.app import show_replay

        show_replay(file, _rig(rig), shown_pace, findings, clock_from_host)
        _end(findings)
        return
    recorded = read_recording(file, _rig(rig), clock_from_host=clock_from_host)
    findings.add(recorded)
    run = replay_run(file, recorded.session, shown_pace)
    _drive(run, None, no_dashboard, as_json, findings)


@app.command()
def export(
    files: RecordingFiles,
    output: Annotated[
        Path | None, typer.Option("-o", "--output", help="OUT.csv, OUT.parquet or OUT.json.")
    ] = None,
    rig: OtherRig = None,
    clock_from_host: HostClock = False,
    as_json: AsJson = False,
) -> None:
    """Write the shots of recordings as a table, one row a shot."""
    from chrono.export import write_stream, write_table
    from chrono.recorded import Findings, read_all

    findings = Findings()
    sessions = (
        (r.name, r.session) for r in read_all(files, _rig(rig), findings, clock_from_host)
    )
    if output:
        rows = write_table(sessions, output)
        print(f"{rows} shots written to {output}", file=sys.stderr)
    else:
        write_stream(sessions, sys.stdout.buffer, ".json" if as_json else ".csv")
    _end(findings)


@app.command()
def summary(
    files: RecordingFiles,
    rig: OtherRig = None,
    clock_from_host: HostClock = False,
    as_json: AsJson = False,
) -> None:
    """Print the statistics of recordings, setup by setup."""
    from chrono.recorded import Findings, read_all
    from chrono.summary import summary_data, summary_text

    findings = Findings()
    data = []
    for recorded in read_all(files, _rig(rig), findings, clock_from_host):
        if as_json:
            data.append(summary_data(recorded))
        else:
            print(summary_text(recorded))
    if as_json:
        _print_json(data)
    _end(findings)


@app.command()
def boards(as_json: AsJson = False) -> None:
    """List the serial ports of this machine and the virtual boards."""
    from chrono.reader.port import ports_here
    from chrono.reader.scenarios import SCENARIOS

    ports = [{"port": port, "description": text} for port, text in ports_here()]
    ports += [
        {"port": f"virtual://{name}", "description": scenario.summary}
        for name, scenario in SCENARIOS.items()
    ]
    if as_json:
        _print_json(ports)
        return
    for row in ports:
        print(f"{row['port']:<28}  {row['description']}")


@app.command()
def budget(
    rig: Annotated[Path, typer.Option(help="The rig file.", show_default=False)],
    speed: Speed,
    as_json: AsJson = False,
) -> None:
    """
    Show what the uncertainty of a speed is made of.

    Every input stands with what the rig states of it and how its error is spread: rectangular
    (anywhere within ±, alike), normal (by its standard uncertainty u), tilt (any angle up to
    the limit), triangular and two-pair (the step of the counter in a transit, and in the mean
    of two). U95 is the half-width that holds 95 %.
    """
    from chrono.budget_report import budget_data, budget_text
    from chrono.rig import load_rig

    speed_mps = _speed_mps(speed)
    if as_json:
        _print_json(budget_data(load_rig(rig), speed_mps))
    else:
        print(budget_text(load_rig(rig), speed_mps))


@app.command()
def plan(
    speed: Speed,
    within: Annotated[
        str,
        typer.Option(help='Wanted U95 over the speed, such as "0.5 %".', show_default=False),
    ],
    rig: Annotated[
        Path | None, typer.Option(help="Judge this rig, not the default one.")
    ] = None,
    as_json: AsJson = False,
) -> None:
    """
    Show which gates, ticks and clocks reach a wanted error.

    The error is U95 over the speed. What the table does not vary is as in the rig.
    """
    from chrono.plan_report import plan_data, plan_text
    from chrono.rig import default_rig

    chosen = _rig(rig) or default_rig()
    speed_mps, part = _speed_mps(speed), _part(within)
    if as_json:
        _print_json(plan_data(chosen, speed_mps, part))
    else:
        print(plan_text(chosen, speed_mps, part))


@app.command()
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
    from dataclasses import asdict

    from chrono.check import check_port, check_recording
    from chrono.processor.health import health_lines

    path = Path(target)
    if path.is_file() or path.is_dir() or path.suffix == ".tsv":
        health = check_recording(path, _rig(rig))
    else:
        print(f"watching {target} for {seconds:g} s", file=sys.stderr)
        health = check_port(target, _rig(rig), seconds, baud)
    if as_json:
        _print_json({"ready": health.ready, "verdict": health.verdict, **asdict(health)})
    else:
        print("\n".join(health_lines(health)))
    if not health.ready:
        raise typer.Exit(1)


@calibrate_app.command("clock")
def calibrate_clock(recording: RecordingFile, rig: RigToWrite = None, dry: Dry = False) -> None:
    """
    Find the counter's rate from the beats of a recording.

    Ten minutes with the board connected are enough, longer is better; shots do not matter.
    The computer's clock should be kept by a time service.
    """
    from chrono import calibrate

    _calibrated(calibrate.calibrate_clock(recording, _rig(rig)), rig, dry)


@calibrate_app.command("swap")
def calibrate_swap(
    before: Annotated[
        Path, typer.Argument(help="Recording of the shots before.", show_default=False)
    ],
    after: Annotated[
        Path,
        typer.Argument(help="Of those after; may be the same file.", show_default=False),
    ],
    rig: RigToWrite = None,
    before_setup: Annotated[
        str | None, typer.Option(help="Only the shots of this setup before.")
    ] = None,
    after_setup: Annotated[
        str | None, typer.Option(help="Only the shots of this setup after.")
    ] = None,
    left_exchanged: Annotated[
        bool,
        typer.Option(
            "--left-exchanged", help="The sensors stay exchanged, they are not put back."
        ),
    ] = False,
    slits_moved: Annotated[
        bool,
        typer.Option(
            "--slits-moved", help="The slits moved with the sensors: widens the result."
        ),
    ] = False,
    accept: Accept = False,
    dry: Dry = False,
) -> None:
    """
    Find the difference of the gates' delays by exchanging the sensors.

    Take ten shots or more, exchange the two sensors and leave slits and lamps in place, take
    as many again by the same launching, then put the sensors back. To try it without gates
    record virtual://swap-before and virtual://swap-after.
    """
    from chrono import calibrate

    result = calibrate.calibrate_swap(
        before,
        after,
        _rig(rig),
        setup_before=before_setup,
        setup_after=after_setup,
        left_exchanged=left_exchanged,
        slits_moved=slits_moved,
    )
    _calibrated(result, rig, dry, accept)


@calibrate_app.command("drop")
def calibrate_drop(
    recording: RecordingFile,
    height: Annotated[
        str,
        typer.Option(
            help="From gate A's beam up to the lower edge of the ball before its release, "
            'such as "500 mm".',
            show_default=False,
        ),
    ],
    height_tolerance: Annotated[str, typer.Option(help="± half-width of it.")] = "1 mm",
    setup: Annotated[str | None, typer.Option(help="Only the shots of this setup.")] = None,
    rig: RigToWrite = None,
    accept: Accept = False,
    dry: Dry = False,
) -> None:
    """
    Find the effective spacing from balls dropped through the gates.

    Stand the gates one above the other along a plumb line, gate A on top, and drop a heavy
    ball from rest ten times from the same height. The rig's body must be that ball. To try
    it without gates record virtual://drop-test, a fall from 500 mm.
    """
    from chrono import calibrate
    from chrono.units import parse_quantity

    height_m = parse_quantity(height, "m", "--height")
    tolerance_m = parse_quantity(height_tolerance, "m", "--height-tolerance")
    result = calibrate.calibrate_drop(recording, _rig(rig), height_m, tolerance_m, setup=setup)
    _calibrated(result, rig, dry, accept)


def _calibrated(result: Any, rig: Path | None, dry: bool, accept: bool = False) -> None:
    """Print a calibration's result and put it into the rig file, unless it is in doubt."""
    print("\n".join(result.lines))
    if result.doubt and not accept:
        print(f"nothing written: {result.doubt}; --accept writes it", file=sys.stderr)
        raise typer.Exit(1)
    if rig is None or dry:
        reason = "this is a dry run" if dry else "name the rig file with --rig"
        print(f"nothing written: {reason}", file=sys.stderr)
        return
    from chrono.calibrate import write_result

    copy = write_result(result, rig)
    print(f"{rig} now holds it; {copy.name} is what was there before", file=sys.stderr)


@rig_app.command("new")
def rig_new(
    file: Annotated[Path, typer.Argument(help="File to write; it must not exist.")],
    scenario: Annotated[
        str | None, typer.Option(help="Write the rig of this virtual board instead.")
    ] = None,
) -> None:
    """Write a rig file to fill in, every key with its meaning."""
    from chrono.reader.scenarios import parse_play, rig_text
    from chrono.rig import write_rig, write_starter

    if scenario is not None:
        write_rig(file, rig_text(parse_play(f"virtual://{scenario}").scenario))
        print(f"{file} written: what is stated of the virtual gates")
        return
    write_starter(file)
    print(f"{file} written: put in your own spacing, measured, and the rest as far as you know")


@rig_app.command("check")
def rig_check(file: Annotated[Path, typer.Argument()], as_json: AsJson = False) -> None:
    """Check a rig file and show what it says, defaults included."""
    from chrono.rig import load_rig, rig_record

    record = rig_record(load_rig(file))
    if as_json:
        _print_json(record)
        return
    print(f"{file}: a sound rig; its values in SI units:")
    for key, value in record.items():
        if isinstance(value, dict):
            print(f"[{key}]")
            for inner, number in value.items():
                _print_key(f"  {inner}", number)
        else:
            _print_key(key, value)


def _print_key(key: str, value: Any) -> None:
    if value is not None:
        print(f"{key:<22} {value:.7g}" if isinstance(value, float) else f"{key:<22} {value}")


def _drive(
    run: "Run", shots: int | None, no_dashboard: bool, as_json: bool, findings: Any = None
) -> None:
    """Run the dashboard where there is a terminal and it is wanted, else print the shots."""
    from chrono.recorded import Findings

    findings = findings or Findings()
    if _wants_dashboard(no_dashboard, as_json):
        from chrono.dashboard.app import show

        show(run, findings)
    else:
        from chrono.console import print_shots

        print_shots(run, shots, as_json, findings)
    _end(findings)


def _wants_dashboard(no_dashboard: bool, as_json: bool) -> bool:
    return not no_dashboard and not as_json and sys.stdout.isatty()


def _rig(path: Path | None) -> "Rig | None":
    if path is None:
        return None
    from chrono.rig import load_rig

    return load_rig(path)


def _speed_mps(text: str) -> float:
    from chrono.units import parse_quantity

    speed_mps = parse_quantity(text, "m/s", "--speed")
    if not 0.01 <= speed_mps <= 20_000:
        raise OptionError(
            f"{speed_mps:g} m/s is no speed of a launched body",
            where="--speed",
            hint="give a speed from 0.01 m/s to 20 km/s",
        )
    return speed_mps


def _part(text: str) -> float:
    from chrono.units import parse_quantity

    if text.strip().replace(".", "", 1).isdigit():
        raise OptionError(
            f"{text.strip()} may be a ratio or per cent",
            where="--within",
            hint=f'write it with its unit, such as "{text.strip()} %"',
        )
    return parse_quantity(text, "", "--within")


def _end(findings: Any) -> None:
    """Say on standard error what is wrong with the data, and exit 1 if anything is."""
    for line in findings.lines:
        print(f"chrono: {line}", file=sys.stderr)
    if findings.lines:
        raise typer.Exit(1)


def _print_json(data: Any) -> None:
    print(json.dumps(data, indent=1, allow_nan=False))
