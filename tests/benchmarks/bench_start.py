"""
How long until a command shows something: first sign, first paint, and the cost of loading.

Run with ``python tests/benchmarks/bench_start.py [--rounds 5]``. `chrono demo` runs on a
pseudo-terminal of 80 by 24; the first sign is its first byte, the first paint the caution on
the dashboard's first screen. Loading is measured in fresh processes beside that of Textual.
As in an installed program everything runs from bytecode: a first round, which makes it in a
folder of its own, does not count.
"""

import argparse
import fcntl
import os
import pty
import select
import struct
import subprocess
import sys
import tempfile
import termios
import time
from statistics import median

PAINTED = b"nobody near"
GIVE_UP_S = 20.0
LOAD = "import time; t = time.perf_counter(); import {0}; print(time.perf_counter() - t)"


def first_sign_and_paint() -> tuple[float, float]:
    """Return the times [s] from the start of `chrono demo` to its first byte and screen."""
    start = time.perf_counter()
    child, terminal = pty.fork()
    if child == 0:
        os.environ["TERM"] = "xterm-256color"
        os.execv(sys.executable, [sys.executable, "-m", "chrono", "demo"])
    fcntl.ioctl(terminal, termios.TIOCSWINSZ, struct.pack("HHHH", 24, 80, 0, 0))
    seen, sign_s = b"", 0.0
    while PAINTED not in seen:
        if not select.select([terminal], [], [], GIVE_UP_S)[0]:
            raise SystemExit("no screen seen")
        seen += os.read(terminal, 65536)
        sign_s = sign_s or time.perf_counter() - start
    paint_s = time.perf_counter() - start
    os.kill(child, 9)
    os.waitpid(child, 0)
    os.close(terminal)
    return sign_s, paint_s


def loading_s(module: str) -> float:
    """Return the time [s] that a fresh process needs to import a module."""
    done = subprocess.run(
        [sys.executable, "-c", LOAD.format(module)], capture_output=True, check=True
    )
    return float(done.stdout)


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--rounds", type=int, default=5)
    rounds = range(parser.parse_args().rounds)
    with tempfile.TemporaryDirectory() as folder:
        os.environ["PYTHONPYCACHEPREFIX"] = folder
        os.environ.pop("PYTHONDONTWRITEBYTECODE", None)
        first_sign_and_paint()
        measure(rounds)


def measure(rounds: range) -> None:
    """Measure and print."""
    shown = [first_sign_and_paint() for _ in rounds]
    print(f"first sign  {median(sign for sign, _ in shown):.2f} s (wanted 0.5)")
    print(f"first paint {median(paint for _, paint in shown):.2f} s (wanted 1.0)")
    pairs = [
        (loading_s("chrono.dashboard.dashboard_app"), loading_s("textual.app")) for _ in rounds
    ]
    ratio = median(ours / theirs for ours, theirs in pairs)
    ours, theirs = (median(times) for times in zip(*pairs, strict=True))
    print(f"loading     {ours:.2f} s, Textual alone {theirs:.2f} s: {ratio:.1f} x (wanted 2.0)")


if __name__ == "__main__":
    main()
