"""The command `guide`: a page of instructions for each task."""

import sys
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
    """Print a page: laid out on a terminal, as it is into a file or a pipe."""
    if not sys.stdout.isatty():
        print(markdown, end="")
        return
    from rich.console import Console
    from rich.markdown import Markdown

    from chrono.commands.output_streams import carried, text_columns

    Console(width=text_columns(), highlight=False).print(Markdown(carried(markdown)))
