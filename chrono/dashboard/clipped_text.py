"""Remove control characters from texts of other programs, and fit the texts to the screen."""

from collections.abc import Sequence

from rich.text import Text
from textual.widgets import Static

from chrono.safe_text import plain


class Clipped(Static):
    """
    A widget that shows a text with a limited number of lines.

    Parameters
    ----------
    id : str
    low, high : int
        Largest number of lines on low screens and on high screens. On a tiny screen, the text
        has one line.
    more : str, optional
        Text at the end of a cut text, which says where the user can read the rest.
    """

    def __init__(self, id: str, low: int, high: int, more: str = "") -> None:  # noqa: A002
        super().__init__(id=id)
        self._low, self._high = low, high
        self._more = more
        self._whole = Text()

    def show(self, text: Text) -> None:
        """Show a text."""
        if text != self._whole:
            self._whole = text
            self._fit()

    def on_resize(self) -> None:
        """Fit the text to the new size of the widget."""
        self._fit()

    def _fit(self) -> None:
        cells = self.content_size.width or self.app.size.width - 2
        lines = self._low if self.screen.has_class("-low") else self._high
        lines = 1 if self.screen.has_class("-tiny") else lines
        self.update(self.clip(self._whole, cells, lines))

    def clip(self, text: Text, cells: int, lines: int) -> Text:
        """Return at most `lines` lines of `cells` columns; … marks a text that was cut."""
        wrapped = text.wrap(self.app.console, cells)
        if len(wrapped) <= lines:
            return text
        end = f" … {self._more}" if self._more else "…"
        last = wrapped[lines - 1]
        last.truncate(max(cells - len(end), 0))
        last.rstrip()
        return Text("\n").join([*wrapped[: lines - 1], last.append(end)])


def fit(text: str, cells: int) -> str:
    """Remove control characters; cut the text to `cells` columns, and end a cut text with …."""
    if len(text) <= cells and text.isascii() and text.isprintable():
        return text
    shown = Text(plain(text[: 4 * cells + 4]))
    shown.truncate(cells, overflow="ellipsis")
    return shown.plain


def fit_apart(name: str, cells: int, names: Sequence[str]) -> str:
    """
    Return a shortened name that differs from all other shortened names.

    Parameters
    ----------
    name : str
    cells : int
        Largest length of the result in cells.
    names : sequence of str
        All names. A shortened name keeps enough of its end to differ from the others.
    """
    shown = fit(name, cells)
    alike = [other for other in names if other != name and fit(other, cells) == shown]
    for tail in range(1, cells - 1) if alike else ():
        mine = _with_end(name, cells, tail)
        if all(_with_end(other, cells, tail) != mine for other in alike):
            return fit(mine, cells)
    return shown


def _with_end(name: str, cells: int, tail: int) -> str:
    """Shorten a name: return its beginning, then …, then its end."""
    text = plain(name)
    return f"{text[: cells - 1 - tail]}…{text[-tail:]}"


def flow(items: list[Text], cells: int) -> Text:
    """Arrange short texts side by side on as few lines as possible, and break no text."""
    text, used = Text(), 0
    for item in items:
        if used and used + 2 + item.cell_len > cells:
            text.append("\n")
            used = 0
        elif used:
            text.append("  ")
            used += 2
        text.append_text(item)
        used += item.cell_len
    return text


def update_text(widget: Static, text: Text) -> None:
    """Change the text of a widget, but only if the new text differs from the old text."""
    if getattr(widget, "shown_text", None) != text:
        widget.shown_text = text  # type: ignore[attr-defined]
        widget.update(text)
