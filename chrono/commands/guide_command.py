"""The command `guide`: a page of instructions for each task."""

import sys
import textwrap
from collections.abc import Iterator
from typing import Annotated

import typer


def guide(
    topic: Annotated[
        str | None, typer.Argument(help="The page to read; without it, a list of all pages.")
    ] = None,
) -> None:
    """Read how to do a task, one page a task."""
    from chrono.guide.guide_pages import guide_page, guide_pages

    if topic is not None:
        _show(guide_page(topic).text)
        return
    pages = guide_pages()
    width = max(map(len, pages))
    for page in pages.values():
        print(f"{page.topic:{width}}  {page.title}")
    print("read one: chrono guide TOPIC", file=sys.stderr)


def _show(markdown: str) -> None:
    """Print a page: as it is into a file or a pipe, sentences wrapped on a terminal."""
    if not sys.stdout.isatty():
        print(markdown, end="")
        return
    from chrono.commands.output_streams import text_columns

    print("\n".join(wrapped(markdown, text_columns())))


def wrapped(markdown: str, columns: int) -> Iterator[str]:
    """
    Yield the lines of a page for a terminal.

    Commands, outputs and tables stay as they are: a command that is broken in two cannot be
    copied.
    """
    is_verbatim = False
    for line in markdown.splitlines():
        is_verbatim ^= line.startswith("```")
        if is_verbatim or line.startswith(("|", "```", "<!--")) or not line:
            yield line
            continue
        indent = "  " if line.startswith("- ") else ""
        yield from textwrap.wrap(
            line,
            columns,
            subsequent_indent=indent,
            break_long_words=False,
            break_on_hyphens=False,
        )
