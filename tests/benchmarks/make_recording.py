"""Make a recording of any number of edges: shots at even pace, beats, a few damaged lines.

Setups may change on the way, in turn, as often as at every shot.

Vectorised and independent of the code it is to test: lines are put together as matrices of
characters, CRCs byte by byte from their definition. The same arguments give the same bytes.

    python tests/benchmarks/make_recording.py big.tsv --edges 10000000
"""

import argparse
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import numpy as np
import numpy.typing as npt

from chrono.reader.recording_rows import HEADER, json_row
from chrono.rigs.rig_file import parse_rig, rig_record

RIG = """
name = "benchmark gates"
[gates]
spacing = "300 mm"
[body]
name = "squash ball"
mass = "24 g"
diameter = "40 mm"
length = "40 mm"
[window]
slowest = "2 m/s"
fastest = "200 m/s"
"""
SPACING_M, BODY_M = 0.3, 0.04
TICKS_PER_S = 16_000_000
SPEEDS_MPS = 20.0, 60.0
PAUSE_S = 0.3, 0.6
"""From one shot to the next: what comes within 0.25 s would be a companion."""

SETUPS: tuple[dict[str, Any], ...] = (
    {"name": "fresh ball", "body": {}, "conditions": {"pressure": "2 bar"}},
    {"name": "warm ball", "body": {"mass_kg": 0.0241}, "conditions": {"pressure": "2 bar"}},
    {"name": "worn ball", "body": {"mass_kg": 0.0236, "length_m": 0.0396}, "conditions": {}},
)
"""They take turns."""

READING_DELAY_S = 0.0002, 0.002
SHOTS_A_CHUNK = 50_000
HOST_DIGITS = 15

Array = npt.NDArray[np.int64]
Matrix = npt.NDArray[np.uint8]


@dataclass
class Made:
    """What a recording holds."""

    shots: int = 0
    beats: int = 0
    damaged: int = 0
    setups: int = 0

    @property
    def edges(self) -> int:
        """Four a shot."""
        return 4 * self.shots

    @property
    def rows(self) -> int:
        """All rows, with the file's and the rig's."""
        return self.edges + self.beats + self.setups + 2


