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
    from chrono.reports.export import write_stream, write_table
    from chrono.session.recorded import Findings, read_all

    findings = Findings()
    sessions = (
        (r.name, r.session) for r in read_all(files, rig_of(rig), findings, clock_from_host)
    )
    if output:
        rows = write_table(sessions, output)
        print(f"{rows} shots written to {output}", file=sys.stderr)
    else:
        write_stream(sessions, sys.stdout.buffer, ".json" if as_json else ".csv")
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
