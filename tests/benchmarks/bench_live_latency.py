"""
From the last byte of a shot on a pseudo-terminal to its row in the dashboard: how long?

Run with ``python tests/benchmarks/bench_live_latency.py [--shots 100] [--before 300]``. A
process of its own plays the board in real time and notes when it has written each shot's
last byte; the dashboard runs headless at 120 by 40, recording to a file, with some hundred
shots in its table already. Two times are printed: until the shot's row with its full speed
(both pairs of edges) stands in the table, and until the screen has been painted after it.
"""

import argparse
import asyncio
import os
import random
import struct
import subprocess
import sys
import tempfile
import time
import tty
from pathlib import Path
from statistics import median

from chrono.dashboard.base_app import short_turns
from chrono.dashboard.dashboard_app import Dashboard
from chrono.dashboard.shots_screen import ShotsScreen
from chrono.reader.line_grammar import crc_text
from chrono.rigs.rig_file import default_rig
from chrono.session.live_run import LiveRun, live_run

CLOCK_HZ = 16_000_000
EDGES = ((0.0, "A 1"), (1.8e-3, "A 0"), (13.6e-3, "B 1"), (15.4e-3, "B 0"))
"""A 40 mm ball at 22 m/s through gates 300 mm apart."""
EVERY_S = 0.4
STAMP = struct.Struct("<q")
LIMIT_MS = 50.0


def framed(fields: str) -> bytes:
    """Return a whole line of the board."""
    return fields.encode() + b" " + crc_text(fields.encode()) + b"\n"


class Board:
    """Writes lines in real time, its counter running with the host's clock."""

    def __init__(self, fd: int) -> None:
        self._fd = fd
        self._sequence = 0
        self._begin_s = time.monotonic()
        self._next_beat_s = self._begin_s
        os.write(fd, framed(f"H 1 {CLOCK_HZ} 32 bench 1.0"))

    def say(self, kind: str, at_s: float, rest: str = "{}") -> None:
        """Write one line at its time."""
        time.sleep(max(at_s - time.monotonic(), 0.0))
        counter = f"{int((at_s - self._begin_s) * CLOCK_HZ) & 0xFFFFFFFF:08X}"
        os.write(self._fd, framed(f"{kind} {self._sequence:04X} {rest.format(counter)}"))
        self._sequence = (self._sequence + 1) & 0xFFFF

    def beat_until(self, until_s: float) -> None:
        """Beat once a second up to a moment."""
        while self._next_beat_s < until_s:
            self.say("T", self._next_beat_s, "{} 00 0000")
            self._next_beat_s += 1.0

    def shoot(self, at_s: float) -> int:
        """Send one shot; return when its last byte was written [ns]."""
        for after_s, gate in EDGES:
            self.say("E", at_s + after_s, gate + " {}")
        return time.monotonic_ns()


def play(fd: int, shots: int, seed: int) -> None:
    """Be the board: a stamp on standard output for each shot."""
    draw = random.Random(seed)
    board = Board(fd)
    at_s = time.monotonic() + 1.0
    for _ in range(shots):
        board.beat_until(at_s)
        stamp = board.shoot(at_s)
        sys.stdout.buffer.write(STAMP.pack(stamp))
        sys.stdout.buffer.flush()
        at_s += draw.uniform(0.35, 0.6)


class WatchedDashboard(Dashboard):
    """Notes when each shot's full row stood in the table, and when it had been painted."""

    def __init__(self, *args: object) -> None:
        super().__init__(*args)  # type: ignore[arg-type]
        self.listed_ns: dict[int, int] = {}
        self.painted_ns: dict[int, int] = {}

    def show_session(self) -> None:
        """Look what the table holds after it was shown."""
        super().show_session()
        now = time.monotonic_ns()
        if self.driver.view is None or not isinstance(self.screen_stack[0], ShotsScreen):
            return
        table = self.screen_stack[0].table
        new = [
            row.number
            for row in self.driver.view.rows[-5:]
            if row.edges_used == "both"
            and row.number not in self.listed_ns
            and len(table) >= row.number
            and table.cells(row.number - 1)[0] == str(row.number)
        ]
        if new:
            self.listed_ns.update(dict.fromkeys(new, now))
            self.call_after_refresh(self._note_painted, new)

    def _note_painted(self, numbers: list[int]) -> None:
        self.painted_ns.update(dict.fromkeys(numbers, time.monotonic_ns()))


def fill(run: LiveRun, shots: int) -> None:
    """Let the session have had some hundred shots, so that the table is as long as it gets."""
    source = run.source
    for i in range(shots):
        for after_s, gate in EDGES:
            line = framed(f"E 0000 {gate} {int((i * EVERY_S + after_s) * CLOCK_HZ):08X}")
            source.journal.append(b"%d\tboard\t%s" % (i * EVERY_S * 1e6, line))
    source._begin_ns -= int(shots * EVERY_S * 1e9)  # the session's clock is that far on


async def measure(port: str, start: subprocess.Popen[bytes], recording: Path, before: int):
    """Run the dashboard until the board has ended; return the two columns of times."""
    run = live_run(port, default_rig(), recording, setup="two bands")
    fill(run, before)
    run.start()
    app = WatchedDashboard(run)
    async with app.run_test(size=(120, 40)) as pilot:
        await pilot.pause(1.0)
        await pilot.press("enter")
        await pilot.pause(1.0)
        assert start.stdin is not None
        start.stdin.close()
        stamps = await asyncio.to_thread(start.stdout.read)  # type: ignore[union-attr]
        await pilot.pause(1.0)
    run.close()
    sent = [ns for (ns,) in STAMP.iter_unpack(stamps)]
    numbers = range(before + 1, before + 1 + len(sent))
    return [
        [(told.get(n, 0) - ns) * 1e-6 for n, ns in zip(numbers, sent, strict=True)]
        for told in (app.listed_ns, app.painted_ns)
    ]


def main() -> None:
    """Measure and print."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--shots", type=int, default=100)
    parser.add_argument("--before", type=int, default=300, help="shots in the table at first")
    parser.add_argument("--play", type=int, help=argparse.SUPPRESS)
    options = parser.parse_args()
    if options.play is not None:
        sys.stdin.read()
        play(options.play, options.shots, seed=1)
        return
    master, slave = os.openpty()
    tty.setraw(slave)
    me = [sys.executable, str(Path(__file__).resolve())]
    command = [*me, "--play", str(master), "--shots", str(options.shots)]
    with (
        tempfile.TemporaryDirectory() as folder,
        subprocess.Popen(
            command, stdin=subprocess.PIPE, stdout=subprocess.PIPE, pass_fds=[master]
        ) as board,
        short_turns(),
    ):
        listed, painted = asyncio.run(
            measure(os.ttyname(slave), board, Path(folder) / "bench.tsv", options.before)
        )
    for name, times in (("row in the table", listed), ("screen painted", painted)):
        missing = sum(t < 0 for t in times)
        ordered = sorted(t for t in times if t >= 0)
        p95 = ordered[int(0.95 * (len(ordered) - 1))]
        print(
            f"{name:<17} {len(ordered)} shots, {missing} missed: "
            f"median {median(ordered):.1f} ms, p95 {p95:.1f} ms, max {ordered[-1]:.1f} ms "
            f"(wanted: p95 {LIMIT_MS:g} ms)"
        )


if __name__ == "__main__":
    main()
