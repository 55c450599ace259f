"""The speeds of a recording as a picture."""

import sys
from pathlib import Path
from typing import Annotated

import typer

from chrono.commands.common import HostClock, OtherRig, end, read_one
from chrono.commands.many import Recordings, files_meant
from chrono.plain import plain


def picture(
    files: Recordings,
    output: Annotated[
        Path, typer.Option("-o", "--output", help="OUT.svg or OUT.png; it must not exist.")
    ],
    rig: OtherRig = None,
    clock_from_host: HostClock = False,
) -> None:
    """Draw the speeds of a recording: every shot with its interval, every setup's mean."""
    from chrono.reports.newfile import check_new, write_new
    from chrono.reports.picture import ENDINGS, need_matplotlib, picture_file, picture_text
    from chrono.session.plotted import plotted_of

    ending = check_new(output, ENDINGS)
    need_matplotlib()  # its lack is told before any reading
    (source,) = files_meant(files, 1, "a picture", "name one")
    recorded, findings = read_one(Path(source.where), rig, clock_from_host)
    plotted = plotted_of(recorded)
    write_new(output, picture_file(plotted, ending))
    print(f"{plain(str(output))} written. {picture_text(plotted)}", file=sys.stderr)
    end(findings)
