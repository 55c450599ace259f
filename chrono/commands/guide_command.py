"""The command `guide`: show pages with instructions, one page for each task."""

import re
import sys
import textwrap
from collections.abc import Iterator
from importlib.resources import files
from typing import Annotated, NamedTuple

import typer

from chrono.errors import OptionError

REFERENCE = ("columns", "flags", "commands")
"""Pages that are made from the code; they are listed last."""


class GuidePage(NamedTuple):
    """
    A page of the guide.

    Attributes
    ----------
    topic : str
        The word with which the user asks for the page.
    title : str
        The first line of the page, without the mark of a heading.
    text : str
        The whole text of the page, as Markdown.
    """

    topic: str
    title: str
    text: str


def guide_pages() -> dict[str, GuidePage]:
    """Return all pages in a dict by topic, in alphabetical order, with reference pages last."""
    found = {}
    for file in files("chrono.guide").iterdir():
        topic, dot, ending = file.name.partition(".")
        if dot and ending == "md":
            text = file.read_text("utf-8")
            found[topic] = GuidePage(topic, text.partition("\n")[0].lstrip("# "), text)
    return dict(sorted(found.items(), key=lambda each: (each[0] in REFERENCE, each[0])))


def guide_page(topic: str) -> GuidePage:
    """
    Return the page of the guide with a given topic.

    Raises
    ------
    OptionError
        If there is no such topic.
    """
    pages = guide_pages()
    if topic not in pages:
        raise OptionError(
            f"the guide has no page {topic!r}",
            where="TOPIC",
            hint=f"choose one of {', '.join(pages)}",
        )
    return pages[topic]


def guide(
    topic: Annotated[
        str | None,
        typer.Argument(
            help="The topic of the page to show. Without a topic, the command lists all pages."
        ),
    ] = None,
) -> None:
    """Show how to do a task; each task has one page."""
    if topic is not None:
        _show(guide_page(topic).text)
        return
    pages = guide_pages()
    width = max(map(len, pages))
    for page in pages.values():
        print(f"{page.topic:{width}}  {page.title}")
    print("to read a page, type: chrono guide TOPIC", file=sys.stderr)


def _show(markdown: str) -> None:
    """Print a page of the guide; wrap its lines only for a terminal."""
    if not sys.stdout.isatty():
        print(markdown, end="")
        return
    from chrono.commands.output_streams import text_columns

    print("\n".join(wrapped(markdown, text_columns())))


def wrapped(markdown: str, columns: int) -> Iterator[str]:
    """Yield the lines of a page; wrap its text, but not its commands, outputs and tables."""
    is_verbatim, paragraph = False, ""
    for line in markdown.splitlines():
        is_fence = line.lstrip().startswith("```")
        is_kept = is_verbatim or is_fence or not line or line.startswith(("|", "<!--", "!["))
        if is_kept or _BEGINS.match(line):
            yield from _wrapped(paragraph, columns)
            paragraph = ""
        is_verbatim ^= is_fence
        if is_kept:
            yield line
        else:
            paragraph = f"{paragraph} {line.strip()}" if paragraph else line
    yield from _wrapped(paragraph, columns)


_BEGINS = re.compile(r"#|- |\d+\. ")
"""Pattern for the first characters of a heading or a list item."""


def _wrapped(paragraph: str, columns: int) -> list[str]:
    begin = _BEGINS.match(paragraph)
    return textwrap.wrap(
        paragraph,
        columns,
        subsequent_indent=" " * (len(begin[0]) if begin else 0),
        break_long_words=False,
        break_on_hyphens=False,
    )
