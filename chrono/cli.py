"""Define the command line, run the command that the user typed, and report errors."""

import sys
from typing import Annotated, Any, NoReturn

import typer

from chrono import __version__
from chrono.commands import (
    budget_command,
    calibrate_command,
    check_command,
    clock_command,
    demo_command,
    export_command,
    output_streams,
    rig_command,
)
from chrono.commands.energy_command import energy
from chrono.commands.guide_command import guide
from chrono.commands.help_layout import Commands
from chrono.commands.lab_command import guesses, lab
from chrono.commands.list_command import list_recordings
from chrono.commands.page_command import picture, report, worksheet
from chrono.commands.share_command import share
from chrono.commands.trajectory_command import fall, flight, stop
from chrono.commands.what_if_command import whatif
from chrono.errors import ChronoError
from chrono.safe_text import plain

app = Commands(
    name="chrono",
    help="Measure the speed of a launched body with two light gates, and its uncertainty.",
    pretty_exceptions_enable=False,
)

for command in (
    demo_command.demo,
    clock_command.clock,
    clock_command.replay,
    export_command.export,
    export_command.summary,
    export_command.compare,
    report,
    picture,
    worksheet,
    check_command.boards,
    budget_command.budget,
    budget_command.plan,
    check_command.check,
    share,
    fall,
    flight,
    stop,
    energy,
    whatif,
    lab,
    guesses,
    guide,
):
    app.command()(command)
app.command("list")(list_recordings)

calibrate_app = Commands(
    help="Measure values of the rig, and write them to the rig file.",
)
app.add_typer(calibrate_app, name="calibrate")
calibrate_app.command("clock")(calibrate_command.calibrate_clock)
calibrate_app.command("swap")(calibrate_command.calibrate_swap)
calibrate_app.command("drop")(calibrate_command.calibrate_drop)
calibrate_app.command("rods")(calibrate_command.calibrate_rods)

rig_app = Commands(help="Write or check a rig file; correct the rig of a recording.")
app.add_typer(rig_app, name="rig")
rig_app.command("new")(rig_command.rig_new)
rig_app.command("check")(rig_command.rig_check)
rig_app.command("correct")(rig_command.rig_correct)

# typer contains a copy of click, but does not export all error classes of this copy.
_USAGE_ERROR: Any = next(
    c for c in typer.BadParameter.__mro__ if c.__name__ == "ClickException"
)


def main() -> None:
    """
    Run the command line.

    If the user can fix an error, the program prints one line and ends with exit code 2.
    """
    output_streams.prepare()
    try:
        with output_streams.flushed():
            code = app(prog_name="chrono", standalone_mode=False)
    except ChronoError as error:
        _fail(*(str(problem) for problem in getattr(error, "problems", (error,))))
    except typer.Exit as done:
        code = done.exit_code
    except (typer.Abort, KeyboardInterrupt):
        code = 130
    except RuntimeError as error:
        # Python 3.11 hides a Ctrl+C that comes while a class is made in an error of its own.
        if not isinstance(error.__cause__, KeyboardInterrupt):
            raise
        code = 130
    except _USAGE_ERROR as error:
        _fail(_usage_text(error))
    except OSError as error:
        output_streams.abandon_output()
        if not isinstance(error, BrokenPipeError):
            print(
                f"chrono: error: results cannot be written: {output_streams.why(error)}",
                file=sys.stderr,
            )
        code = 1
    raise SystemExit(code or 0)


def _fail(*messages: str) -> NoReturn:
    for message in messages:
        text = "\n".join(map(plain, message.split("\n")))
        print(f"chrono: error: {text}", file=sys.stderr)
    raise SystemExit(2)


def _usage_text(error: Any) -> str:
    message: str = error.format_message()
    if message.startswith("Usage:"):
        message = "a command is missing"
    where = error.ctx.command_path if error.ctx else "chrono"
    return f"{message}\n  do: type {where} --help to see all options"


def _print_version(wanted: bool) -> None:
    if wanted:
        print(f"chrono-gates {__version__}")
        raise typer.Exit


@app.callback()
def _common(
    version: Annotated[
        bool,
        typer.Option(
            "--version", callback=_print_version, is_eager=True, help="Print the version."
        ),
    ] = False,
) -> None:
    """Accept the options that come before a command."""
