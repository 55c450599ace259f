"""Shots of recordings as tables and statistics."""

import sys
from pathlib import Path
from typing import Annotated

import typer

from chrono.commands.common import (
    AsJson,
    HostClock,
    OtherRig,
    RecordingFiles,
    end,
    print_json,
    rig_of,
)


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
    files: RecordingFiles,
    output: Output = None,
    rig: OtherRig = None,
    clock_from_host: HostClock = False,
    decimal_comma: DecimalComma = False,
    as_json: AsJson = False,
    columns: ColumnsOnly = False,
) -> None:
    """Write the shots of recordings as a table, one row a shot."""
    from chrono.reports.export import shot_table
    from chrono.reports.files import WITH_STATISTICS, format_of, write_stream, write_table
    from chrono.session.recorded import Findings, read_all

    target = output or Path("shots.json" if as_json else "shots.csv")
    writer, findings = format_of(target, decimal_comma), Findings()
    with_statistics = target.suffix.lower() in WITH_STATISTICS
    tables = (
        shot_table(r.session, r.name, with_statistics)
        for r in read_all(files, rig_of(rig), findings, clock_from_host)
    )
    if output:
        rows = write_table(tables, output, decimal_comma)
        print(f"{rows} shots written to {output}", file=sys.stderr)
    else:
        write_stream(tables, writer, sys.stdout.buffer)
    end(findings)


def summary(
    files: RecordingFiles,
    rig: OtherRig = None,
    clock_from_host: HostClock = False,
    as_json: AsJson = False,
) -> None:
    """Print the statistics of recordings, setup by setup."""
    from chrono.reports.summary import summary_data, summary_text
    from chrono.session.recorded import Findings, read_all
    from chrono.session.summary import summary_of

    findings = Findings()
    data = []
    for recorded in read_all(files, rig_of(rig), findings, clock_from_host):
        found = summary_of(recorded)
        if as_json:
            data.append(summary_data(found))
        else:
            print(summary_text(found))
    if as_json:
        print_json(data)
    end(findings)
