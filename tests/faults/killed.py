"""Run live sessions side by side and kill each at a random moment, without any warning.

    python tests/faults/killed.py FOLDER COUNT SEED

Leaves `N.tsv` (the recording) and `N.out` (what was printed) of each in FOLDER. The program
is loaded once and forked, so that the kills fall into sessions and not into imports.

A moment is a length of the session's own processor time, so that it falls into the same part
of a session on an idle machine and on a busy one. The kernel keeps that time, and ends the
process by a signal that the program does not handle: like SIGKILL, which no timer can send.
"""

import contextlib
import os
import random
import signal
import sys
from collections.abc import Callable
from pathlib import Path

import chrono.commands.console_output
import chrono.reports.export_table  # noqa: F401 - loaded before the fork
from chrono.cli import main
from chrono.session.live_run import live_run

AT_ONCE = 8
LONGEST_S = 0.4
Session = Callable[[Path, int, float], None]
"""It gets the folder, its number, and the moment of its end [s]."""
PORT = "virtual://class-afternoon?seed={}&speedup=1000"


def kill_after(recording: str, moment_s: float) -> None:
    """Have this process killed so much processor time after it begins to record."""

    def heard(event: str, details: tuple[object, ...]) -> None:
        if event == "open" and str(details[0]) == recording:
            signal.setitimer(signal.ITIMER_PROF, moment_s)

    signal.signal(signal.SIGPROF, signal.SIG_DFL)
    sys.addaudithook(heard)


def live_session(folder: Path, number: int, moment_s: float) -> None:
    """Clock a virtual board until the end, which comes without warning."""
    out = os.open(folder / f"{number}.out", os.O_WRONLY | os.O_CREAT | os.O_EXCL)
    os.dup2(out, 1)
    os.dup2(os.open(os.devnull, os.O_WRONLY), 2)
    recording = str(folder / f"{number}.tsv")
    port = PORT.format(number)
    sys.argv = ["chrono", "clock", port, "--json", "--recording", recording]
    kill_after(recording, moment_s)
    main()


def start(session: Session, folder: Path, number: int, moment_s: float) -> int:
    """Fork a session and return its process."""
    child = os.fork()
    if not child:
        with contextlib.suppress(BaseException):
            session(folder, number, moment_s)
        os._exit(1)
    return child


def kill_sessions(session: Session, shortest_s: float) -> None:
    """Run and kill as many sessions as the command line asks for."""
    target, count = Path(sys.argv[1]), int(sys.argv[2])
    moment = random.Random(int(sys.argv[3]))
    live_run(PORT.format(0), None, None).session.make_ready()  # loads what a session would
    for first in range(0, count, AT_ONCE):
        batch = range(first, min(first + AT_ONCE, count))
        children = [
            start(session, target, each, moment.uniform(shortest_s, LONGEST_S))
            for each in batch
        ]
        for child in children:
            status = os.waitpid(child, 0)[1]
            assert os.WIFSIGNALED(status), "it was not killed, but ended by itself"
            assert os.WTERMSIG(status) == signal.SIGPROF, status


if __name__ == "__main__":
    kill_sessions(live_session, 0.0)
