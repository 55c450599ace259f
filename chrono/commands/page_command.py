"""The commands `report`, `picture` and `worksheet`: write pages and pictures."""

import sys
from pathlib import Path
from typing import TYPE_CHECKING, Annotated

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

if TYPE_CHECKING:
    from chrono.reports.findings_text import Findings
    from chrono.reports.number_format import NumberFormat
    from chrono.teaching.worksheet import Worksheet

MOST_RECORDINGS = 50
"""Largest number of recordings on one page."""


def report(
    files: Recordings,
    output: Annotated[
        Path,
        typer.Option(
            "-o",
            "--output",
            help="Write the page to the new file OUT.html or OUT.pdf. The file must not "
            "exist yet.",
        ),
    ],
    rig: OtherRig = None,
    clock_from_host: HostClock = False,
    rigs: Rigs = None,
    skip_bad: SkipBad = False,
) -> None:
    """Write a page with all results, for a phone or for paper."""
    from chrono.reports.atomic_file import write_new
    from chrono.reports.findings_text import Findings
    from chrono.reports.page_files import check_page, page_bytes
    from chrono.reports.report_page import report_page
    from chrono.reports.speed_picture import need_matplotlib
    from chrono.season.batch_tasks import ReadingOptions
    from chrono.session.report_content import report_of

    ending = check_page(output)
    need_matplotlib()  # report a missing library before reading the files
    hint = "give fewer recordings, or use `chrono list` to list all recordings"
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
        Path,
        typer.Option(
            "-o",
            "--output",
            help="Write the picture to the new file OUT.svg or OUT.png. The file must not "
            "exist yet.",
        ),
    ],
    rig: OtherRig = None,
    clock_from_host: HostClock = False,
) -> None:
    """Draw each shot's speed with its ±, and the mean of each setup."""
    from chrono.reports.atomic_file import check_new, write_new
    from chrono.reports.speed_picture import (
        ENDINGS,
        need_matplotlib,
        picture_file,
        picture_text,
    )
    from chrono.session.report_content import plotted_speeds

    ending = check_new(output, ENDINGS)
    need_matplotlib()  # report a missing library before reading the file
    (source,) = files_meant(files, 1, "a picture", "name only one recording")
    recorded, findings = read_one(Path(source.where), rig, clock_from_host)
    plotted = plotted_speeds(recorded)
    write_new(output, picture_file(plotted, ending))
    print(f"{plain(str(output))} written. {picture_text(plotted)}", file=sys.stderr)
    end(findings)


Units = Annotated[
    str, typer.Option(help='Units of speed, length and time, such as "km/h, cm, s".')
]
Comma = Annotated[
    bool,
    typer.Option("--decimal-comma", help="Write decimal numbers with a comma, such as 1,5."),
]


def worksheet(
    file: RecordingFile,
    output: Annotated[
        Path | None,
        typer.Option(
            "-o",
            "--output",
            help="Write the page to the new file OUT.html or OUT.pdf. The file must not "
            "exist yet.",
        ),
    ] = None,
    mark: Annotated[
        Path | None,
        typer.Option(
            help="File with the pupils' answers. The command checks the answers and writes "
            "no worksheet, so leave out -o. To type the answers, write - as the file name. "
            "Each line has a group, a quantity (t, v, mean, s, high, low, u or U) and a "
            "value, such as: 3 v 22.13",
        ),
    ] = None,
    key: Annotated[
        Path | None,
        typer.Option(
            help="Write the correct answers to the new file OUT.html or OUT.pdf.",
            show_default="in the worksheet's folder",
        ),
    ] = None,
    shots: Annotated[
        int, typer.Option(min=1, max=24, help="Number of shots for each group.")
    ] = 6,
    group: Annotated[
        int | None,
        typer.Option(
            min=1,
            max=99,
            help="Write only the worksheet of the group with this number.",
            show_default="1",
        ),
    ] = None,
    groups: Annotated[
        int | None,
        typer.Option(
            min=1,
            max=99,
            help="Number of groups. The command writes a worksheet for each group.",
        ),
    ] = None,
    units: Units = "",
    decimal_comma: Comma = False,
    rig: OtherRig = None,
    clock_from_host: HostClock = False,
) -> None:
    """Write a worksheet about real shots, or mark pupils' answers."""
    from chrono.reports.atomic_file import write_new_together
    from chrono.reports.number_format import number_format_of
    from chrono.reports.page_files import check_page, page_bytes
    from chrono.reports.worksheet_page import key_page, sheet_page
    from chrono.teaching.worksheet import worksheet_of

    wanted = _wanted(group, groups)
    if mark is not None and (output or key):
        raise OptionError(
            "--mark only checks answers and cannot write a worksheet",
            where="--mark",
            hint="leave out -o and --key",
        )
    if mark is not None:
        lines = _answer_lines(mark)
        number_format_of(units, "m/s", decimal_comma)
        recorded, findings = read_one(file, rig, clock_from_host)
        found = worksheet_of(recorded, shots, wanted)
        figures = number_format_of(units, found.rig.speed_unit, decimal_comma)
        _print_marking(lines, mark, found, figures, findings)
        end(findings)
        return
    if output is None:
        raise OptionError(
            "the file name of the worksheet is missing",
            where="-o",
            hint="give the name of the new file, such as -o sheet.html; to mark pupils' "
            "answers, use --mark",
        )
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


def _answer_lines(path: Path) -> list[str]:
    """Return the answers as lines: from a file, or as the user types them."""
    if path == Path("-"):
        print(
            "Type one line for each answer: the group, the quantity and the value, "
            "such as 3 v 22.13. Press Ctrl+D to end.",
            file=sys.stderr,
        )
        if sys.stdin is None:
            return []
        return sys.stdin.readlines()
    try:
        return path.read_text("utf-8", "replace").splitlines()
    except OSError as error:
        raise OptionError(
            f"{plain(str(path))} cannot be read: {error.strerror}",
            where="--mark",
            hint="give the name of a file with one answer in each line, or use - to type "
            "the answers",
        ) from error


def _print_marking(
    lines: list[str],
    path: Path,
    found: "Worksheet",
    figures: "NumberFormat",
    findings: "Findings",
) -> None:
    from chrono.reports.number_format import TIMES
    from chrono.reports.worksheet_page import marking_lines
    from chrono.teaching.worksheet_marking import mark_answers
    from chrono.units import SPEED_UNITS

    units = SPEED_UNITS[figures.speed], TIMES[figures.time]
    marking = mark_answers(lines, found.tasks, *units)
    findings.lines += [
        f"{plain(str(path))}:{number}: this line is skipped: {why}"
        for number, why in marking.left_out
    ]
    print("\n".join(marking_lines(marking, figures)))


def _key_of(output: Path, key: Path | None) -> Path:
    """Return the path of the correct answers; the default file is next to the worksheet."""
    answers = key or output.with_name(f"{output.stem}-key{output.suffix}")
    if output.resolve() == answers.resolve():
        raise OptionError(
            "the worksheet and the correct answers have the same file name",
            where="--key",
            hint="write another file name after --key",
        )
    return answers


def _wanted(group: int | None, groups: int | None) -> range:
    """Return the numbers of the groups of pupils that get a worksheet."""
    if group and groups:
        raise OptionError(
            "--group and --groups cannot be used together",
            where="--groups",
            hint="leave out --group or --groups",
        )
    return range(1, groups + 1) if groups else range(group or 1, (group or 1) + 1)
