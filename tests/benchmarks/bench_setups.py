"""How much longer it takes to read recordings in which the setup changes often.

Recordings of the same shots are read with no setup, with one every ten shots and with one at
every shot: whole, by the loops as they stand and as machine code, and as a replay hands them
to the dashboard. The three take turns; what is printed are medians of the processor's time
for one recording, and the ratio to no setup. Nothing here passes or fails.

    python tests/benchmarks/bench_setups.py --recordings 20 --rounds 5
"""

import argparse
import tempfile
import time
from collections.abc import Callable
from pathlib import Path
from statistics import median

from make_recording import make_recording

from chrono.arrays import machine_code
from chrono.session.recording_loader import read_recording
from chrono.session.replay_run import ReplayRun
from chrono.session.session import Session

SHOTS = 620
EVERY = {"none": 0, "every ten shots": 10, "every shot": 1}
"""How many shots a setup holds for, by what is printed."""

AFTER_ALL_US = 10**15


def read_whole(path: Path) -> Session:
    """Form and measure all shots of a recording."""
    session = read_recording(path).session
    for part in session.log.chunks():
        session.measured(part)
    return session


def replay(path: Path, whole: Session) -> Session:
    """Take a recording as a replay does whose time has run to its end."""
    run = ReplayRun(path, whole, 1.0)
    run.start()
    run.source.pause()
    run.source.release_until(AFTER_ALL_US)
    while not run.finished:
        run.step()
    return run.session


def compare(
    name: str, work: Callable[[Path], object], paths: dict[str, list[Path]], rounds: int
) -> None:
    """Let the three take turns at some work, and print what it takes."""
    taken_s: dict[str, list[float]] = {every: [] for every in paths}
    for every in paths:
        work(paths[every][0])  # imports, tables
    for _ in range(rounds):
        for every, own in paths.items():
            begin_s = time.process_time()
            for path in own:
                work(path)
            taken_s[every].append((time.process_time() - begin_s) / len(own))
    print(name)
    none_s = median(taken_s["none"])
    for every, each_s in taken_s.items():
        print(f"  {every:16} {median(each_s) * 1e3:7.2f} ms  {median(each_s) / none_s:5.2f} ×")


def main() -> None:
    """Make the recordings and compare."""
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    parser.add_argument("--recordings", type=int, default=20)
    parser.add_argument("--rounds", type=int, default=5)
    options = parser.parse_args()
    with tempfile.TemporaryDirectory() as folder:
        paths: dict[str, list[Path]] = {}
        for every, shots in EVERY.items():
            paths[every] = [
                Path(folder) / f"{shots}-{n}.tsv" for n in range(options.recordings)
            ]
            for seed, path in enumerate(paths[every]):
                make_recording(path, 4 * SHOTS, seed=seed, setup_every=shots)
        wholes = {path: read_whole(path) for own in paths.values() for path in own}
        print(
            f"{options.recordings} recordings of {SHOTS} shots, {options.rounds} rounds; each"
        )
        compare("whole, loops as they stand", read_whole, paths, options.rounds)
        compare("replay", lambda path: replay(path, wholes[path]), paths, options.rounds)
        machine_code.load_numba()
        compare("whole, machine code", read_whole, paths, options.rounds)


if __name__ == "__main__":
    main()
