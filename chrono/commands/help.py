"""Help in signs that standard output can carry.

The library beneath writes help as UTF-8 where the stream says that it carries ASCII only.
"""

from typing import Any

import typer
from typer.core import TyperCommand, TyperGroup

from chrono.commands.streams import carried


class HelpfulCommand(TyperCommand):
    """A command."""

    def get_help(self, ctx: Any) -> str:
        """Return its help, in signs that standard output can carry."""
        return carried(super().get_help(ctx))


class HelpfulGroup(TyperGroup):
    """Commands under one name."""

    def get_help(self, ctx: Any) -> str:
        """Return its help, in signs that standard output can carry."""
        return carried(super().get_help(ctx))


class Commands(typer.Typer):
    """Commands that explain themselves on any stream."""

    def __init__(self, **options: Any) -> None:
        super().__init__(
            cls=HelpfulGroup, no_args_is_help=True, rich_markup_mode=None, **options
        )

    def command(self, name: str | None = None, **options: Any) -> Any:
        """Return what makes a function one of the commands."""
        return super().command(name, cls=HelpfulCommand, **options)
