"""Make the reference pages of the guide again: ``python tests/kits/reference_pages.py``.

Only the code describes columns, flags and options. A test compares these pages with the code.
"""

from collections.abc import Iterator
from pathlib import Path
from typing import Any

import typer

from chrono.cli import app
from chrono.commands.help_layout import EXAMPLES
from chrono.reports.export_table import SHOT_COLUMNS
from chrono.reports.flag_help import FLAG_HELP

GUIDE = Path(__file__).parents[2] / "chrono/guide"
COLUMNS_BEGIN = """\
# Columns of the exported table

`chrono export` writes one row for each shot, with these columns.
`chrono export --columns` also prints the names and meanings of the columns.

| column | kind | unit | meaning |
| --- | --- | --- | --- |
"""
FLAGS_BEGIN = """\
# What the flags of a shot mean

The program always shows a shot with a flag. Shots with the flags `lone-…`, `reversed`, `too-…`,
`flash` or `flicker` do not count in the statistics. A shot also does not count if
no pair of its edges is good enough to compute a speed.

| flag | what it means and what to do |
| --- | --- |
"""
COMMANDS_BEGIN = """\
# All commands and their options

This page has the same text as `chrono COMMAND --help`.
"""


def pages() -> dict[str, str]:
    """Return the text of each reference page by its topic."""
    columns = (f"| `{c.name}` | {c.kind} | {c.unit} | {c.meaning} |\n" for c in SHOT_COLUMNS)
    flags = (f"| `{flag}` | {text} |\n" for flag, text in FLAG_HELP.items())
    return {
        "columns": COLUMNS_BEGIN + "".join(columns),
        "flags": FLAGS_BEGIN + "".join(flags),
        "commands": COMMANDS_BEGIN + "".join(_commands(typer.main.get_command(app), ())),
    }


def _commands(command: Any, path: tuple[str, ...]) -> Iterator[str]:
    inner = getattr(command, "commands", None)
    if inner is None:
        yield from _command(command, " ".join(path))
    for name, each in (inner or {}).items():
        yield from _commands(each, (*path, name))


def _command(command: Any, name: str) -> Iterator[str]:
    yield f"\n## chrono {name}\n\n"
    yield "\n\n".join(" ".join(part.split()) for part in command.help.split("\n\n")) + "\n\n"
    context = command.make_context(name, [], resilient_parsing=True)
    for parameter in command.get_params(context):
        record = parameter.get_help_record(context)
        if record and "--help" not in parameter.opts:
            words = " ".join(record[1].split()).replace("  [", " [")
            yield f"- `{record[0]}`: {words}\n"
    yield "\n```sh\n" + "".join(f"{line}\n" for line in EXAMPLES[name]) + "```\n"


def main() -> None:
    """Write the pages."""
    for topic, text in pages().items():
        (GUIDE / f"{topic}.md").write_text(text, encoding="utf-8")


if __name__ == "__main__":
    main()
