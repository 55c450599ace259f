"""The command `share`: show a session on a web page, and collect guesses if wanted."""

import sys
import time
from dataclasses import dataclass, replace
from pathlib import Path
from typing import TYPE_CHECKING, Annotated

import typer

from chrono.commands import output_streams
from chrono.commands.command_options import Baud, RecordTo, SetupName, Spare, end, rig_of
from chrono.errors import OptionError
from chrono.safe_text import plain

if TYPE_CHECKING:
    import socket

    from chrono.reports.findings_text import Findings
    from chrono.session.replay_run import FollowRun
    from chrono.sharing.share_server import DisplayOptions

DEFAULT_PORT = 8765

AWAIT_S = 0.1
"""Time between two checks whether the recording exists now [s]."""

GUESS_WARNING = """\
Nobody can check who sent a guess. Ask for the names of groups,
not for the names of persons. Guesses are saved in a separate file.
The recording stays unchanged."""

Target = Annotated[
    str,
    typer.Argument(
        help="A recording or a board's port. Another program may still write to the "
        "recording, or may create it later. If you give a port, the command "
        "records the shots, like the command `clock`.",
        show_default=False,
    ),
]
Lan = Annotated[
    bool,
    typer.Option(
        "--lan",
        help="Let other computers in the local network open the page. Without this "
        "option, only this computer can open the page.",
    ),
]
Address = Annotated[
    str,
    typer.Option(
        help="Address of this computer in the network in which you want to show the page."
    ),
]
WebPort = Annotated[
    int,
    typer.Option(
        min=0,
        max=65535,
        help="Number of the page's TCP port. If you give 0, the program chooses a free port.",
    ),
]
Unit = Annotated[str, typer.Option(help="Show speeds in m/s, km/h, ft/s or mph.")]
Comma = Annotated[
    bool,
    typer.Option("--decimal-comma", help="Write decimal numbers with a comma, such as 1,5."),
]
SeatCount = Annotated[
    int,
    typer.Option(
        "--seats",
        min=1,
        max=250,
        help="Largest number of viewers that can open the page from one network "
        "address. Use a larger number if several classes share one router.",
    ),
]
Hidden = Annotated[
    bool,
    typer.Option(
        "--hidden",
        help="Hide the speed and ± of each shot on all pages. Press r to reveal the next "
        "hidden shot, or h to show all shots.",
    ),
]
Guesses = Annotated[
    bool,
    typer.Option(
        "--guesses",
        help="Let each viewer send one guess in each round. You press keys to open "
        "and close a round, and to reveal its result. Guesses are saved in a "
        "separate file, like the guesses of `lab --guess`.",
    ),
]
RigToUse = Annotated[
    Path | None,
    typer.Option(
        "--rig",
        help="The rig file of the board. If you share a recording, the program uses "
        "this rig file instead of the recorded rig.",
    ),
]


@dataclass(frozen=True)
class BoardOptions:
    """The options that apply only if the command measures a board."""

    port: str
    rig: Path | None
    recording: Path | None
    spare: Path
    setup: str
    baud: int


def share(
    target: Target,
    lan: Lan = False,
    address: Address = "",
    web_port: WebPort = DEFAULT_PORT,
    unit: Unit = "",
    decimal_comma: Comma = False,
    seats: SeatCount = 40,
    hidden: Hidden = False,
    guesses: Guesses = False,
    rig: RigToUse = None,
    recording: RecordTo = None,
    *,
    spare: Spare,
    setup: SetupName = "",
    baud: Baud = 250_000,
) -> None:
    """Show speeds, plot and statistics on a web page for the class."""
    from chrono.reports.findings_text import Findings
    from chrono.sharing.web_address import LOCALHOST, listen, network_address

    wishes = replace(_wishes(unit, decimal_comma), seats=seats, hidden=hidden, guesses=guesses)
    findings = Findings()
    at = address or (network_address() if lan else LOCALHOST)
    if _is_file(target):
        _refuse_for_files(recording, setup)
        _await_file(Path(target))
        with listen(at, web_port) as bound:
            _share_file(_opened(Path(target), rig), bound, wishes, findings)
    else:
        clocked = BoardOptions(target, rig, recording, spare, setup, baud)
        with listen(at, web_port) as bound:
            _share_board(clocked, bound, wishes, findings)
    end(findings)


def _is_file(target: str) -> bool:
    path = Path(target)
    return path.is_file() or path.is_dir() or path.suffix == ".tsv"


def _wishes(unit: str, decimal_comma: bool) -> "DisplayOptions":
    """Check the options for the unit and the decimal sign; return them as display options."""
    from chrono.sharing.share_server import DisplayOptions
    from chrono.units import SPEED_UNITS, quote

    if unit and unit not in SPEED_UNITS:
        raise OptionError(
            f"the program cannot show speeds in this unit: {quote(unit)}",
            where="--unit",
            hint=f"give one of these units: {', '.join(SPEED_UNITS)}",
        )
    return DisplayOptions(unit, "," if decimal_comma else ".")


