"""
An hour of board time at about 500 edges a second: does memory stay flat?

Run with ``python tests/benchmarks/soak.py [--minutes 60]``. Three kinds of hour go through
decoding and pairing, one also through the session: bodies without a pause, mains flicker at
both gates with shots in it, and spikes at random. The resident memory is printed every five
minutes of board time. The session keeps its table of shots, so its memory grows by that
table and by nothing else. Exit code 1 if memory grows by more than it may.
"""

import argparse
import binascii
import sys
import time
from collections.abc import Callable, Iterator
from pathlib import Path

import numpy as np

from chrono.processor.pipeline import Processor, Rules
from chrono.reader.row_decoding import decode_rows
from chrono.rigs.line_kinds import FRAMED
from chrono.rigs.rig_file import default_rig
from chrono.session.session import Session

CLOCK_HZ = 16_000_000
ALLOWED_MB = 8.0
BYTES_PER_SHOT = 400
"""Upper bound of what the session keeps of one shot, capacity doubling included."""

Pulses = list[tuple[float, float, int]]
"""(start [s], length [s], gate) within one second."""


def shots(rng: np.random.Generator) -> Pulses:
    """125 bodies a second at about 100 m/s, 4 to 12 ms apart: launches with many companions."""
    return _shots((np.arange(125) + rng.uniform(0, 0.5, 125)) / 125, rng.uniform(95, 105, 125))


def flicker(rng: np.random.Generator) -> Pulses:
    """120 Hz at both gates with two shots a second between."""
    lamp = [(k / 120, 0.002, gate) for k in range(120) for gate in (0, 1)]
    return lamp + _shots(np.array([0.254, 0.754]), np.array([100.0, 110.0]))


def spikes(rng: np.random.Generator) -> Pulses:
    """250 spikes a second at random."""
    starts = (np.arange(250) + rng.uniform(0, 0.9, 250)) / 250
    return [(float(s), 20e-6, int(rng.integers(2))) for s in starts]


def _shots(at: np.ndarray, speed: np.ndarray) -> Pulses:
    return [
        (float(t) + gate * 0.3 / float(v), 0.04 / float(v), gate)
        for t, v in zip(at, speed, strict=True)
        for gate in (0, 1)
    ]


def seconds(pulses: Callable[[np.random.Generator], Pulses], count: int) -> Iterator[bytes]:
    """Yield the rows of each second."""
    rng, sequence = np.random.default_rng(1), 0
    for second in range(count):
        changes = [
            (second + at, gate, level)
            for start, length, gate in pulses(rng)
            for at, level in ((start, 1), (start + length, 0))
        ]
        texts = [
            (at, f"E %04X {'AB'[gate]} {level} {int(at * CLOCK_HZ) & 0xFFFFFFFF:08X}")
            for at, gate, level in sorted(changes)
        ]
        beat = second + 0.9999
        texts.append((beat, f"T %04X {int(beat * CLOCK_HZ) & 0xFFFFFFFF:08X} 00 0000"))
        rows = []
        for at, text in texts:
            fields = (text % sequence).encode()
            sequence = (sequence + 1) & 0xFFFF
            crc = binascii.crc_hqx(fields, 0xFFFF)
            rows.append(b"%d\tboard\t%s %04X\n" % (int(at * 1e6) + 1000, fields, crc))
        yield b"".join(rows)


def resident_mb() -> float:
    """Return the resident memory of this process [MB] (Linux)."""
    for line in Path("/proc/self/status").read_text().splitlines():
        if line.startswith("VmRSS:"):
            return int(line.split()[1]) / 1024
    raise OSError("the kernel does not state VmRSS")


class ProcessorSink:
    """Decoding and pairing; shots are dropped."""

    def __init__(self) -> None:
        self.processor = Processor(Rules.from_rig(default_rig()))
        self.shots = 0

    def feed(self, rows: bytes) -> None:
        """Take one second's rows."""
        batch = decode_rows(rows, lines=FRAMED)
        notes = [c for c in batch.controls if c.origin in ("hello", "link")]
        self.shots += len(self.processor.feed(batch.events, notes))


class SessionSink:
    """The whole spine; its table of shots grows."""

    def __init__(self) -> None:
        self.session = Session(default_rig())

    def feed(self, rows: bytes) -> None:
        """Take one second's rows and look at them as a screen would."""
        self.session.feed(decode_rows(rows, lines=FRAMED))
        self.session.open_rows()

    @property
    def shots(self) -> int:
        """Rows in the table of shots."""
        return len(self.session.log)


def soak(
    name: str, pulses: Callable[[np.random.Generator], Pulses], minutes: int, sink: object
) -> bool:
    """Run one soak, print its memory, and return whether it stayed within what it may."""
    began, edges, first, seen = time.perf_counter(), 0, 0.0, 0
    print(f"{name} ({type(sink).__name__})")
    for second, rows in enumerate(seconds(pulses, 60 * minutes), start=1):
        sink.feed(rows)  # type: ignore[attr-defined]
        edges += rows.count(b"\tE ")
        if second == min(300, 30 * minutes):
            first, seen = resident_mb(), sink.shots  # type: ignore[attr-defined]
        if second % 300 == 0 or second == 60 * minutes:
            print(f"  {second / 60:4.0f} min  {resident_mb():7.1f} MB  {sink.shots} shots")  # type: ignore[attr-defined]
    kept = sink.shots - seen if isinstance(sink, SessionSink) else 0  # type: ignore[attr-defined]
    growth, allowed = resident_mb() - first, ALLOWED_MB + BYTES_PER_SHOT * kept / 1e6
    took = time.perf_counter() - began
    print(
        f"  {edges / (60 * minutes):.0f} edges/s of board time, {took:.0f} s with making them;"
        f" grew by {growth:+.1f} MB, allowed {allowed:.1f} MB"
    )
    return growth <= allowed


def main() -> int:
    """Run all soaks."""
    parser = argparse.ArgumentParser(description=(__doc__ or "").splitlines()[1])
    parser.add_argument("--minutes", type=int, default=60)
    minutes = parser.parse_args().minutes
    runs = [
        soak("bodies without a pause", shots, minutes, ProcessorSink()),
        soak("flicker with shots", flicker, minutes, ProcessorSink()),
        soak("spikes", spikes, minutes, ProcessorSink()),
        soak("bodies without a pause", shots, minutes, SessionSink()),
    ]
    return 0 if all(runs) else 1


if __name__ == "__main__":
    sys.exit(main())
