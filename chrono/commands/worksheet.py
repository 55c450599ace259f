"""A worksheet for a class from the shots of a recording, and its key."""

import sys
from pathlib import Path
from typing import Annotated

import typer

from chrono.commands.common import HostClock, OtherRig, RecordingFile, end, read_one
from chrono.errors import OptionError
from chrono.plain import plain

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
    shots: Annotated[int, typer.Option(min=1, max=24, help="Of each group.")] = 6,
    group: Annotated[
        int | None, typer.Option(min=1, max=99, help="Its sheet alone.", show_default="1")
    ] = None,
    groups: Annotated[
        int | None, typer.Option(min=1, max=99, help="Sheets of groups 1 to this one.")
    ] = None,
    units: Units = "",
    decimal_comma: Comma = False,
    rig: OtherRig = None,
    clock_from_host: HostClock = False,
) -> None:
    """Write a sheet of tasks on real shots, with raw counter values, and a key to it."""
    from chrono.reports.figures import figures_of
    from chrono.reports.newfile import write_new_together
    from chrono.reports.pages.paper import check_page, page_bytes
    from chrono.reports.worksheet import key_page, sheet_page
    from chrono.teaching.worksheet import worksheet_of

    wanted = _wanted(group, groups)
    answers = _key_of(output, key)
    endings = [check_page(path) for path in (output, answers)]
    figures_of(units, "m/s", decimal_comma)  # wrong units are told before any reading
    recorded, findings = read_one(file, rig, clock_from_host)
    found = worksheet_of(recorded, shots, wanted)
    figures = figures_of(units, found.rig.speed_unit, decimal_comma)
    pages = (sheet_page(found, figures), key_page(found, figures))
    contents = map(page_bytes, pages, endings)
    write_new_together(dict(zip((output, answers), contents, strict=True)))
    print(plain(f"{output} and {answers} written"), file=sys.stderr)
    end(findings)


def _key_of(output: Path, key: Path | None) -> Path:
    """Return the key's file: the one that is named, else one beside the sheet."""
    answers = key or output.with_name(f"{output.stem}-key{output.suffix}")
    if output.resolve() == answers.resolve():
        raise OptionError(
            "is the sheet itself", where="--key", hint="give the key a name of its own"
        )
    return answers


def _wanted(group: int | None, groups: int | None) -> range:
    """Return the numbers of the groups that get a sheet."""
    if group and groups:
        raise OptionError(
            "stands beside --group", where="--groups", hint="say one of them, not both"
        )
    return range(1, groups + 1) if groups else range(group or 1, (group or 1) + 1)
