"""How long the stages of a bulk export take, against `pandas.read_csv` merely loading.

Every stage runs in a fresh process, the stages take turns, and medians are compared: a
machine that is busy for a while slows all of them. The yardstick is `read_csv` with one
thread (pandas 3.1 and later take several unless told otherwise); how long it takes with
several is told too. `--one-core` keeps all stages to one core. Memory is
the highest growth of the process beside the result it made (Linux with glibc only). Nothing
here passes or fails.

    python tests/benchmarks/bench_export.py --edges 10000000 --rounds 5
"""

import argparse
import contextlib
import ctypes
import multiprocessing
import os
import tempfile
import time
from collections.abc import Callable
from dataclasses import dataclass
from pathlib import Path
from statistics import median
from typing import TYPE_CHECKING

from make_recording import Made, make_recording

from chrono.rigs.line_kinds import FRAMED

if TYPE_CHECKING:
    from chrono.session.session import Session


def read_csv(path: Path) -> int:
    """Load the file, the yardstick: C engine, one thread, no check of any line."""
    import pandas as pd

    with contextlib.suppress(pd.errors.OptionError):  # before 3.1 there is only one thread
        pd.set_option("mode.max_threads", 1)
    return read_csv_by_threads(path)


def read_csv_by_threads(path: Path) -> int:
    """Load the file as pandas does if not told otherwise."""
    import pandas as pd

    table = pd.read_csv(path, sep="\t", quoting=3)
    return int(table.memory_usage(deep=True).sum())


def read_rows(path: Path) -> int:
    """Read blocks of whole rows."""
    from chrono.reader.recording_reader import read_blocks

    for block in read_blocks(path):
        block.count(b"\n")
    return 0


def decode(path: Path) -> int:
    """Read and decode all rows, with their CRC."""
    from chrono.arrays.machine_code import load_numba
    from chrono.reader.recording_reader import read_blocks
    from chrono.reader.row_decoding import decode_rows

    load_numba()
    for block in read_blocks(path):
        decode_rows(block, FRAMED)
    return 0


def table(path: Path) -> int:
    """Do all the work of an export but the writing: shots, speeds, error budget."""
    from chrono.session.recording_loader import read_recording

    session = read_recording(path).session
    for part in session.log.chunks():
        session.measured(part)
    return _result_bytes(session)


def export_csv(path: Path) -> int:
    """Run a whole export to CSV."""
    return _export(path, "csv")


def export_parquet(path: Path) -> int:
    """Run a whole export to Parquet."""
    return _export(path, "parquet")


def _export(path: Path, ending: str) -> int:
    from chrono.reports.export_table import shot_table
    from chrono.reports.table_files import write_table
    from chrono.session.recording_loader import read_recording

    with tempfile.TemporaryDirectory() as folder:
        session = read_recording(path).session
        write_table([shot_table(session, path.name)], Path(folder) / f"out.{ending}")
        return _result_bytes(session)


def _result_bytes(session: "Session") -> int:
    return session.log.shots.nbytes + session.log.setup.nbytes


def _keep_to_one_core() -> None:
    if hasattr(os, "sched_setaffinity"):
        os.sched_setaffinity(0, {max(os.sched_getaffinity(0))})


STAGES: dict[str, Callable[[Path], int]] = {
    "read_csv": read_csv,
    "by threads": read_csv_by_threads,
    "read rows": read_rows,
    "decode": decode,
    "table": table,
    "to CSV": export_csv,
    "to Parquet": export_parquet,
}
"""Name and function of each stage; it gets the recording, returns the bytes of its result."""


@dataclass(frozen=True)
class Cost:
    """What one run of a stage took: wall time, processor time, memory beside the result."""

    wall_s: float
    cpu_s: float
    memory_mb: float


def _measured(stage: str, path: Path, one_core: bool) -> Cost:
    if one_core:
        _keep_to_one_core()
    run = STAGES[stage]
    with tempfile.TemporaryDirectory() as folder:
        small = Path(folder) / "small.tsv"
        make_recording(small, edges=100_000)
        run(small)  # imports, tables
    resident = _give_back_memory()
    wall_s, cpu_s = time.perf_counter(), time.process_time()
    result_bytes = run(path)
    wall_s, cpu_s = time.perf_counter() - wall_s, time.process_time() - cpu_s
    return Cost(wall_s, cpu_s, (_memory("VmHWM") - resident - result_bytes) / 1e6)


def _give_back_memory() -> int:
    """Return the resident bytes once freed memory is given back; peaks count from here."""
    ctypes.CDLL(None).malloc_trim(0)
    Path("/proc/self/clear_refs").write_text("5")
    return _memory("VmRSS")


def _memory(name: str) -> int:
    status = Path("/proc/self/status").read_text()
    return 1024 * int(status.split(f"{name}:")[1].split()[0])


def compare(path: Path, made: Made, rounds: int, one_core: bool) -> None:
    """Let the stages take turns and print their medians."""
    costs: dict[str, list[Cost]] = {stage: [] for stage in STAGES}
    for _ in range(rounds):
        for stage in STAGES:
            with multiprocessing.get_context("spawn").Pool(1) as process:
                costs[stage].append(process.apply(_measured, (stage, path, one_core)))
    megabytes = path.stat().st_size / 1e6
    print(f"{made.edges} edges in {made.rows} rows, {megabytes:.0f} MB")
    print(f"medians of {rounds} rounds, wall (processor)")
    yardstick_wall, yardstick_cpu = _medians(costs["read_csv"])
    for stage, runs in costs.items():
        wall_s, cpu_s = _medians(runs)
        print(
            f"{stage:10s} {wall_s:7.2f} ({cpu_s:.2f}) s"
            f"  {made.edges / wall_s / 1e6:6.2f} ({made.edges / cpu_s / 1e6:.2f}) M edges/s"
            f"  {wall_s / yardstick_wall:5.2f} ({cpu_s / yardstick_cpu:.2f}) × read_csv"
            f"  {max(run.memory_mb for run in runs):5.0f} MB beside the result"
        )


def _medians(runs: list[Cost]) -> tuple[float, float]:
    return median(run.wall_s for run in runs), median(run.cpu_s for run in runs)


def main() -> None:
    """Make a recording, or take one, and compare."""
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    parser.add_argument("--edges", type=int, default=10_000_000)
    parser.add_argument("--rounds", type=int, default=5)
    parser.add_argument("--crlf", action="store_true")
    parser.add_argument("--one-core", action="store_true")
    options = parser.parse_args()
    with tempfile.TemporaryDirectory() as folder:
        path = Path(folder) / "big.tsv"
        made = make_recording(path, options.edges, crlf=options.crlf)
        compare(path, made, options.rounds, options.one_core)


if __name__ == "__main__":
    main()
