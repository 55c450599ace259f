"""The commands `lab` and `guesses`: open the error lab, and list a school class's guesses."""

import sys
from enum import StrEnum
from pathlib import Path
from typing import TYPE_CHECKING, Annotated, Any

import typer

from chrono.commands.command_options import (
    AsJson,
    OtherRig,
    end,
    print_json,
    rig_of,
    speed_of,
    wants_dashboard,
)
from chrono.errors import ChronoError, OptionError

if TYPE_CHECKING:
    from chrono.reports.findings_text import Findings
    from chrono.teaching.error_lab import LabStart, LabView
    from chrono.teaching.guesses import Guess
    from chrono.teaching.lab_bench import Bench


class EdgesOption(StrEnum):
    """The edges (leading, trailing or both) that the program uses to measure a transit."""

    BOTH = "both"
    LEADING = "leading"
    TRAILING = "trailing"


_LIMITS = {
    "spacing": ("spacing_m", "m", 0.01, 10.0, "from 10 mm to 10 m"),
    "tick": ("tick_s", "s", 1e-9, 1e-3, "from 1 ns to 1 ms"),
    "jitter": ("jitter_s", "s", 0.0, 1e-3, "from 0 to 1 ms"),
    "clock": ("clock_tolerance", "", 0.0, 0.2, "from 0 to 20 %"),
    "trip": ("trip_m", "m", 0.0, 0.01, "from 0 to 10 mm"),
    "spread": ("spread", "", 0.0, 0.2, "from 0 to 20 %"),
}
"""For each option: its setting, its unit, its smallest and largest value, and its range."""


def lab(
    file: Annotated[
        Path | None,
        typer.Argument(
            help="The lab uses the gates and shots of this recording.", readable=False
        ),
    ] = None,
    preset: Annotated[
        int | None,
        typer.Option(
            min=1,
            max=6,
            help="Number of the preset to start with. Each preset shows a different cause "
            "of large errors.",
        ),
    ] = None,
    speed: Annotated[
        str | None, typer.Option(help='Speed of the shots, such as "22 m/s".')
    ] = None,
    spacing: Annotated[
        str | None,
        typer.Option(help='Distance between the two gates (spacing), such as "100 mm".'),
    ] = None,
    tick: Annotated[
        str | None, typer.Option(help='Time of one step of the counter, such as "4 us".')
    ] = None,
    jitter: Annotated[
        str | None, typer.Option(help='Random error (jitter) of one timestamp, such as "2 us".')
    ] = None,
    clock: Annotated[
        str | None, typer.Option(help='Tolerance (±) of the counter\'s rate, such as "50 ppm".')
    ] = None,
    trip: Annotated[
        str | None,
        typer.Option(
            help='Tolerance (±) of the place where a gate detects the body, such as "0.2 mm".'
        ),
    ] = None,
    spread: Annotated[
        str | None,
        typer.Option(help='Scatter of the speeds from shot to shot, such as "2 %".'),
    ] = None,
    edges: Annotated[
        EdgesOption | None,
        typer.Option(help="The edges that the lab uses to measure the transit time."),
    ] = None,
    guess: Annotated[
        bool,
        typer.Option(
            "--guess", help="Ask you to estimate the ± of the speed before the lab shows it."
        ),
    ] = False,
    rig: OtherRig = None,
    no_dashboard: Annotated[
        bool,
        typer.Option(
            "--no-dashboard",
            help="Print all results as text instead of opening the lab's screen.",
        ),
    ] = False,
    as_json: AsJson = False,
) -> None:
    """
    Try out how timing, gates and clock cause errors.

    On a terminal, the command opens a screen. Without a terminal, the command prints all
    results once as text. Estimates are saved in a file in the recording's folder. Without a
    recording, the file is in the folder in which you start the program. `chrono guesses`
    lists all estimates.
    """
    from chrono.reports.findings_text import Findings, start_findings
    from chrono.teaching.error_lab import start_of

    start = start_of(file, rig_of(rig))
    findings = Findings(start_findings(start))
    options = {
        "spacing": spacing,
        "tick": tick,
        "jitter": jitter,
        "clock": clock,
        "trip": trip,
        "spread": spread,
    }
    unit = start.session.rig.speed_unit if start.session is not None else "m/s"
    speed_mps = speed_of(speed, unit) if speed is not None else None
    bench = _bench(start.bench, preset, speed_mps, options, edges)
    if wants_dashboard(no_dashboard, as_json):
        from chrono.dashboard.lab_screen import show_lab

        code = show_lab(start.with_bench(bench), hidden=guess)
        if code:
            raise typer.Exit(code)
    else:
        _print(start.with_bench(bench), guess, as_json, findings)
    end(findings)


