"""Texts that may be longer than their place: cut at lines, with a word where the rest is."""

from rich.text import Text
from textual.widgets import Static


class Clipped(Static):
    """
    A text of at most so many lines.

    Parameters
    ----------
    id : str
    low, high : int
        Lines on low screens and on high ones.
    more : str, optional
        Where the rest can be read.
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
        """Fit the text to the new size."""
        self._fit()

    def _fit(self) -> None:
        cells = self.content_size.width or self.app.size.width - 2
        lines = self._low if self.screen.has_class("-low") else self._high
        self.update(self.clip(self._whole, cells, lines))

    def clip(self, text: Text, cells: int, lines: int) -> Text:
        """Return a text of so many lines of so many cells, the last saying what is missing."""
        wrapped = text.wrap(self.app.console, cells)
        if len(wrapped) <= lines:
            return text
        end = f" … {self._more}" if self._more else "…"
        last = wrapped[lines - 1]
        last.truncate(max(cells - len(end), 0))
        last.rstrip()
        return Text("\n").join([*wrapped[: lines - 1], last.append(end)])
