"""Run scripts that clock a board side by side and kill each at a random moment.

    python tests/faults/killed_script.py FOLDER COUNT SEED

Leaves `N.tsv` (the recording) and `N.out` (what the script got) of each in FOLDER.
"""

import contextlib
import os
import random
import signal
import sys
from pathlib import Path

from killed import AT_ONCE, LONGEST_S, PORT, kill_after

import chrono
from chrono.session.live_run import live_run


def script(folder: Path, number: int, moment_s: float) -> None:
    """Write down each shot that comes, until the end without warning."""
    os.dup2(os.open(os.devnull, os.O_WRONLY), 2)
    recording = str(folder / f"{number}.tsv")
    kill_after(recording, moment_s)
    with (
        (folder / f"{number}.out").open("w", buffering=1) as out,
        chrono.live(PORT.format(number), recording=recording) as shots,
    ):
        for shot in shots:
            out.write(f"{shot.number} {shot.key}\n")


def start(folder: Path, number: int, moment_s: float) -> int:
    """Fork a script and return its process."""
    child = os.fork()
    if not child:
        with contextlib.suppress(BaseException):
            script(folder, number, moment_s)
        os._exit(1)
    return child


if __name__ == "__main__":
    target, count = Path(sys.argv[1]), int(sys.argv[2])
    moment = random.Random(int(sys.argv[3]))
    assert chrono.live
    live_run(PORT.format(0), None, None).session.make_ready()  # loads what a script would
    for first in range(0, count, AT_ONCE):
        batch = range(first, min(first + AT_ONCE, count))
        children = [start(target, each, moment.uniform(0.05, LONGEST_S)) for each in batch]
        for child in children:
            status = os.waitpid(child, 0)[1]
            assert os.WIFSIGNALED(status), "it was not killed, but ended by itself"
            assert os.WTERMSIG(status) == signal.SIGPROF, status