def guesses(
    places: Annotated[
        list[Path],
        typer.Argument(
            help="Folders, recordings, or files that contain guesses.", show_default=False
        ),
    ],
    output: Annotated[
        Path | None,
        typer.Option(
            "-o",
            "--output",
            help="Write the list to the new file OUT.csv. The file must not exist yet.",
        ),
    ] = None,
    as_json: AsJson = False,
) -> None:
    """List each guess of a class together with the computed value."""
    from chrono.reports.atomic_file import check_new, write_new
    from chrono.reports.findings_text import Findings
    from chrono.reports.guess_text import (
        guesses_csv,
        guesses_data,
        guesses_text,
        unread_guess_lines,
    )
    from chrono.teaching.guesses import files_of, read_guesses

    if output is not None and as_json:
        raise OptionError(
            "--json and --output cannot be used together",
            where="--json",
            hint="leave out --json or --output",
        )
    if output is not None:
        check_new(output, (".csv",))
    findings = Findings()
    found = []
    for path in files_of(places):
        read, others = read_guesses(path)
        found += read
        findings.lines += unread_guess_lines(path, others)
    if as_json:
        print_json(guesses_data(found))
    elif output is None:
        print(guesses_text(found))
    else:
        write_new(output, guesses_csv(found).encode())
        print(
            f"the command wrote {len(found)} "
            f"{'guess' if len(found) == 1 else 'guesses'} to {output}",
            file=sys.stderr,
        )
    end(findings)


def _bench(
    bench: "Bench",
    preset: int | None,
    speed_mps: float | None,
    options: dict[str, str | None],
    edges: EdgesOption | None,
) -> "Bench":
    """Return the settings of the error lab, with the values that the user gave."""
    from chrono.processor.shot_records import EdgesUsed
    from chrono.teaching.lab_bench import PRESETS
    from chrono.teaching.what_if import PAIRS

    if preset is not None:
        bench = PRESETS[preset - 1].bench()
    values: dict[str, Any] = {}
    if speed_mps is not None:
        values["speed_mps"] = speed_mps
    for name, text in options.items():
        if text is not None:
            values[_LIMITS[name][0]] = _value(name, text)
    if edges is not None:
        values["edges"] = PAIRS.get(edges, EdgesUsed.BOTH)
    return bench.with_values(**values)


def _value(name: str, text: str) -> float:
    from chrono.units import parse_quantity

    _, unit, least, most, words = _LIMITS[name]
    value = parse_quantity(text, unit, f"--{name}")
    if not unit and text.strip()[-1:].isdigit() and value:
        raise OptionError(
            f"the value has no unit, so it may be a ratio or a percentage: {text.strip()}",
            where=f"--{name}",
            hint=f'write the value with its unit, such as "{text.strip()} %"',
        )
    if not least <= value <= most:
        raise OptionError(
            f"this value is outside the allowed range: {text.strip()}",
            where=f"--{name}",
            hint=f"give a value {words}",
        )
    return value


def _print(start: "LabStart", guess: bool, as_json: bool, findings: "Findings") -> None:
    from chrono.commands.output_streams import carries_braille
    from chrono.reports.lab_text import lab_data, lab_text
    from chrono.teaching.error_lab import look

    seen = look(start.bench)
    estimate = _asked(start, seen, findings) if guess else None
    if as_json:
        print_json(lab_data(seen))
    else:
        print(lab_text(seen, braille=carries_braille(), estimate=estimate))


def _line() -> str:
    """Read one line of standard input; return an empty text if there is no line."""
    if sys.stdin is None:
        return ""
    if hasattr(sys.stdin, "reconfigure"):
        sys.stdin.reconfigure(errors="replace")
    return sys.stdin.readline().strip()


def _asked(start: "LabStart", seen: "LabView", findings: "Findings") -> "Guess | None":
    """Ask the user for an estimate. Return None if the user types an empty line."""
    from chrono.reports.lab_text import setting_text
    from chrono.teaching.guesses import keep_guess, read_estimate

    speed = setting_text(start.bench, "speed_mps", start.bench.base.speed_unit)
    print(
        f'Estimate the ± (95 %) of the speed {speed}. Type a value such as "0.3 m/s" or "2 %":',
        file=sys.stderr,
    )
    text = _line()
    if not text:
        return None
    who, guess_mps = read_estimate(text, start.bench.speed_mps)
    estimate = start.estimate(seen, who, guess_mps, None)
    try:
        keep_guess(start.guesses, estimate)
    except ChronoError as problem:
        findings.lines.append(str(problem))
    return estimate
