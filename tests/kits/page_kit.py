"""Pages read as a browser would, without one: elements, texts, and what they would fetch."""

from dataclasses import dataclass, field
from html.parser import HTMLParser

VOID = {"meta", "link", "br", "hr", "img", "input", "col"}
FETCHING = ("src", "srcset", "href", "xlink:href", "data", "poster", "action", "background")


@dataclass
class Page:
    """
    What a page holds.

    Attributes
    ----------
    tags : list of (str, dict)
        Elements in order, with their attributes.
    text : str
        All text outside of `style`, a space between elements.
    style : str
        All text inside of `style` elements, and of style attributes.
    trouble : list of str
        Elements closed in the wrong order or never.
    """

    tags: list[tuple[str, dict[str, str]]] = field(default_factory=list)
    text: str = ""
    style: str = ""
    trouble: list[str] = field(default_factory=list)

    def named(self, tag: str) -> list[dict[str, str]]:
        """Return the attributes of all elements of one name."""
        return [attributes for name, attributes in self.tags if name == tag]

    def fetched(self) -> list[str]:
        """Return all addresses that lie outside of the page."""
        found = [
            value
            for _, attributes in self.tags
            for name, value in attributes.items()
            if name in FETCHING and not value.startswith(("#", "data:"))
        ]
        return found + [
            word for word in ("@import", "url(http", "url(//") if word in self.style
        ]


class _Reader(HTMLParser):
    def __init__(self) -> None:
        super().__init__(convert_charrefs=True)
        self.page, self._open = Page(), list[str]()

    def handle_starttag(self, tag: str, attrs: list[tuple[str, str | None]]) -> None:
        attributes = {name: value or "" for name, value in attrs}
        self.page.tags.append((tag, attributes))
        self.page.style += attributes.get("style", "")
        if tag not in VOID:
            self._open.append(tag)

    def handle_startendtag(self, tag: str, attrs: list[tuple[str, str | None]]) -> None:
        self.handle_starttag(tag, attrs)
        if tag not in VOID:
            self._open.pop()

    def handle_endtag(self, tag: str) -> None:
        if not self._open or self._open[-1] != tag:
            self.page.trouble.append(f"{tag} closed within {self._open[-3:]}")
        else:
            self._open.pop()

    def handle_data(self, data: str) -> None:
        if self._open and self._open[-1] == "style":
            self.page.style += data
        else:
            self.page.text += f" {data}"

    def close(self) -> None:
        super().close()
        self.page.text = " ".join(self.page.text.split())
        self.page.trouble += [f"{tag} never closed" for tag in self._open]


def read_page(html: str) -> Page:
    """Read a page."""
    reader = _Reader()
    reader.feed(html)
    reader.close()
    return reader.page


def is_self_contained(page: Page) -> None:
    """Nothing fetched, no script, all forbidden that could be either; well formed."""
    assert page.trouble == []
    assert page.fetched() == []
    assert not page.named("script")
    assert not [tag for tag, found in page.tags if any(name.startswith("on") for name in found)]
    (policy,) = [m for m in page.named("meta") if "http-equiv" in m]
    assert policy["http-equiv"] == "Content-Security-Policy"
    rules = dict(rule.strip().split(" ", 1) for rule in policy["content"].split(";"))
    assert rules["default-src"] == "'none'"
    assert set(rules) == {"default-src", "style-src", "img-src", "base-uri", "form-action"}
    assert "http" not in policy["content"]
    assert page.named("html") == [{"lang": "en"}]
    assert len(page.named("title")) - len(page.named("svg")) == 1


class _Tables(HTMLParser):
    def __init__(self) -> None:
        super().__init__(convert_charrefs=True)
        self.tables: list[list[list[str]]] = []
        self._in_cell = False

    def handle_starttag(self, tag: str, attrs: list[tuple[str, str | None]]) -> None:
        if tag == "table":
            self.tables.append([])
        elif tag == "tr":
            self.tables[-1].append([])
        elif tag in ("td", "th"):
            self.tables[-1][-1].append("")
            self._in_cell = True

    def handle_endtag(self, tag: str) -> None:
        if tag in ("td", "th"):
            self._in_cell = False

    def handle_data(self, data: str) -> None:
        if self._in_cell:
            self.tables[-1][-1][-1] += data


def tables_of(html: str) -> list[list[list[str]]]:
    """Return the texts of a page's tables: tables of rows of cells."""
    reader = _Tables()
    reader.feed(html)
    reader.close()
    return reader.tables
