"""Shots of recordings as tables and statistics."""

import sys
from pathlib import Path
from typing import Annotated

import typer

from chrono.commands.common import (
    AsJson,
    HostClock,
    OtherRig,
    end,
    print_json,
    rig_of,
)
from chrono.commands.many import Jobs, Many, Recordings, SkipBad, each_of
from chrono.plain import plain


def _print_columns(wanted: bool) -> None:
    if wanted:
        from chrono.reports.columns import columns_text

        print(columns_text())
        raise typer.Exit


Output = Annotated[
    Path | None,
    typer.Option(
        "-o", "--output", help="OUT.csv, OUT.xlsx (spreadsheets), OUT.parquet or OUT.json."
    ),
]
DecimalComma = Annotated[
    bool, typer.Option("--decimal-comma", help="CSV with ; between cells and , in numbers.")
]
ColumnsOnly = Annotated[
    bool,
    typer.Option(
        "--columns",
        callback=_print_columns,
        is_eager=True,
        help="Say what the columns mean, and end.",
    ),
]


def export(
    files: Recordings,
    output: Output = None,
    rig: OtherRig = None,
    clock_from_host: HostClock = False,
    decimal_comma: DecimalComma = False,
    as_json: AsJson = False,
    skip_bad: SkipBad = False,
    jobs: Jobs = None,
    columns: ColumnsOnly = False,
) -> None:
    """Write the shots of recordings as a table, one row a shot."""
    from chrono.reports.files import WITH_STATISTICS, format_of, write_stream, write_table
    from chrono.season.tasks import Export
    from chrono.session.recorded import Findings

    target = output or Path("shots.json" if as_json else "shots.csv")
    writer, findings = format_of(target, decimal_comma), Findings()
    task = Export(rig_of(rig), clock_from_host, target.suffix.lower() in WITH_STATISTICS)
    with each_of(files, task, Many(jobs, skip_bad), findings) as tables:
        if output:
            rows = write_table(tables, output, decimal_comma)
        else:
            write_stream(tables, writer, sys.stdout.buffer)
    if output:
        print(f"{rows} shots written to {plain(str(output))}", file=sys.stderr)
    end(findings)


def summary(
    files: Recordings,
    rig: OtherRig = None,
    clock_from_host: HostClock = False,
    as_json: AsJson = False,
    skip_bad: SkipBad = False,
    jobs: Jobs = None,
) -> None:
    """Print the statistics of recordings, setup by setup."""
    from chrono.season.tasks import Summarize
    from chrono.session.recorded import Findings

    findings, task = Findings(), Summarize(rig_of(rig), clock_from_host)
    how, data = Many(jobs, skip_bad), []
    with each_of(files, task, how, findings, streaming=not as_json) as found:
        for each in found:
            if as_json:
                data.append(each.data)
            else:
                print(each.text)
    if as_json:
        print_json(data)
    end(findings)
