"""The base class of three applications: the dashboard, the error lab and the log book.

This class handles the colour theme, the user's saved choices and the signals that end the
program. The named colours come from the set of Okabe and Ito (jfly.uni-koeln.de/color, 2008).
Colour-blind people can distinguish these colours too. Each colour of the set was made lighter
or darker until its contrast was at least 4.5 : 1 on every background of the program (WCAG 2.2,
1.4.3).
"""

from __future__ import annotations

import gc
import signal
import sys
from asyncio import get_running_loop
from collections.abc import Iterator
from contextlib import contextmanager, suppress
from pathlib import Path
from types import FrameType
from typing import TypeVar

from platformdirs import user_downloads_path
from rich.terminal_theme import TerminalTheme
from textual import events
from textual.app import App

from chrono.dashboard.dialogs import TypedDialog, plain_text
from chrono.dashboard.preferences import Preferences

Result = TypeVar("Result")


class BaseApp(App[Result]):
    """
    An application with the colour theme that the operator chose.

    Signals of the operating system such as SIGTERM end the application.
    """

    TITLE = "chrono"
    CSS_PATH = Path(__file__).with_name("dashboard.tcss")

    def __init__(self) -> None:
        super().__init__()
        self.preferences = Preferences()
        self.ansi_theme_dark, self.ansi_theme_light = ON_DARK, ON_LIGHT
        if self.preferences.theme in self.available_themes:
            self.theme = self.preferences.theme

    def on_mount(self) -> None:
        """
        Exit properly after a signal such as SIGTERM, so that the terminal works normally again.
        """
        for name in ("SIGTERM", "SIGHUP"):
            with suppress(AttributeError, NotImplementedError, RuntimeError, ValueError):
                get_running_loop().add_signal_handler(getattr(signal, name), self.exit)
        _stay_out_of_a_closed_terminal()

    def watch_theme(self, theme: str) -> None:
        """Save the colour theme for the next session."""
        if self.is_running:
            self.preferences.choose_theme(theme)

    async def on_key(self, event: events.Key) -> None:
        """Pass keys to a dialog if the user pressed them before the dialog was ready."""
        for dialog in self.screen_stack[-1:]:
            if isinstance(dialog, TypedDialog) and (event.is_printable or not dialog.stands):
                event.prevent_default()
                await dialog.take(event)

    def deliver_screenshot(
        self,
        filename: str | None = None,
        path: str | None = None,
        time_format: str | None = None,
    ) -> str | None:
        """
        Save a picture of the screen in the downloads folder, or else in the current folder.
        """
        downloads = user_downloads_path()
        folder = Path(path) if path else downloads if downloads.is_dir() else Path.cwd()
        try:
            saved = self.save_screenshot(filename, str(folder), time_format)
        except OSError as error:
            self.warn(
                "The screenshot is not saved, because the program cannot write to "
                f"{folder}: {error.strerror}."
            )
            return None
        self.notify(f"Screenshot saved: {saved}", markup=False)
        return saved

    def warn(self, text: str) -> None:
        """Show the operator a warning about a problem."""
        self.notify(plain_text(text), severity="warning", timeout=8, markup=False)


def _stay_out_of_a_closed_terminal() -> None:
    """
    Let Textual ignore SIGCONT after the terminal was closed.

    A terminal that closes sends SIGHUP and SIGCONT. After SIGCONT, Textual prepares the
    terminal again. In a closed terminal this could wait forever, and the program would never
    end.
    """
    if not hasattr(signal, "SIGCONT"):  # Windows
        return
    resume, terminal = signal.getsignal(signal.SIGCONT), sys.__stderr__
    if not callable(resume) or terminal is None:
        return

    def resume_if_open(number: int, frame: FrameType | None) -> None:
        if terminal.isatty():
            resume(number, frame)

    with suppress(ValueError):  # outside the main thread no signal arrives
        signal.signal(signal.SIGCONT, resume_if_open)


_DARK = ("#ff8f5a", "#3ecf9f", "#f0b429", "#6ab7f5", "#e79ac8", "#62c4f0", "#e6e6e6")
_LIGHT = ("#8c2a00", "#004d39", "#5e3f00", "#003f73", "#732a58", "#004a70", "#1c1c1c")
"""Each tuple contains red, green, yellow, blue, magenta, cyan and white, in this order."""


def _terminal_theme(ground: str, ink: str, faint: str, hues: tuple[str, ...]) -> TerminalTheme:
    normal = [_rgb(colour) for colour in ("#000000", *hues)]
    bright = [_rgb(colour) for colour in (faint, *hues)]
    return TerminalTheme(_rgb(ground), _rgb(ink), normal, bright)


def _rgb(colour: str) -> tuple[int, int, int]:
    red, green, blue = (int(colour[i : i + 2], 16) for i in (1, 3, 5))
    return red, green, blue


ON_DARK = _terminal_theme("#121212", "#e0e0e0", "#b0b0b0", _DARK)
ON_LIGHT = _terminal_theme("#f0f0f0", "#1c1c1c", "#3f3f3f", _LIGHT)


SWITCH_S = 0.0005
"""Time after which another thread may run [s]. Other threads and the garbage collector, which
checks all widgets, can delay the thread that reads the port by up to 0.2 s.
"""


@contextmanager
def short_turns() -> Iterator[None]:
    """Let Python switch threads more often; at the end, undo this and `freeze_widgets`."""
    before = sys.getswitchinterval()
    sys.setswitchinterval(SWITCH_S)
    try:
        yield
    finally:
        sys.setswitchinterval(before)
        gc.unfreeze()


def freeze_widgets() -> None:
    """Let Python's garbage collector skip all objects that exist now: the screen needs them."""
    gc.collect()
    gc.freeze()
