"""Recordings as a page to read, to print and to keep."""

import sys
from pathlib import Path
from typing import Annotated

import typer

from chrono.commands.common import HostClock, OtherRig, end, rig_of
from chrono.commands.many import Many, Recordings, SkipBad, all_of, files_meant
from chrono.plain import plain

MOST_RECORDINGS = 50
"""More make a page that nobody reads, and the comparison of their setups none at all."""


def report(
    files: Recordings,
    output: Annotated[
        Path, typer.Option("-o", "--output", help="OUT.html or OUT.pdf; it must not exist.")
    ],
    rig: OtherRig = None,
    clock_from_host: HostClock = False,
    skip_bad: SkipBad = False,
) -> None:
    """Write a page on recordings: what was done, how sure it is, what was set aside."""
    from chrono.reports.findings_text import Findings
    from chrono.reports.newfile import write_new
    from chrono.reports.pages.paper import check_page, page_bytes
    from chrono.reports.picture import need_matplotlib
    from chrono.reports.report import report_page
    from chrono.season.tasks import Reading
    from chrono.session.reported import report_of

    ending = check_page(output)
    need_matplotlib()  # its lack is told before any reading
    hint = "name fewer, or see them with `chrono list`"
    sources = files_meant(files, MOST_RECORDINGS, "a page", hint)
    findings, task = Findings(), Reading(rig_of(rig), clock_from_host).read
    recordings = all_of(sources, task, Many(jobs=1, skip_bad=skip_bad), findings)
    html = report_page(
        report_of(recordings, rig.name if rig else ""), for_paper=ending == ".pdf"
    )
    write_new(output, page_bytes(html, ending))
    print(f"{plain(str(output))} written", file=sys.stderr)
    end(findings)
