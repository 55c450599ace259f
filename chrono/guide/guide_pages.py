"""The pages of the guide: their topics, titles and texts."""

from importlib.resources import files
from typing import NamedTuple

from chrono.errors import OptionError

REFERENCE = ("columns", "flags", "commands")
"""Pages that are made from the code; they are listed last."""


class GuidePage(NamedTuple):
    """
    A page of the guide.

    Attributes
    ----------
    topic : str
        The word by which it is asked for.
    title : str
        Its first line, without the mark of a heading.
    text : str
        All of it, as Markdown.
    """

    topic: str
    title: str
    text: str


def guide_pages() -> dict[str, GuidePage]:
    """Return all pages by topic, in alphabetical order, reference pages last."""
    found = {}
    for file in files("chrono.guide").iterdir():
        topic, dot, ending = file.name.partition(".")
        if dot and ending == "md":
            text = file.read_text("utf-8")
            found[topic] = GuidePage(topic, text.partition("\n")[0].lstrip("# "), text)
    return dict(sorted(found.items(), key=lambda each: (each[0] in REFERENCE, each[0])))


def guide_page(topic: str) -> GuidePage:
    """
    Return one page.

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
