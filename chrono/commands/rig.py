"""Writing and checking a rig file."""

from pathlib import Path
from typing import Annotated, Any

import typer

from chrono.commands.common import (
    AsJson,
    print_json,
)


def rig_new(
    file: Annotated[Path, typer.Argument(help="File to write; it must not exist.")],
    scenario: Annotated[
        str | None, typer.Option(help="Write the rig of this virtual board instead.")
    ] = None,
) -> None:
    """Write a rig file to fill in, every key with its meaning."""
    from chrono.commands.demo import virtual_rig_text
    from chrono.rigs.file import write_rig, write_starter

    if scenario is not None:
        write_rig(file, virtual_rig_text(scenario))
        print(f"{file} written: what is stated of the virtual gates")
        return
    write_starter(file)
    print(f"{file} written: put in your own spacing, measured, and the rest as far as you know")


def rig_check(file: Annotated[Path, typer.Argument()], as_json: AsJson = False) -> None:
    """Check a rig file and show what it says, defaults included."""
    from chrono.rigs.file import load_rig, rig_record

    record = rig_record(load_rig(file))
    if as_json:
        print_json(record)
        return
    print(f"{file}: a sound rig; its values in SI units:")
    for key, value in record.items():
        if isinstance(value, dict):
            print(f"[{key}]")
            for inner, number in value.items():
                _print_key(f"  {inner}", number)
        else:
            _print_key(key, value)


def _print_key(key: str, value: Any) -> None:
    if value is not None:
        print(f"{key:<22} {value:.7g}" if isinstance(value, float) else f"{key:<22} {value}")
