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