def _refuse_for_files(recording: Path | None, setup: str) -> None:
    name = "--recording" if recording is not None else "--setup" if setup else ""
    if name:
        raise OptionError(
            "this option works only with a board's port, not with a recording",
            where=name,
            hint="leave out this option, or give the board's port instead of the recording",
        )


def _await_file(path: Path) -> None:
    """Wait until the command `clock` has created the recording."""
    from chrono.commands.console_output import tell
    from chrono.commands.stop_signals import noted_signals

    if path.exists() or not path.parent.is_dir():
        return
    with noted_signals() as ending:
        tell(f"the program waits until chrono clock creates the recording {plain(str(path))}")
        tell("press ctrl+c to stop")
        while not path.exists():
            if ending.asked:
                tell("stopped")
                raise typer.Exit
            time.sleep(AWAIT_S)


def _opened(path: Path, rig: Path | None) -> "FollowRun":
    from chrono.session.replay_run import follow_run

    run = follow_run(path, rig_of(rig))
    run.start()
    run.session.make_ready()
    return run


def _share_file(
    run: "FollowRun", bound: "socket.socket", wishes: "DisplayOptions", findings: "Findings"
) -> None:
    """Read new shots of a recording, and serve the web page."""
    from chrono.commands.console_output import tell
    from chrono.commands.key_press import terminal_keys
    from chrono.sharing.share_server import serve
    from chrono.sharing.web_address import url_of

    token, control = _token_for(bound), wishes.control()

    def begun() -> None:
        _tell_address(url_of(bound, token), bool(token), run.name, wishes)

    try:
        with terminal_keys() as keys:

            def is_over() -> bool:
                control.press_all(keys())
                _tell_lines(control.fetch_said())
                return False

            serve(run, bound, token, wishes, begun, is_over, control)
    finally:
        findings.take(run.close())
        _tell_lines(control.fetch_said())
    tell("stopped")


def _share_board(
    clocked: BoardOptions,
    bound: "socket.socket",
    wishes: "DisplayOptions",
    findings: "Findings",
) -> None:
    """Measure the shots of a board, and start another process that serves the web page."""
    from chrono.commands.console_output import default_recording, print_shots, tell
    from chrono.commands.key_press import terminal_keys
    from chrono.session.live_run import live_run
    from chrono.sharing.server_process import SharingProcess
    from chrono.sharing.web_address import url_of

    token, path = _token_for(bound), clocked.recording or default_recording()
    run = live_run(
        clocked.port,
        rig_of(clocked.rig),
        path,
        setup=clocked.setup,
        baud=clocked.baud,
        spare=clocked.spare,
    )
    writer = run.writer
    assert writer is not None, "the recording has no file name"
    shown = url_of(bound, token)
    try:
        service = SharingProcess(path, bound, token, wishes)
    except BaseException:
        writer.discard()
        raise
    try:
        _tell_address(shown, bool(token), run.name, wishes)
        if wishes.hidden or wishes.guesses:
            tell("This terminal shows every speed: do not show the terminal on the projector.")
        with terminal_keys() as keys:
            print_shots(
                run,
                None,
                False,
                findings,
                lambda: _tell_lines(service.look_after(writer.path, keys())),
            )
    finally:
        service.close()
    if service.trouble:
        findings.lines.append(service.trouble)


def _token_for(bound: "socket.socket") -> str:
    """Return a secret word for the page's address if other computers can open this address."""
    from chrono.sharing.access_control import make_token
    from chrono.sharing.web_address import LOCALHOST

    return "" if bound.getsockname()[0] == LOCALHOST else make_token()


def _tell_lines(lines: list[str]) -> None:
    from chrono.commands.console_output import tell

    if lines:
        tell("\n".join(lines))


def _tell_address(shown: str, is_open: bool, name: str, wishes: "DisplayOptions") -> None:
    """Print the page's address, and a QR code of the address."""
    from chrono.commands.console_output import tell
    from chrono.sharing.web_address import qr_lines

    for_what = (
        "viewers can see the page and send guesses"
        if wishes.guesses
        else "viewers can only look"
    )
    tell(f"{plain(name)} is shown ({for_what}) at this address:\n\n  {shown}\n")
    if not is_open:
        tell(
            "Only this computer can open the page. To show the page in your network, use --lan."
        )
    else:
        blocks, colours = (
            output_streams.carries_blocks(sys.stderr),
            output_streams.takes_colours(sys.stderr),
        )
        tell("\n".join(qr_lines(shown, blocks=blocks, colours=colours)))
        tell(
            "Everybody who has this address can see the page. Other people in the "
            "network can read the data of the page."
        )
    if wishes.guesses:
        tell(GUESS_WARNING)
    if sys.stdin.isatty():
        tell("\n".join(("keys:", *(f"  {line}" for line in wishes.control().keys))))
    tell("press ctrl+c to stop")
