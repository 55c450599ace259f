"""The commands `report`, `picture` and `worksheet`: recordings as pages and pictures."""

import sys
from pathlib import Path
from typing import Annotated

import typer

from chrono.commands.batch_options import (
    BatchOptions,
    Recordings,
    Rigs,
    SkipBad,
    all_of,
    files_meant,
    one_rig,
)
from chrono.commands.command_options import (
    HostClock,
    OtherRig,
    RecordingFile,
    end,
    read_one,
    rig_of,
)
from chrono.errors import OptionError
from chrono.safe_text import plain

MOST_RECORDINGS = 50
"""A page on more is too long to read, and their setups are too many to compare."""


def report(
    files: Recordings,
    output: Annotated[
        Path, typer.Option("-o", "--output", help="OUT.html or OUT.pdf; it must not exist.")
    ],
    rig: OtherRig = None,
    clock_from_host: HostClock = False,
    rigs: Rigs = None,
    skip_bad: SkipBad = False,
) -> None:
    """Write a page on recordings: what was done, how sure it is, what was set aside."""
    from chrono.reports.atomic_file import write_new
    from chrono.reports.findings_text import Findings
    from chrono.reports.page_files import check_page, page_bytes
    from chrono.reports.report_page import report_page
    from chrono.reports.speed_picture import need_matplotlib
    from chrono.season.batch_tasks import ReadingOptions
    from chrono.session.report_content import report_of

    ending = check_page(output)
    need_matplotlib()  # report that it is missing before reading the files
    hint = "name fewer, or see them with `chrono list`"
    sources = files_meant(files, MOST_RECORDINGS, "a page", hint)
    findings, task = Findings(), ReadingOptions(rig_of(rig), clock_from_host).read
    recordings = all_of(sources, task, BatchOptions(jobs=1, skip_bad=skip_bad), findings)
    html = report_page(
        report_of(recordings, rig.name if rig else "", one_rig(rigs)),
        for_paper=ending == ".pdf",
    )
    write_new(output, page_bytes(html, ending))
    print(f"{plain(str(output))} written", file=sys.stderr)
    end(findings)


def picture(
    files: Recordings,
    output: Annotated[
        Path, typer.Option("-o", "--output", help="OUT.svg or OUT.png; it must not exist.")
    ],
    rig: OtherRig = None,
    clock_from_host: HostClock = False,
) -> None:
    """Draw the speeds of a recording: every shot with its interval, every setup's mean."""
    from chrono.reports.atomic_file import check_new, write_new
    from chrono.reports.speed_picture import (
        ENDINGS,
        need_matplotlib,
        picture_file,
        picture_text,
    )
    from chrono.session.report_content import plotted_speeds

    ending = check_new(output, ENDINGS)
    need_matplotlib()  # report that it is missing before reading the file
    (source,) = files_meant(files, 1, "a picture", "name one")
    recorded, findings = read_one(Path(source.where), rig, clock_from_host)
    plotted = plotted_speeds(recorded)
    write_new(output, picture_file(plotted, ending))
    print(f"{plain(str(output))} written. {picture_text(plotted)}", file=sys.stderr)
    end(findings)


Units = Annotated[str, typer.Option(help='Of speed, length and time, such as "km/h, cm, s".')]
Comma = Annotated[bool, typer.Option("--decimal-comma", help="Write 1,5 for one and a half.")]


def worksheet(
    file: RecordingFile,
    output: Annotated[
        Path, typer.Option("-o", "--output", help="OUT.html or OUT.pdf; it must not exist.")
    ],
    key: Annotated[
        Path | None, typer.Option(help="The answers.", show_default="beside it")
    ] = None,
    shots: Annotated[int, typer.Option(min=1, max=24, help="Shots per group.")] = 6,
    group: Annotated[
        int | None, typer.Option(min=1, max=99, help="Only its sheet.", show_default="1")
    ] = None,
    groups: Annotated[
        int | None, typer.Option(min=1, max=99, help="Sheets for groups 1 to this one.")
    ] = None,
    units: Units = "",
    decimal_comma: Comma = False,
    rig: OtherRig = None,
    clock_from_host: HostClock = False,
) -> None:
    """Write a worksheet on real shots, with raw counter values, and its answer key."""
    from chrono.reports.atomic_file import write_new_together
    from chrono.reports.number_format import number_format_of
    from chrono.reports.page_files import check_page, page_bytes
    from chrono.reports.worksheet_page import key_page, sheet_page
    from chrono.teaching.worksheet import worksheet_of

    wanted = _wanted(group, groups)
    answers = _key_of(output, key)
    endings = [check_page(path) for path in (output, answers)]
    number_format_of(units, "m/s", decimal_comma)  # report wrong units before reading
    recorded, findings = read_one(file, rig, clock_from_host)
    found = worksheet_of(recorded, shots, wanted)
    figures = number_format_of(units, found.rig.speed_unit, decimal_comma)
    pages = (sheet_page(found, figures), key_page(found, figures))
    contents = map(page_bytes, pages, endings)
    write_new_together(dict(zip((output, answers), contents, strict=True)))
    print(plain(f"{output} and {answers} written"), file=sys.stderr)
    end(findings)


def _key_of(output: Path, key: Path | None) -> Path:
    """Return the file for the key: the named one, else one beside the sheet."""
    answers = key or output.with_name(f"{output.stem}-key{output.suffix}")
    if output.resolve() == answers.resolve():
        raise OptionError(
            "the sheet has the same name", where="--key", hint="give the key another name"
        )
    return answers


def _wanted(group: int | None, groups: int | None) -> range:
    """Return the numbers of the groups that get a sheet."""
    if group and groups:
        raise OptionError(
            "--group is given too", where="--groups", hint="give one of them, not both"
        )
    return range(1, groups + 1) if groups else range(group or 1, (group or 1) + 1)
