"""Time and peak memory of the commands on recordings of 2 GB, good and hostile.

Each command runs in a process of its own. Nothing here passes or fails; what must hold at a
size that runs in seconds is held by tests/test_hostile.py.

    python tests/benchmarks/bench_huge.py --megabytes 2000
"""

import argparse
import subprocess
import sys
import tempfile
import time
from collections.abc import Iterator
from itertools import repeat
from pathlib import Path

from make_recording import RIG, make_recording

from chrono.reader.line_grammar import encode_beat
from chrono.reader.recording_rows import HEADER, board_row, json_row
from chrono.rigs.rig_file import parse_rig, rig_record

BYTES_AN_EDGE = 50
"""Of a made recording, its beats included."""

COMMANDS = ("summary FILE", "export FILE -o OUT", "check FILE")


def recordings(folder: Path, megabytes: int) -> Iterator[tuple[str, Path]]:
    """Yield recordings one by one, each in the place of the one before."""
    path = folder / "huge.tsv"
    make_recording(path, megabytes * 1_000_000 // BYTES_AN_EDGE)
    yield "shots", path
    beats = (
        board_row(n * 1_000_000, encode_beat(n, n * 16_000_000, 0, 0)) for n in range(1000)
    )
    for name, block in (
        ("beats", b"".join(beats)),
        ("one line", b"E" * 1_000_000),
        ("damage", board_row(5, b"E 00") * 10_000),
    ):
        with path.open("wb") as file:
            file.write(HEADER + json_row(0, "rig", rig_record(parse_rig(RIG, "benchmark"))))
            file.write(b"5\tboard\t" * (name == "one line"))
            file.writelines(repeat(block, megabytes * 1_000_000 // len(block)))
            file.write(b"\n" * (name == "one line"))
        yield name, path


MEASURED = """
import sys
from pathlib import Path
from chrono.cli import main
try:
    main()
finally:
    status = Path("/proc/self/status").read_text().splitlines()
    print(next(line for line in status if line.startswith("VmHWM")), file=sys.stderr)
"""


def cost(command: str, path: Path) -> tuple[int, float, float]:
    """Return exit code, wall time [s] and peak memory [MB] of one command."""
    out = path.with_name("out.csv")
    words = [{"FILE": str(path), "OUT": str(out)}.get(w, w) for w in command.split()]
    begin = time.perf_counter()
    done = subprocess.run(
        [sys.executable, "-c", MEASURED, *words],
        stdout=subprocess.DEVNULL,
        stderr=subprocess.PIPE,
        text=True,
        check=False,
    )
    wall_s = time.perf_counter() - begin
    out.unlink(missing_ok=True)
    return done.returncode, wall_s, int(done.stderr.splitlines()[-1].split()[1]) / 1024


def main() -> None:
    """Measure every command on every recording."""
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    parser.add_argument("--megabytes", type=int, default=2000)
    options = parser.parse_args()
    with tempfile.TemporaryDirectory() as folder:
        for name, path in recordings(Path(folder), options.megabytes):
            size = path.stat().st_size / 1e6
            for command in COMMANDS:
                code, wall_s, peak_mb = cost(command, path)
                print(
                    f"{name:9s} {size:6.0f} MB  {command.split()[0]:8s} exit {code}"
                    f"  {wall_s:7.1f} s  {peak_mb:6.0f} MB",
                    flush=True,
                )


if __name__ == "__main__":
    main()
