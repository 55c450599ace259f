"""Run scripts that clock a board side by side and kill each at a random moment.

    python tests/faults/killed_script.py FOLDER COUNT SEED

Leaves `N.tsv` (the recording) and `N.out` (what the script got) of each in FOLDER.
"""

import os
from pathlib import Path

from killed import PORT, kill_after, kill_sessions

import chrono


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


if __name__ == "__main__":
    assert chrono.live  # loads what a script would
    kill_sessions(script, 0.05)
