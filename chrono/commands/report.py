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
        Path, typer.Option("-o", "--output", help="OUT.html or OUT.pdf; it must not exist.")
    ],
    rig: OtherRig = None,
    clock_from_host: HostClock = False,
) -> None:
    """Write a page on recordings: what was done, how sure it is, what was set aside."""
    from chrono.reports.newfile import write_new
    from chrono.reports.pages.paper import check_page, page_bytes
    from chrono.reports.picture import need_matplotlib
    from chrono.reports.report import report_page
    from chrono.session.recorded import Findings, read_all
    from chrono.session.reported import report_of

    ending = check_page(output)
    need_matplotlib()  # its lack is told before any reading
    findings = Findings()
    recordings = list(read_all(files, rig_of(rig), findings, clock_from_host))
    html = report_page(
        report_of(recordings, rig.name if rig else ""), for_paper=ending == ".pdf"
    )
    write_new(output, page_bytes(html, ending))
    print(f"{plain(str(output))} written", file=sys.stderr)
    end(findings)
