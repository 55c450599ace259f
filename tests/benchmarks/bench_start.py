"""
How long until a command shows something: first sign, first paint, small commands, loading.

Run with ``python tests/benchmarks/bench_start.py [--rounds 5] [--against FOLDER]``. `chrono
demo` runs on a pseudo-terminal of 80 by 24; the first sign is its first byte, the first paint
the caution on the dashboard's first screen. Loading is measured in fresh processes beside that
of Textual.
Small commands are those on a recording of 40 shots, whole processes, in turn with
`python -c pass`; with `--against` in turn with those of other sources too.
As in an installed program everything runs from bytecode: a first round, which makes it in a
folder of its own, does not count. Where `PYTHONDONTWRITEBYTECODE` is set each start compiles
anew, 0.14 s in figures taken so before.
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
from pathlib import Path
from statistics import median

PAINTED = b"nobody near"
GIVE_UP_S = 20.0
HOUSE = Path(__file__).parents[2]
SHOTS = "recordings/two-and-three-bands.tsv"
SMALL = {
    "summary": ("summary", SHOTS),
    "compare": ("compare", SHOTS),
    "export": ("export", SHOTS, "-o"),
    "budget": ("budget", "--speed", "45 m/s", "--rig"),
    "--version": ("--version",),
}
"""With the last word a new or made file where it is an option."""
WANTED_S = 0.6
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


def command_s(sources: Path, words: tuple[str, ...]) -> tuple[float, float]:
    """
    Return how long a whole process takes and its share of a processor [s].

    It is the program, or Python alone without words. On a busy machine look at the second.
    """
    given = ("-m", "chrono", *words) if words else ("-c", "pass")
    begin = time.perf_counter()
    running = subprocess.Popen(
        [sys.executable, *given],
        cwd=sources,  # `-m` looks there first
        stdout=subprocess.DEVNULL,
        stderr=subprocess.DEVNULL,
    )
    _, status, used = os.wait4(running.pid, 0)
    running.returncode = os.waitstatus_to_exitcode(status)
    assert running.returncode in (0, 1), words  # 1: doubtful data
    return time.perf_counter() - begin, used.ru_utime + used.ru_stime


def small_commands(rounds: int, sources: list[Path], folder: Path) -> None:
    """Time small commands in turn with Python alone, and print the ratios."""
    rigs = [str(folder / f"{place}.toml") for place in range(len(sources))]
    for each, rig in zip(sources, rigs, strict=True):
        command_s(each, ("rig", "new", rig))
    taken: dict[tuple[str, Path], list[tuple[float, float]]] = {}
    alone = []
    for turn in range(rounds + 1):  # the first makes bytecode
        for name, words in SMALL.items():
            alone.append(command_s(HOUSE, ()))
            for place, each in enumerate(sources):
                last = {"-o": str(folder / f"{turn}-{place}.csv"), "--rig": rigs[place]}
                given = (*words, *[file for end, file in last.items() if words[-1] == end])
                cost = command_s(each, given)
                taken.setdefault((name, each), []).extend([cost] * bool(turn))
    python_s, python_processor_s = (median(each) for each in zip(*alone, strict=True))
    print(f"python -c pass {python_s:.3f} s, processor {python_processor_s:.3f} s")
    for (name, each), costs in taken.items():
        wall_s, processor_s = (median(one) for one in zip(*costs, strict=True))
        print(
            f"{name:9} {wall_s:.2f} s (wanted {WANTED_S}), {wall_s / python_s:3.0f} x; "
            f"processor {processor_s:.2f} s, {processor_s / python_processor_s:3.0f} x"
            f"{'' if each == HOUSE else f'  {each}'}"
        )


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--rounds", type=int, default=5)
    parser.add_argument("--against", type=Path, help="Sources of another version.")
    given = parser.parse_args()
    rounds = range(given.rounds)
    with tempfile.TemporaryDirectory() as folder:
        os.environ["PYTHONPYCACHEPREFIX"] = folder
        os.environ.pop("PYTHONDONTWRITEBYTECODE", None)
        sources = [HOUSE, *([given.against.resolve()] if given.against else [])]
        small_commands(given.rounds, sources, Path(folder))
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
