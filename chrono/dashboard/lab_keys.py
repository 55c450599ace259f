"""The keys of the error lab, and the line that shows them."""

from dataclasses import dataclass

from rich.style import Style
from rich.text import Text
from textual.binding import Binding
from textual.widgets import Static

from chrono.dashboard.shot_text import flow


@dataclass(frozen=True)
class LabKey:
    """
    One thing to do in the lab.

    Attributes
    ----------
    keys : str
        As Textual names them, separated by commas.
    shown : str
        As people see them.
    label : str
    action : str
        The screen's method is ``action_<action>``, parameters in brackets.
    """

    keys: str
    shown: str
    label: str
    action: str


LAB_KEYS = (
    LabKey("up", "↑", "", "choose(-1)"),
    LabKey("down", "↓", "Setting", "choose(1)"),
    LabKey("left", "←", "", "step(-1)"),
    LabKey("right", "→", "Step", "step(1)"),
    LabKey("p", "p", "Picture", "picture"),
    LabKey("1", "1", "", "preset(0)"),
    LabKey("2", "2", "", "preset(1)"),
    LabKey("3", "3", "", "preset(2)"),
    LabKey("4", "4", "", "preset(3)"),
    LabKey("5", "5", "", "preset(4)"),
    LabKey("6", "6", "Presets", "preset(5)"),
    LabKey("n", "n", "Question", "question"),
    LabKey("a", "a", "Answer", "answer"),
    LabKey("t", "t", "Try it", "try_it"),
    LabKey("g", "g", "Guess", "guess"),
    LabKey("h", "h", "Hide ±", "hide"),
    LabKey("o", "o", "Other gates", "others"),
    LabKey("comma", ",", "", "shot(-1)"),
    LabKey("full_stop", ".", "Shot", "shot(1)"),
    LabKey("0", "0", "Reset", "reset"),
    LabKey("u", "u", "Unit", "unit"),
    LabKey("q,escape", "q", "Leave", "leave"),
)

LAB_BINDINGS = [Binding(key.keys, key.action, key.label, show=False) for key in LAB_KEYS]


class LabKeyBar(Static):
    """The keys that do something now; takes as many lines as it needs, clicks work too."""

    def on_mount(self) -> None:
        """Follow what can be done."""
        self.screen.bindings_updated_signal.subscribe(self, lambda _: self.show_keys())

    def on_resize(self) -> None:
        """Fit the keys to the new width."""
        self.show_keys()

    def show_keys(self) -> None:
        """Write the keys that can be pressed now, those of one label side by side."""
        able = {bound.binding.action for bound in self.screen.active_bindings.values()}
        items, text = [], Text()
        for key in LAB_KEYS:
            if key.action not in able:
                continue
            click = Style(meta={"@click": f"screen.{_called(key.action)}"})
            text.append(key.shown, Style(bold=True, reverse=True) + click)
            if key.label:
                items.append(text.append(f" {key.label}", click))
                text = Text()
        self.update(flow(items, self.content_size.width or self.app.size.width - 2))


def _called(action: str) -> str:
    return action if action.endswith(")") else f"{action}()"
