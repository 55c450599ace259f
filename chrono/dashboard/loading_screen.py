"""The program shows this screen with a progress bar while it reads a recording."""

from __future__ import annotations

from asyncio import CancelledError, to_thread
from collections.abc import Callable
from typing import TYPE_CHECKING, ClassVar

from textual import on, work
from textual.app import ComposeResult
from textual.binding import Binding, BindingType
from textual.containers import Vertical
from textual.message import Message
from textual.screen import Screen
from textual.widgets import ProgressBar, Static

from chrono.errors import ChronoError
from chrono.safe_text import plain

if TYPE_CHECKING:
    from chrono.session.recording_loader import Progress
    from chrono.session.run import Run

Load = Callable[["Progress"], "Run"]


class LoadingScreen(Screen["Run | ChronoError"]):
    """
    A screen that shows a progress bar while a recording is loaded.

    When the loading ends, the screen returns the loaded run, or the error.

    Parameters
    ----------
    load : callable
        Function that makes the run in a thread. Its argument is a function that reports
        progress.
    name : str
        Name of the recording that is read.
    """

    BINDINGS: ClassVar[list[BindingType]] = [Binding("q", "app.quit", "Quit")]

    class Progressed(Message):
        """
        A message about the progress: the number of bytes read so far, and the recording's size.
        """

        def __init__(self, done: int, total: int) -> None:
            super().__init__()
            self.done, self.total = done, total

        def can_replace(self, message: Message) -> bool:
            """Return whether this message can replace an older one that still waits."""
            return isinstance(message, LoadingScreen.Progressed)

    def __init__(self, load: Load, name: str) -> None:
        super().__init__()
        self._load, self._name = load, plain(name)
        self._left = False

    def compose(self) -> ComposeResult:
        """Show the recording's name, a progress bar and the key to quit."""
        yield Vertical(
            Static(f"Reading {self._name}", id="heading", markup=False),
            ProgressBar(),
            Static("q: quit"),
            classes="box",
        )

    def on_mount(self) -> None:
        """Start to read the recording in a thread."""
        self._read()

    @work
    async def _read(self) -> None:
        try:
            self.dismiss(await to_thread(self._loaded))
        except ChronoError as error:
            self.dismiss(error)
        except CancelledError:
            self._left = True
            raise

    def _loaded(self) -> Run:
        def progress(done: int, total: int) -> None:
            if self._left:
                raise _NoLongerWanted
            self.post_message(self.Progressed(done, total))

        run = self._load(progress)
        run.session.make_ready()
        return run

    @on(Progressed)
    def _show_progress(self, message: Progressed) -> None:
        for bar in self.query(ProgressBar):
            bar.update(total=max(message.total, 1), progress=message.done)


class _NoLongerWanted(Exception):  # noqa: N818 - no error: the operator has quit
    """Exception that ends the thread which reads the recording, because the user has quit."""
