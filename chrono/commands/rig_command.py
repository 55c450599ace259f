"""The commands `rig new`, `rig check` and `rig correct`: write, check or correct a rig."""

import sys
from pathlib import Path
from typing import Annotated, Any

import typer

from chrono.commands.command_options import AsJson, print_json
from chrono.safe_text import plain

ANY_BOARD = "other"


def rig_new(
    file: Annotated[
        Path,
        typer.Argument(
            help="Name of the new rig file. A file with this name must not exist yet."
        ),
    ],
    scenario: Annotated[
        str | None, typer.Option(help="Write the rig of the virtual scenario with this name.")
    ] = None,
    board: Annotated[
        str,
        typer.Option(
            help="Your board: uno, nano, pico or other. The ± of the clock depends on the "
            "board."
        ),
    ] = ANY_BOARD,
    drops: Annotated[
        bool,
        typer.Option(
            "--drops",
            help="Use this option for falling bodies. The slope of the path is then down, "
            "and slow bodies also count as shots.",
        ),
    ] = False,
) -> None:
    """Write a rig file to fill in; the file explains every key."""
    from chrono.commands.demo_command import virtual_rig_text
    from chrono.errors import OptionError
    from chrono.rigs.rig_file import write_rig
    from chrono.rigs.starter_rig import BOARDS, write_starter

    if scenario is not None and drops:
        raise OptionError(
            "--drops cannot be used with --scenario: a scenario has its own rig",
            where="--drops",
            hint="leave out --drops or --scenario",
        )
    if scenario is not None and board != ANY_BOARD:
        raise OptionError(
            "--board cannot be used with --scenario: a scenario has its own rig",
            where="--board",
            hint="leave out --board or --scenario",
        )
    if scenario is not None:
        write_rig(file, virtual_rig_text(scenario))
        print(f"the new rig file {plain(str(file))} describes the virtual gates")
        return
    if board not in BOARDS:
        raise OptionError(
            f"the program has no starter rig for this board: {board!r}",
            where="--board",
            hint=f"choose one of these boards: {', '.join(BOARDS)}",
        )
    write_starter(file, board, drops=drops)
    advice = "write the measured spacing and all other values that you know into this file"
    print(f"{plain(str(file))} written: {advice}")


def rig_correct(
    file: Annotated[Path, typer.Argument(help="Recording to which the command adds the rig.")],
    rig: Annotated[
        Path | None,
        typer.Option(
            help="Rig file to add. Without this option, the command takes the rig of the "
            "recording, changes the values in --set, and adds the result."
        ),
    ] = None,
    keys: Annotated[
        list[str] | None,
        typer.Option(
            "--set",
            help='Change a value of the rig: write KEY=VALUE, such as "gates.slope=down". '
            "You may use this option several times.",
        ),
    ] = None,
    yes: Annotated[bool, typer.Option("--yes", help="Add the rig without a question.")] = False,
) -> None:
    """
    Add a corrected rig to a recording, for all of its shots.

    The command asks you before it writes. The command adds the corrected rig as a new row,
    and changes no row. The program measures a recording with the rig that was added last.
    """
    from chrono.errors import OptionError
    from chrono.rigs.rig_file import load_rig, rig_record, with_keys
    from chrono.session.recording_loader import add_rig, read_recording

    before = read_recording(file).session.last_rig
    after = load_rig(rig) if rig else before
    if keys:
        after = with_keys(after, dict(_key_and_value(each) for each in keys))
    changes = _changed_keys(rig_record(before), rig_record(after))
    if not changes:
        raise OptionError(
            "the recording already has this rig",
            where=str(file),
            hint='change at least one value, such as --set "gates.slope=down"',
        )
    print("\n".join(plain(line) for line in changes))
    if not (yes or _agreed(f"add this rig to {plain(str(file))}? [y/N] ")):
        print("nothing was added")
        return
    add_rig(file, after)
    print(
        f"the rig was added to {plain(str(file))}; the program now uses this rig for all shots"
    )


def _key_and_value(text: str) -> tuple[str, str]:
    from chrono.errors import OptionError

    key, sign, value = text.partition("=")
    if not sign or not key.strip():
        raise OptionError(
            f"this text does not have the form KEY=VALUE: {text!r}",
            where="--set",
            hint='write a key and its value, such as --set "gates.slope=down"',
        )
    return key.strip(), value.strip()


def _changed_keys(before: dict[str, Any], after: dict[str, Any], prefix: str = "") -> list[str]:
    lines = []
    for key in dict.fromkeys([*before, *after]):
        was, now = before.get(key), after.get(key)
        if isinstance(was, dict) and isinstance(now, dict):
            lines += _changed_keys(was, now, f"{prefix}{key}.")
        elif was != now:
            shown = (f"{v:.7g}" if isinstance(v, float) else str(v) for v in (was, now))
            lines.append(f"{prefix}{key}: " + " → ".join(shown))
    return lines


def _agreed(question: str) -> bool:
    """Ask a question on standard error; return True only if the user answers yes."""
    print(question, end="", file=sys.stderr, flush=True)
    answer = sys.stdin.readline() if sys.stdin is not None else ""
    return answer.strip().lower() in ("y", "yes")


def rig_check(file: Annotated[Path, typer.Argument()], as_json: AsJson = False) -> None:
    """
    Check a rig file and show its values, including the defaults.

    The exit code is 1 if the file is valid but its values are not plausible.
    """
    from chrono.reports.rig_text import doubt_text
    from chrono.rigs.rig_file import load_rig, rig_record
    from chrono.rigs.rig_model import rig_doubts

    rig = load_rig(file)
    doubts = rig_doubts(rig)
    _print_rig(
        rig_record(rig),
        as_json,
        f"{plain(str(file))}: {'the rig is doubtful' if doubts else 'the rig is plausible'}",
    )
    for doubt in doubts:
        print(f"{plain(str(file))}: {doubt_text(doubt, rig)}", file=sys.stderr)
    if doubts:
        raise typer.Exit(1)


def _print_rig(record: dict[str, Any], as_json: bool, verdict: str) -> None:
    if as_json:
        print_json(record)
        return
    print(f"{verdict}; the values of the rig in SI units are:")
    for key, value in record.items():
        if isinstance(value, dict):
            print(f"[{key}]")
            for inner, number in value.items():
                _print_key(f"  {inner}", number)
        else:
            _print_key(key, value)


def _print_key(key: str, value: Any) -> None:
    if value not in (None, ""):
        print(f"{key:<22} {value:.7g}" if isinstance(value, float) else f"{key:<22} {value}")
