"""What every screen of the dashboard has: status, troubles and caution above, keys below."""

from __future__ import annotations

from typing import TYPE_CHECKING, Protocol, cast

from rich.style import Style
from rich.text import Text
from textual.app import ComposeResult
from textual.screen import Screen
from textual.widget import Widget
from textual.widgets import Static

from chrono.cautions import CAUTION_LINE
from chrono.dashboard.actions import ACTIONS, GIVE_WAY
from chrono.dashboard.clipped_text import Clipped
from chrono.dashboard.shot_text import flow
from chrono.dashboard.status_text import status_line, trouble_lines

if TYPE_CHECKING:
    from chrono.session.looks import Looks, SessionView
    from chrono.session.run import Run


class Host(Protocol):
    """What a screen may ask of the application that shows it."""

    unit: str
    view: SessionView | None

    @property
    def clocking(self) -> Run:
        """The run that is shown."""

    @property
    def looks(self) -> Looks:
        """What is looked at of the session that is shown now."""

    def refresh_all(self) -> None:
        """Bring the screen up to date in every part."""


NARROW_CELLS, NARROW_LINES = 76, 2
"""A narrow screen spares its keys no more lines."""


class KeyBar(Static):
    """
    The keys that do something now, clicks work too.

    It takes as many lines as it needs, but on a narrow screen where the least keys give way.
    """

    def on_mount(self) -> None:
        """Follow what can be done."""
        self.screen.bindings_updated_signal.subscribe(self, lambda _: self.show_keys())

    def on_resize(self) -> None:
        """Fit the keys to the new width."""
        self.show_keys()

    def show_keys(self) -> None:
        """Write the keys of the actions that can be taken now."""
        able = {bound.binding.action for bound in self.screen.active_bindings.values()}
        keys = {
            action.name: key_text(action.shown_key, action.label, f"app.{action.name}")
            for action in ACTIONS
            if action.name in able
        }
        keys["command_palette"] = key_text("^p", "Commands", "app.command_palette")
        cells = self.content_size.width or self.app.size.width - 2
        shown = flow(list(keys.values()), cells)
        for name in GIVE_WAY if cells < NARROW_CELLS - 2 else ():
            if shown.plain.count("\n") < NARROW_LINES:
                break
            if keys.pop(name, None) is not None:
                shown = flow(list(keys.values()), cells)
        self.update(shown)


def key_text(key: str, label: str, click: str) -> Text:
    """Return a key with its label; a click does the same."""
    text = Text()
    click_style = Style(meta={"@click": f"{click}()"})
    text.append(key, Style(bold=True, reverse=True) + click_style)
    return text.append(f" {label}", click_style)


class FramedScreen(Screen[None]):
    """A screen within the frame; `show_view` and `show_run` are called to update it."""

    def __init__(self) -> None:
        super().__init__()
        self.ready = False
        """Whether all its widgets are there."""

    def on_mount(self) -> None:
        """Take note that everything is there."""
        self.ready = True

    def compose(self) -> ComposeResult:
        """Put the body into the frame."""
        yield Clipped("status", 2, 3)
        yield Clipped("trouble", 3, 8, "b: all of it")
        if self.dashboard.clocking.near_launches:
            yield Static(f"⚠ {CAUTION_LINE}", id="caution", markup=False)
        yield from self.compose_body()
        yield KeyBar(id="keys")

    def compose_body(self) -> list[Widget]:
        """Return the widgets of this screen."""
        raise NotImplementedError

    @property
    def dashboard(self) -> Host:
        """The application."""
        return cast(Host, self.app)

    def on_screen_resume(self) -> None:
        """Show what happened meanwhile."""
        self.dashboard.refresh_all()

    def show_view(self, view: SessionView, unit: str) -> None:
        """Show shots and statistics as they are now."""

    def show_run(self, run: Run) -> None:
        """Show the state of the run; called ten times a second."""
        self.query_one("#status", Clipped).show(status_line(run))
        troubles = trouble_lines(run)
        trouble = self.query_one("#trouble", Clipped)
        trouble.display = bool(troubles)
        trouble.show(Text("\n".join(troubles)))
        self.set_class(bool(troubles), "-troubled")


def update_text(widget: Static, text: Text) -> None:
    """Change a text only if it differs: most of the time it does not."""
    if getattr(widget, "shown_text", None) != text:
        widget.shown_text = text  # type: ignore[attr-defined]
        widget.update(text)
