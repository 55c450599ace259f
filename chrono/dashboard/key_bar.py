"""The key bar at the bottom of a screen shows the most important keys of the moment."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

from rich.style import Style
from rich.text import Text
from textual.app import App
from textual.binding import Binding
from textual.dom import DOMNode
from textual.screen import Screen
from textual.widgets import Static

from chrono.dashboard.clipped_text import flow

RANKED_KEYS = 6
"""Largest number of ranked keys in a bar; the help screen shows all keys."""


@dataclass(frozen=True)
class KeyLabel:
    """
    A key in the key bar, with a label for its effect.

    Attributes
    ----------
    keys : str
        Names of the keys in Textual, separated by commas.
    sign : str
        Names of the keys on the screen.
    label : str
        Effect of the key. Empty if the label of the next key describes both keys.
    action : str
        The action of the key.
    rank : int or None
        Only the keys with the highest ranks are shown, on one line. A key with None is always
        shown.
    """

    keys: str
    sign: str
    label: str
    action: str
    rank: int | None = None

    def binding(self) -> Binding:
        """Return a Textual binding that starts the action if one of the keys is pressed."""
        return Binding(self.keys, self.action, self.label)


class KeyBar(Static):
    """
    A bar that shows which keys of a screen the user can press now.

    Parameters
    ----------
    labels : sequence of KeyLabel
        Labels in the order of the bar.
    """

    def __init__(self, labels: Sequence[KeyLabel]) -> None:
        super().__init__(id="keys")
        self._labels = labels

    def on_mount(self) -> None:
        """Show the possible keys now, and again each time the possible actions change."""
        self.screen.bindings_updated_signal.subscribe(self, lambda _: self.show_keys())
        self.show_keys()

    def on_resize(self) -> None:
        """Fit the key bar to the new width of the terminal."""
        self.show_keys()

    def show_keys(self) -> None:
        """
        Write the keys that the user can press now.

        If the bar has no room for all keys, write only the most important keys.
        """
        if not self.app.is_running:
            return  # Textual needs an open screen here, but all screens are closed
        owners = {
            bound.binding.action: bound.node for bound in self.screen.active_bindings.values()
        }
        able = [label for label in self._labels if label.action in owners]
        cells = self.content_size.width or self.app.size.width - 2
        ranks = {label: label.rank for label in able if label.rank is not None}
        greatest = sorted(ranks, key=ranks.__getitem__, reverse=True)
        for label in greatest[RANKED_KEYS:]:
            able.remove(label)
        text = flow(_items(able, owners), cells)
        for label in reversed(greatest[:RANKED_KEYS]):
            if "\n" not in text.plain:
                break
            able.remove(label)
            text = flow(_items(able, owners), cells)
        self.update(text)


def _items(labels: Sequence[KeyLabel], owners: dict[str, DOMNode]) -> list[Text]:
    """Return the keys with their labels; keys with the same label stand next to each other."""
    items, text = [], Text()
    for label in labels:
        click = Style(meta={"@click": _called(label.action, owners[label.action])})
        text.append(label.sign, Style(bold=True, reverse=True) + click)
        if label.label:
            items.append(text.append(f" {label.label}", click))
            text = Text()
    return items


def _called(action: str, owner: DOMNode) -> str:
    """Return the name that Textual uses for the action of this key."""
    if isinstance(owner, App):
        place = "app"
    else:
        place = "screen" if isinstance(owner, Screen) else "focused"
    return f"{place}.{action}" if action.endswith(")") else f"{place}.{action}()"