def make_recording(
    path: Path,
    edges: int,
    damaged: float = 0.001,
    seed: int = 1,
    crlf: bool = False,
    setup_every: int = 0,
) -> Made:
    """
    Write a recording.

    Parameters
    ----------
    path : Path
        Overwritten if it exists.
    edges : int
        Rounded down to whole shots.
    damaged : float
        Share of lines that are damaged.
    seed : int
        Of the random numbers.
    crlf : bool
        The board ends its lines by a carriage return too.
    setup_every : int
        A setup begins every so many shots, with the first one; 0 for none.
    """
    draw = np.random.default_rng(seed)
    made, sequence, start = Made(), 0, TICKS_PER_S // 2
    with path.open("wb") as file:
        file.write(HEADER)
        file.write(json_row(0, "file", {"format": 1, "program": "benchmark"}))
        file.write(json_row(0, "rig", rig_record(parse_rig(RIG, "benchmark"))))
        while made.edges + 4 <= edges:
            shots = min(SHOTS_A_CHUNK, edges // 4 - made.shots)
            lines, end = _chunk(draw, shots, start, sequence)
            spoilt = draw.random(len(lines.counter)) < damaged
            text = _text(draw, lines, spoilt, crlf)
            if setup_every:
                text = _with_setups(text, lines, setup_every, made)
            file.write(text)
            made.shots += shots
            made.beats += int(lines.beat.sum())
            made.damaged += int(spoilt.sum())
            sequence, start = sequence + len(lines.counter), end
    return made


@dataclass
class _Lines:
    host_us: Array
    counter: Array
    sequence: Array
    gate: Array
    level: Array
    beat: npt.NDArray[np.bool_]


def _chunk(
    draw: np.random.Generator, shots: int, start: int, sequence: int
) -> tuple[_Lines, int]:
    """Return the lines of some shots and of the beats among them, and where they end."""
    begin = start + np.cumsum(draw.uniform(*PAUSE_S, shots) * TICKS_PER_S).astype(np.int64)
    speed_mps = draw.uniform(*SPEEDS_MPS, shots)
    transit = (SPACING_M / speed_mps * TICKS_PER_S).astype(np.int64)
    block = (BODY_M / speed_mps * TICKS_PER_S).astype(np.int64)
    edges = np.column_stack((begin, begin + block, begin + transit, begin + transit + block))
    end = int(edges[-1, -1]) + 1
    beats = np.arange(-(-start // TICKS_PER_S), -(-end // TICKS_PER_S)) * TICKS_PER_S
    counter = np.concatenate((edges.ravel(), beats))
    order = np.argsort(counter, kind="stable")
    counter = counter[order]
    delay = draw.uniform(*READING_DELAY_S, len(counter))
    host_us = ((counter / TICKS_PER_S + delay) * 1e6).astype(np.int64)
    fill = np.zeros(len(beats), np.int64)
    lines = _Lines(
        host_us=np.maximum.accumulate(host_us),
        counter=counter & 0xFFFFFFFF,
        sequence=(sequence + np.arange(len(counter))) & 0xFFFF,
        gate=np.concatenate((np.tile([0, 0, 1, 1], shots), fill))[order],
        level=np.concatenate((np.tile([1, 0, 1, 0], shots), fill))[order],
        beat=np.concatenate((np.zeros(4 * shots, np.bool_), np.ones(len(beats), np.bool_)))[
            order
        ],
    )
    return lines, end


def _text(
    draw: np.random.Generator, lines: _Lines, spoilt: npt.NDArray[np.bool_], crlf: bool
) -> bytes:
    sequence, counter = _hex(lines.sequence, 4), _hex(lines.counter, 8)
    gate, level = _letter(lines.gate, "A"), _letter(lines.level, "0")
    count = len(lines.counter)
    edge = _framed([b"E ", sequence, b" ", gate, b" ", level, b" ", counter], count)
    beat = _framed([b"T ", sequence, b" ", counter, b" 00 0000"], count)
    line = np.zeros_like(beat)
    line[:, : edge.shape[1]] = edge
    line[lines.beat] = beat[lines.beat]
    place = draw.integers(2, edge.shape[1], len(line))
    line[spoilt, place[spoilt]] = ord("~")
    dropped = spoilt & (draw.random(len(line)) < 0.5)
    line[dropped, place[dropped]] = 0
    host = _decimal(lines.host_us)
    end = b"\\x0D\n" if crlf else b"\n"
    rows = _beside([host, b"\tboard\t", line, end], count)
    return rows[rows != 0].tobytes()


def _with_setups(text: bytes, lines: _Lines, every: int, made: Made) -> bytes:
    """Put a setup in front of every so many shots, those made before counted in."""
    rows = text.splitlines(keepends=True)
    first_edges = (~lines.beat).nonzero()[0][::4]
    for place in first_edges[-made.shots % every :: every].tolist():
        setup = json_row(int(lines.host_us[place]), "setup", SETUPS[made.setups % len(SETUPS)])
        rows[place] = setup + rows[place]
        made.setups += 1
    return b"".join(rows)


def _beside(parts: list[Matrix | bytes], count: int) -> Matrix:
    """Return character matrices side by side; a text is the same in each row."""
    matrices = [
        np.tile(np.frombuffer(part, np.uint8), (count, 1)) if isinstance(part, bytes) else part
        for part in parts
    ]
    return np.concatenate(matrices, axis=1)


def _letter(value: Array, first: str) -> Matrix:
    return (value + ord(first)).astype(np.uint8)[:, None]


def _hex(value: Array, digits: int) -> Matrix:
    nibbles = value[:, None] >> np.arange(4 * digits - 4, -4, -4) & 15
    return np.frombuffer(b"0123456789ABCDEF", np.uint8)[nibbles]


def _decimal(value: Array) -> Matrix:
    """Return decimal digits, zeros in front as NUL."""
    tens = 10 ** np.arange(HOST_DIGITS - 1, -1, -1)
    digits = (value[:, None] // tens % 10 + ord("0")).astype(np.uint8)
    digits[(value[:, None] < tens) & (tens > 1)] = 0
    return digits


def _framed(parts: list[Matrix | bytes], count: int) -> Matrix:
    body = _beside(parts, count)
    return _beside([body, b" ", _hex(_crc(body), 4)], count)


def _crc(body: Matrix) -> Array:
    """Return the CRC-16/CCITT-FALSE of each row, byte by byte from its definition."""
    table = np.arange(256) << 8
    for _ in range(8):
        table = (table << 1 ^ np.where(table & 0x8000, 0x1021, 0)) & 0xFFFF
    register = np.full(len(body), 0xFFFF)
    for column in body.T:
        register = (register << 8 ^ table[register >> 8 ^ column]) & 0xFFFF
    return register


def main() -> None:
    """Make a recording as the command line says."""
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    parser.add_argument("path", type=Path)
    parser.add_argument("--edges", type=int, default=10_000_000)
    parser.add_argument("--damaged", type=float, default=0.001)
    parser.add_argument("--seed", type=int, default=1)
    parser.add_argument("--crlf", action="store_true")
    parser.add_argument("--setup-every", type=int, default=0)
    options = parser.parse_args()
    print(make_recording(**vars(options)))


if __name__ == "__main__":
    main()
