"""Run live sessions side by side and kill each at a random moment, without any warning.

    python tests/faults/killed.py FOLDER COUNT SEED

Leaves `N.tsv` (the recording) and `N.out` (what was printed) of each in FOLDER. The program
is loaded once and forked, so that the kills fall into sessions and not into imports.
"""

import contextlib
import os
import random
import signal
import sys
import time
from pathlib import Path

import chrono.commands.console_output
import chrono.reports.export_table  # noqa: F401 - loaded before the fork
from chrono.cli import main
from chrono.session.live_run import live_run

AT_ONCE = 8
LONGEST_S = 1.6
PORT = "virtual://class-afternoon?seed={}&speedup=1000"


def live_session(folder: Path, number: int) -> None:
    """Clock a virtual board until the end, which comes from outside."""
    out = os.open(folder / f"{number}.out", os.O_WRONLY | os.O_CREAT | os.O_EXCL)
    os.dup2(out, 1)
    os.dup2(os.open(os.devnull, os.O_WRONLY), 2)
    recording = str(folder / f"{number}.tsv")
    port = PORT.format(number)
    sys.argv = ["chrono", "clock", port, "--json", "--recording", recording]
    main()


def start(folder: Path, number: int) -> int:
    """Fork a session and return its process once it has begun to record."""
    child = os.fork()
    if not child:
        with contextlib.suppress(BaseException):
            live_session(folder, number)
        os._exit(1)
    while not (folder / f"{number}.tsv").exists() and not os.waitpid(child, os.WNOHANG)[0]:
        time.sleep(0.001)
    return child


def kill_some(folder: Path, numbers: range, moments: list[float]) -> None:
    """Start a session for each number and kill it that long after its beginning [s]."""
    ends = []
    for number, moment in zip(numbers, moments, strict=True):
        child = start(folder, number)
        ends.append((time.monotonic() + moment, child))
    for end, child in sorted(ends):
        time.sleep(max(end - time.monotonic(), 0.0))
        os.kill(child, signal.SIGKILL)
        os.waitpid(child, 0)


if __name__ == "__main__":
    target, count = Path(sys.argv[1]), int(sys.argv[2])
    moment = random.Random(int(sys.argv[3]))
    live_run(PORT.format(0), None, None)  # loads what the first session would load
    for first in range(0, count, AT_ONCE):
        batch = range(first, min(first + AT_ONCE, count))
        kill_some(target, batch, [moment.uniform(0.0, LONGEST_S) for _ in batch])
