"""How long a season takes on one core and on two, in how much memory; and what 10⁵ would cost.

Recordings of 124 kB, all alike in size, are exported to one Parquet file. The time on one core
is taken with the process kept to that core. Watching the processes takes a part of a core, so
each command runs twice: alone for its time, and watched for its processor seconds and its
memory, the largest sum of what the processes have for themselves (proportional set size). On
a machine with other work compare the processor seconds as well.

    python tests/benchmarks/bench_season.py --recordings 2000
    python tests/benchmarks/bench_season.py --names 100000

With `--against FOLDER` the sources there export the same season on two cores, in turn.
"""

import argparse
import os
import resource
import subprocess
import sys
import tempfile
import threading
import time
from concurrent.futures import Executor, Future
from dataclasses import dataclass
from pathlib import Path
from typing import Any

from make_recording import make_recording

from chrono.reports.export_table import ExportHead, ExportHeads
from chrono.season.recording_finder import find_sources
from chrono.season.worker_pool import in_order

EDGES = 2700
"""Make a recording of some 124 kB."""
SEEDS = 40
SAMPLE_EVERY_S = 0.1


@dataclass
class Cost:
    """What a command took."""

    wall_s: float
    processor_s: float
    memory_mb: float


def season(folder: Path, number: int) -> None:
    """Make recordings in folders of a hundred; every fortieth has the same content."""
    originals = []
    for seed in range(min(SEEDS, number)):
        originals.append(folder.parent / f"original-{seed}.tsv")
        make_recording(originals[-1], EDGES, seed=seed)
    for place in range(number):
        day = folder / f"{place // 100:04}"
        day.mkdir(parents=True, exist_ok=True)
        os.link(originals[place % len(originals)], day / f"{place % 100:02}.tsv")


def cost_of(command: list[str]) -> Cost:
    """Run a command alone, then again in a session of its own, where it is watched."""
    begin = time.monotonic()
    subprocess.run(command, stderr=subprocess.DEVNULL, check=True)
    wall_s = time.monotonic() - begin
    Path(command[command.index("-o") + 1]).unlink()
    peak = 0
    seconds: dict[str, float] = {}
    running = subprocess.Popen(command, start_new_session=True, stderr=subprocess.DEVNULL)
    pause = threading.Event()
    while running.poll() is None:
        peak = max(peak, _look(running.pid, seconds))
        pause.wait(SAMPLE_EVERY_S)
    assert running.returncode == 0, command
    return Cost(wall_s, sum(seconds.values()), peak / 1024)


def _look(leader: int, seconds: dict[str, float]) -> int:
    """Return the memory of a session's processes [kB]; note their processor seconds."""
    memory_kb = 0
    for folder in Path("/proc").glob("[0-9]*"):
        try:
            told = (folder / "stat").read_text().rsplit(")", 1)[1].split()
            if int(told[3]) != leader:
                continue
            seconds[folder.name] = (int(told[11]) + int(told[12])) / os.sysconf("SC_CLK_TCK")
            rollup = (folder / "smaps_rollup").read_text().split()
        except (OSError, IndexError):
            continue
        memory_kb += int(rollup[rollup.index("Pss:") + 1])
    return memory_kb


def compare_sources(number: int, rounds: int, other: Path) -> None:
    """Export a season on two cores by these sources and by others, in turn."""
    ways = {"these": Path(__file__).parents[2], "those": other.resolve()}
    with tempfile.TemporaryDirectory() as place:
        season(Path(place) / "season", number)
        export = [sys.executable, "-m", "chrono", "export", f"{place}/season", "--jobs", "2"]
        for turn in range(rounds + 1):  # the first makes bytecode and machine code
            files = [Path(place) / f"{turn}-{name}.parquet" for name in ways]
            for file, (name, sources) in zip(files, ways.items(), strict=True):
                os.chdir(sources)  # `-m` looks there first
                cost = cost_of([*export, "-o", str(file)])
                if turn:
                    print(
                        f"{name:>10}: {cost.wall_s:6.2f} s, processors "
                        f"{cost.processor_s:5.1f} s, {cost.memory_mb:4.0f} MB"
                    )
            assert len({len(file.read_bytes()) for file in files}) == 1, "the same digits"


def compare_cores(number: int, rounds: int) -> None:
    """Export a season on one core and on two, in turn."""
    with tempfile.TemporaryDirectory() as place:
        season(Path(place) / "season", number)
        export = [sys.executable, "-m", "chrono", "export", f"{place}/season", "-o"]
        one_core = ["taskset", "-c", "0"]
        cost_of([*export, f"{place}/first.parquet"])  # makes the machine code
        for turn in range(rounds):
            files = [Path(place) / f"{turn}-{jobs}.parquet" for jobs in (1, 2)]
            one = cost_of([*one_core, *export, str(files[0]), "--jobs", "1"])
            two = cost_of([*export, str(files[1]), "--jobs", "2"])
            assert files[0].read_bytes() == files[1].read_bytes(), "the same digits"
            for name, cost in (("one core", one), ("two cores", two)):
                print(
                    f"{name:>10}: {cost.wall_s:6.1f} s, processors {cost.processor_s:5.1f} s, "
                    f"{cost.memory_mb:4.0f} MB"
                )
            print(f"{one.wall_s / two.wall_s:.2f} times as fast on two")


class AtOnce(Executor):
    """Does everything when it is asked to, without any work."""

    def submit(self, fn: Any, /, *args: Any, **kwargs: Any) -> "Future[Any]":
        future: Future[Any] = Future()
        future.set_result(args[-1])
        return future


def on_paper(number: int) -> None:
    """Take the time and memory of what is not reading: names, turns, heads."""
    with tempfile.TemporaryDirectory() as place:
        folder = Path(place)
        for at in range(number):
            day = folder / f"{at // 100:04}"
            day.mkdir(exist_ok=True)
            (day / f"{at % 100:02}.tsv").touch()
        begin = time.process_time()
        sources = find_sources([place])
        _tell("names found and told apart", begin)
        begin = time.process_time()
        assert (
            sum(1 for _ in in_order(lambda *_: (None, []), sources, AtOnce().submit, 16))
            == number
        )
        _tell("turns taken", begin)
        begin, heads = time.process_time(), ExportHeads()
        setups = [{"name": "two bands", "body": {}, "conditions": {"bands": "2"}}]
        for source in sources:
            heads.add(ExportHead(source.name, "2026-05-16T14:00:00.000+02:00", {}, setups))
        size = sum(map(len, heads.texts().values()))
        _tell(f"heads of one file, {size / 1e6:.0f} MB of text", begin)


def _tell(what: str, begin: float) -> None:
    seconds = time.process_time() - begin
    peak_mb = resource.getrusage(resource.RUSAGE_SELF).ru_maxrss / 1024
    print(f"{what}: {seconds:.1f} s, {peak_mb:.0f} MB at most until now")


def main() -> None:
    """Read the options and measure."""
    options = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    options.add_argument("--recordings", type=int, default=2000)
    options.add_argument("--rounds", type=int, default=3)
    options.add_argument("--names", type=int, help="Only what so many names cost.")
    options.add_argument("--against", type=Path, help="Sources of another version.")
    given = options.parse_args()
    if given.names:
        on_paper(given.names)
    elif given.against:
        compare_sources(given.recordings, given.rounds, given.against)
    else:
        compare_cores(given.recordings, given.rounds)


if __name__ == "__main__":
    main()
