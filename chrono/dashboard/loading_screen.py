"""The screen that is shown while a recording is read."""

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
    A screen with a progress bar. The screen returns the loaded run, or the error.

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
        """A message with the number of bytes that were read, and the size of the recording."""

        def __init__(self, done: int, total: int) -> None:
            super().__init__()
            self.done, self.total = done, total

        def can_replace(self, message: Message) -> bool:
            """Return True, because only the latest message is needed."""
            return isinstance(message, LoadingScreen.Progressed)

    def __init__(self, load: Load, name: str) -> None:
        super().__init__()
        self._load, self._name = load, plain(name)
        self._left = False

    def compose(self) -> ComposeResult:
        """Show the name, the progress bar and the key to quit."""
        yield Vertical(
            Static(f"Reading {self._name}", id="heading", markup=False),
            ProgressBar(total=None, show_eta=True),
            Static("q: quit", markup=False),
            classes="box",
        )

    def on_mount(self) -> None:
        """Begin to read the recording."""
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
    """Ends the thread that reads the recording."""
