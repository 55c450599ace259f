"""
A board behind a network port that sends far more than any gate: does reading keep up?

Run with ``python tests/benchmarks/bench_socket.py [--rate 1000000] [--seconds 8]``. A process
of its own sends framed lines at so many bytes a second; they are read into a recording, first
by the port's thread alone, then with a whole session behind it. Printed are the processor
time in parts of a core and the bytes that were still unread at the end. Exit code 1 if reading
falls behind, or the thread alone takes more than a quarter of a core.
"""

import argparse
import itertools
import socket
import subprocess
import sys
import tempfile
import time
from collections.abc import Callable
from pathlib import Path

from chrono.reader.line_grammar import crc_text
from chrono.reader.port_reader import PortReader
from chrono.reader.recording_writer import RecordingWriter
from chrono.reader.row_sources import Journal
from chrono.rigs.rig_file import default_rig
from chrono.session.live_run import live_run

ALLOWED = 0.25
BEHIND_S = 0.5
"""What may be unread at the end, as time of sending."""
EVERY_S = 0.01
CLOCK_HZ = 16_000_000
SHOT = ((0.0, "A 1"), (1.8e-3, "A 0"), (13.6e-3, "B 1"), (15.4e-3, "B 0"))


def framed(fields: str) -> bytes:
    """Return a whole line of the board."""
    return fields.encode() + b" " + crc_text(fields.encode()) + b"\n"


def board(count: int) -> bytes:
    """Return what a board says of so many shots, two a second, with its beats."""
    lines, numbers = [framed(f"H 1 {CLOCK_HZ} 32 bench 1.0")], itertools.count()
    for shot in range(count):
        for at_s, what in SHOT:
            tick = int((0.5 * shot + at_s) * CLOCK_HZ) & 0xFFFFFFFF
            lines.append(framed(f"E {next(numbers) & 0xFFFF:04X} {what} {tick:08X}"))
        if shot % 2:
            tick = int((0.5 * shot + 0.2) * CLOCK_HZ) & 0xFFFFFFFF
            lines.append(framed(f"T {next(numbers) & 0xFFFF:04X} {tick:08X} 00 0000"))
    return b"".join(lines)


def serve(rate: int, seconds: float) -> None:
    """Say where to connect, send at a steady pace, say how much that was."""
    load = board(int(rate * seconds / 100))
    with socket.create_server(("127.0.0.1", 0)) as server:
        print(server.getsockname()[1], flush=True)
        line, _ = server.accept()
        begin, sent = time.monotonic(), 0
        while (passed := time.monotonic() - begin) < seconds:
            due = load[sent : int(passed * rate)]
            line.sendall(due)
            sent += len(due)
            time.sleep(EVERY_S)
        print(sent, flush=True)
        sys.stdin.read()


Start = Callable[[str, Path], tuple[Callable[[], int], Callable[[], None]]]
"""Begins to read an address into a file; returns what gives the bytes read, and what stops."""


def thread_alone(url: str, path: Path) -> tuple[Callable[[], int], Callable[[], None]]:
    """Read with the port's thread and the recording only."""
    writer = RecordingWriter(path)
    journal = Journal(lambda: time.monotonic_ns() // 1000, writer)
    reader = PortReader(url, journal.append, lambda: time.monotonic_ns() // 1000)
    reader.start()

    def done() -> int:
        journal.drain()
        return reader.status.bytes

    return done, reader.stop


def session(url: str, path: Path) -> tuple[Callable[[], int], Callable[[], None]]:
    """Read with the whole session, as clocking without a dashboard does."""
    run = live_run(url, default_rig(), path)
    run.start()

    def done() -> int:
        while run.step():
            pass
        return run.status.bytes

    return done, lambda: print(f"  {len(run.session.log)} shots", *run.close())


def measure(start: Start, rate: int, seconds: float) -> tuple[float, int]:
    """Return the part of a core that reading takes, and the bytes unread at the end."""
    words = [
        sys.executable,
        __file__,
        "--serve",
        "--rate",
        str(rate),
        "--seconds",
        str(seconds),
    ]
    with (
        tempfile.TemporaryDirectory() as folder,
        subprocess.Popen(
            words, stdout=subprocess.PIPE, stdin=subprocess.PIPE, text=True
        ) as made,
    ):
        assert made.stdout
        assert made.stdin
        url = f"socket://127.0.0.1:{made.stdout.readline().strip()}"
        done, stop = start(url, Path(folder) / "a.tsv")
        begin_s, busy_s = time.monotonic(), time.process_time()
        while time.monotonic() < begin_s + seconds:
            done()
            time.sleep(EVERY_S)
        share = (time.process_time() - busy_s) / (time.monotonic() - begin_s)
        sent = int(made.stdout.readline())
        time.sleep(BEHIND_S)
        unread = sent - done()
        stop()
        made.stdin.close()
    return share, unread


def main() -> int:
    """Run both, print, and judge."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--rate", type=int, default=1_000_000)
    parser.add_argument("--seconds", type=float, default=8.0)
    parser.add_argument("--serve", action="store_true")
    asked = parser.parse_args()
    if asked.serve:
        serve(asked.rate, asked.seconds)
        return 0
    bad = False
    for name, start, allowed in (("thread", thread_alone, ALLOWED), ("session", session, 1.0)):
        share, unread = measure(start, asked.rate, asked.seconds)
        print(f"{name}: {share:.2f} of a core at {asked.rate} B/s, {unread} bytes unread")
        bad |= share > allowed or unread > 0
    return int(bad)


if __name__ == "__main__":
    sys.exit(main())
