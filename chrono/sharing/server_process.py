"""Show a live session to viewers from a separate process, which only reads the recording.

Viewers cannot delay the reading of the board's lines. The measuring process and the sharing
process exchange data through a pipe. The first data from the sharing process are None (ready)
or a text with a problem; all later data are messages for the terminal. The measuring process
sends the teacher's keys and the names of new files. It closes the pipe to end the sharing.
"""

import multiprocessing
import signal
import socket
from contextlib import suppress
from multiprocessing.connection import Connection
from multiprocessing.context import SpawnProcess
from pathlib import Path

from chrono.errors import ChronoError, PortError
from chrono.session.replay_run import follow_run
from chrono.sharing.share_server import DisplayOptions, serve

READY_WITHIN_S = 30.0
END_WITHIN_S = 5.0


class SharingProcess:
    """
    Starts and controls the process that shares the page.

    Parameters
    ----------
    recording : Path
        The recording; it must exist.
    bound : socket
        The socket of the page.
    token : str
    wishes : DisplayOptions

    Attributes
    ----------
    trouble : str
        The reason why the page is no longer served; empty while it is served.

    Raises
    ------
    ChronoError
        If sharing cannot begin.
    """

    def __init__(
        self, recording: Path, bound: socket.socket, token: str, wishes: DisplayOptions
    ) -> None:
        processes = multiprocessing.get_context("spawn")
        self._pipe, others = processes.Pipe()
        self._recording = recording
        self.trouble = ""
        self._process = processes.Process(
            target=_share, args=(others, recording, bound, token, wishes), daemon=True
        )
        _start(self._process)
        others.close()
        bound.close()
        self._await_ready()

    def look_after(self, recording: Path, keys: str = "") -> list[str]:
        """
        Check that the sharing process runs, and send the file name and the pressed keys to it.

        Return the new messages for the terminal.
        """
        if recording != self._recording:
            self._recording = recording
            with suppress(OSError):
                self._pipe.send(recording)
        lines: list[str] = []
        with suppress(OSError, EOFError):
            if keys:
                self._pipe.send(keys)
            while self._pipe.poll():
                lines += self._pipe.recv()
        if not self.trouble and not self._process.is_alive():
            self.trouble = (
                "the page is no longer shared; the measurement continued without the page"
            )
        return lines

    def close(self) -> None:
        """End the sharing process."""
        self._pipe.close()
        self._process.join(END_WITHIN_S)
        if self._process.is_alive():
            self._process.terminate()
            self._process.join()

    def _await_ready(self) -> None:
        trouble: object = "the program that shares the page did not start"
        with suppress(EOFError, OSError):
            if self._pipe.poll(READY_WITHIN_S):
                trouble = self._pipe.recv()
        if trouble is not None:
            self.close()
            raise PortError(f"the page cannot be shared: {trouble}", where="share")


def _start(process: SpawnProcess) -> None:
    """
    Start a process that does not react to Ctrl+C.

    Ctrl+C reaches all processes of a terminal, even if they are still loading. Only the
    measuring process handles it, and then ends the other process.
    """
    if not hasattr(signal, "pthread_sigmask"):  # Windows
        process.start()
        return
    from multiprocessing import resource_tracker

    resource_tracker.ensure_running()  # starting the tracker would unblock the signal again
    before = signal.pthread_sigmask(signal.SIG_BLOCK, {signal.SIGINT})
    try:
        process.start()
    finally:
        signal.pthread_sigmask(signal.SIG_SETMASK, before)


def _share(
    pipe: Connection, recording: Path, bound: socket.socket, token: str, wishes: DisplayOptions
) -> None:
    """Read the recording and serve its page until the measuring process closes the pipe."""
    try:
        run = follow_run(recording)
        run.start()
        run.session.make_ready()
    except ChronoError as error:
        pipe.send(error.message)
        return

    control = wishes.control()

    def is_over() -> bool:
        try:
            while pipe.poll():
                told = pipe.recv()
                if isinstance(told, Path):
                    run.source.go_on_under(told)
                else:
                    control.press_all(told)
            if said := control.fetch_said():
                pipe.send(said)
        except (EOFError, OSError):
            return True
        return False

    with suppress(KeyboardInterrupt):
        serve(run, bound, token, wishes, lambda: pipe.send(None), is_over, control)
    run.close()
