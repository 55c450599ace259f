"""Recordings as a page to read, to print and to keep."""

import sys
from pathlib import Path
from typing import Annotated

import typer

from chrono.commands.common import HostClock, OtherRig, RecordingFiles, end, rig_of
from chrono.plain import plain


def report(
    files: RecordingFiles,
    output: Annotated[
        Path, typer.Option("-o", "--output", help="OUT.html; it must not exist.")
    ],
    rig: OtherRig = None,
    clock_from_host: HostClock = False,
) -> None:
    """Write a page on recordings: what was done, how sure it is, what was set aside."""
    from chrono.reports.newfile import check_new, write_new
    from chrono.reports.report import report_page
    from chrono.session.recorded import Findings, read_all
    from chrono.session.reported import report_of

    check_new(output, (".html",))
    findings = Findings()
    recordings = list(read_all(files, rig_of(rig), findings, clock_from_host))
    write_new(output, report_page(report_of(recordings)).encode())
    print(f"{plain(str(output))} written", file=sys.stderr)
    end(findings)
