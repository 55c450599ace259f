"""The command `list`: print the log book of a folder, or replay one of its recordings."""

from typing import TYPE_CHECKING, Annotated, Literal

import typer

from chrono.commands.batch_options import BatchOptions, Jobs, each_of, meant
from chrono.commands.command_options import AsJson, OtherRig, end, print_json, rig_of
from chrono.errors import ChronoError, OptionError, RecordingError

if TYPE_CHECKING:
    from chrono.rigs.rig_model import Rig
    from chrono.season.logbook import LogOrder
    from chrono.session.log_entry import LogEntry

Folders = Annotated[
    list[str] | None,
    typer.Argument(help="Folders, patterns or recordings.", show_default="this folder"),
]
Sort = Annotated[
    Literal["date", "name", "rig", "shots", "counted"],
    typer.Option(
        "--sort",
        help="Sort the recordings by this value. Recordings with equal values are "
        "sorted by name.",
    ),
]
Reverse = Annotated[
    bool,
    typer.Option(
        "--reverse",
        help="Reverse the order, so that the last or largest recording comes first.",
    ),
]
Choose = Annotated[
    bool,
    typer.Option(
        "--choose",
        help="Show the recordings on a screen, where you can choose a recording to replay.",
    ),
]


def list_recordings(
    folders: Folders = None,
    sort: Sort = "date",
    reverse: Reverse = False,
    choose: Choose = False,
    rig: OtherRig = None,
    as_json: AsJson = False,
    jobs: Jobs = None,
) -> None:
    """
    Show a folder's log book: one line per recording, and totals.

    A terminal shows only the beginning of long texts. To get the full texts, use --choose or
    --json, or write the output to a file.
    """
    import sys
    from shutil import get_terminal_size

    from chrono.commands.command_options import wants_dashboard
    from chrono.reports.findings_text import Findings
    from chrono.reports.logbook_text import logbook_data, logbook_text
    from chrono.season.logbook import LogOrder, MakeEntry, in_order_of

    if choose and not wants_dashboard(False, as_json):
        raise OptionError(
            "--choose needs a terminal",
            where="--choose",
            hint="run the command in a terminal, and leave out --json",
        )
    _refuse_missing(folders or [])
    findings, other = Findings(), rig_of(rig)
    how = BatchOptions(jobs)
    with each_of(meant(folders or ["."], how), MakeEntry(other), how, findings) as found:
        entries = in_order_of(found, LogOrder(sort), reverse)
    if choose:
        _replay_what_is_chosen(entries, LogOrder(sort), reverse, other)
    elif as_json:
        print_json(logbook_data(entries))
    else:
        columns = get_terminal_size().columns if sys.stdout.isatty() else None
        print(logbook_text(entries, columns))
    end(findings)


def _refuse_missing(words: list[str]) -> None:
    """Raise an error if a named file does not exist."""
    from pathlib import Path

    from chrono.season.recording_finder import is_address, is_plainly_named

    for word in words:
        if is_plainly_named(word) and not is_address(word) and not Path(word).exists():
            raise RecordingError(
                "there is no such file", where=str(Path(word)), hint="check the name"
            )


def _replay_what_is_chosen(
    entries: "list[LogEntry]", order: "LogOrder", reverse: bool, rig: "Rig | None"
) -> None:
    """Show the log book, replay the chosen recording, and repeat until the user leaves."""
    from pathlib import Path

    from chrono.dashboard.dashboard_app import show_replay
    from chrono.dashboard.logbook_app import LogBookApp
    from chrono.reports.findings_text import Findings

    book = LogBookApp(entries, order, reverse)
    while (chosen := book.run()) is not None:
        said = ""
        try:
            show_replay(Path(chosen.where), rig, 1.0, Findings())
        except ChronoError as error:
            said = f"{error.where}: {error.message}"
        book = LogBookApp(entries, book.order, book.reverse, chosen, said)
