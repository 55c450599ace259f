"""How long the stages of a bulk export take, against `pandas.read_csv` merely loading.

Every stage runs in a fresh process, the stages take turns, and medians are compared: a
machine that is busy for a while slows all of them. Nothing here passes or fails.

    python tests/benchmarks/bench_export.py --edges 10000000 --rounds 5
"""

import argparse
import multiprocessing
import resource
import tempfile
import time
from collections.abc import Callable
from dataclasses import dataclass
from pathlib import Path
from statistics import median

from make_recording import make_recording


def read_csv(path: Path) -> int:
    """Load the file, the yardstick: C engine, one thread, no check of any line."""
    import pandas as pd

    return len(pd.read_csv(path, sep="\t", quoting=3))


def read_rows(path: Path) -> int:
    """Read blocks of whole rows."""
    from chrono.reader.recording import read_blocks

    return sum(block.count(b"\n") for block in read_blocks(path))


def decode(path: Path) -> int:
    """Read and decode all rows, with their CRC."""
    from chrono.reader.decoder import decode_rows
    from chrono.reader.recording import read_blocks

    return sum(decode_rows(block, "framed").rows for block in read_blocks(path))


def table(path: Path) -> int:
    """Do all the work of an export but the writing: shots, speeds, error budget."""
    from chrono.recorded import read_recording

    return len(read_recording(path).session.log)


def export_csv(path: Path) -> int:
    """Run a whole export to CSV."""
    return _export(path, "csv")


def export_parquet(path: Path) -> int:
    """Run a whole export to Parquet."""
    return _export(path, "parquet")


def _export(path: Path, ending: str) -> int:
    from chrono.export import write_table
    from chrono.recorded import read_recording

    with tempfile.TemporaryDirectory() as folder:
        session = read_recording(path).session
        return write_table([(path.name, session)], Path(folder) / f"out.{ending}")


STAGES: dict[str, Callable[[Path], int]] = {
    "read_csv": read_csv,
    "read rows": read_rows,
    "decode": decode,
    "table": table,
    "to CSV": export_csv,
    "to Parquet": export_parquet,
}
"""Name and function of each stage; a function gets the recording and returns a count."""


@dataclass(frozen=True)
class Cost:
    """What one run of a stage took: wall time, processor time, growth of the process."""

    wall_s: float
    cpu_s: float
    grown_mb: float


def _measured(stage: str, path: Path) -> Cost:
    run = STAGES[stage]
    with tempfile.TemporaryDirectory() as folder:
        small = Path(folder) / "small.tsv"
        make_recording(small, edges=100_000)
        run(small)  # imports, tables
    size_kb = resource.getrusage(resource.RUSAGE_SELF).ru_maxrss
    wall_s, cpu_s = time.perf_counter(), time.process_time()
    run(path)
    wall_s, cpu_s = time.perf_counter() - wall_s, time.process_time() - cpu_s
    size_kb = resource.getrusage(resource.RUSAGE_SELF).ru_maxrss - size_kb
    return Cost(wall_s, cpu_s, size_kb / 1024)


def compare(path: Path, rows: int, rounds: int) -> None:
    """Let the stages take turns and print their medians."""
    costs: dict[str, list[Cost]] = {stage: [] for stage in STAGES}
    for _ in range(rounds):
        for stage in STAGES:
            with multiprocessing.get_context("spawn").Pool(1) as process:
                costs[stage].append(process.apply(_measured, (stage, path)))
    megabytes = path.stat().st_size / 1e6
    print(f"{rows} rows, {megabytes:.0f} MB; medians of {rounds} rounds, wall (processor)")
    yardstick_wall, yardstick_cpu = _medians(costs["read_csv"])
    for stage, runs in costs.items():
        wall_s, cpu_s = _medians(runs)
        print(
            f"{stage:10s} {wall_s:7.2f} ({cpu_s:.2f}) s"
            f"  {rows / wall_s / 1e6:6.2f} ({rows / cpu_s / 1e6:.2f}) M rows/s"
            f"  {wall_s / yardstick_wall:5.2f} ({cpu_s / yardstick_cpu:.2f}) × read_csv"
            f"  grew by {max(run.grown_mb for run in runs):.0f} MB"
        )


def _medians(runs: list[Cost]) -> tuple[float, float]:
    return median(run.wall_s for run in runs), median(run.cpu_s for run in runs)


def main() -> None:
    """Make a recording, or take one, and compare."""
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    parser.add_argument("--edges", type=int, default=10_000_000)
    parser.add_argument("--rounds", type=int, default=5)
    parser.add_argument("--crlf", action="store_true")
    options = parser.parse_args()
    with tempfile.TemporaryDirectory() as folder:
        path = Path(folder) / "big.tsv"
        made = make_recording(path, options.edges, crlf=options.crlf)
        compare(path, made.rows, options.rounds)


if __name__ == "__main__":
    main()
