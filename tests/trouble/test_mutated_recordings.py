"""Recordings that were harmed anyhow: every command reads them, or says in one line why not."""

import random
from collections.abc import Callable
from pathlib import Path

import pytest

from chrono.errors import ChronoError

from .test_hostile import look_at_everything

RECORDINGS = [
    path.read_bytes().splitlines(keepends=True)
    for path in sorted((Path(__file__).parents[2] / "recordings").glob("*.tsv"))
]
MANY = 600
FEW = 30

Harm = Callable[[random.Random, bytearray], None]


def flip(rng: random.Random, data: bytearray) -> None:
    """Flip one bit."""
    data[rng.randrange(len(data))] ^= 1 << rng.randrange(8)


def drop(rng: random.Random, data: bytearray) -> None:
    """Lose a few bytes."""
    at = rng.randrange(len(data))
    del data[at : at + rng.choice((1, 2, 50, 3000))]


def double(rng: random.Random, data: bytearray) -> None:
    """Write a piece twice."""
    at = rng.randrange(len(data))
    data[at:at] = data[at : at + rng.choice((1, 30, 2000))]


def noise(rng: random.Random, data: bytearray) -> None:
    """Put any bytes in place of others."""
    at, size = rng.randrange(len(data)), rng.choice((1, 10, 500))
    data[at : at + size] = rng.randbytes(size)


def cut(rng: random.Random, data: bytearray) -> None:
    """End the file anywhere behind its head."""
    del data[rng.randrange(40, len(data)) :]


def huge(rng: random.Random, data: bytearray) -> None:
    """Put a number that no counter or clock can show where a number stands."""
    places = [at for at, byte in enumerate(data) if 0x30 <= byte <= 0x39]
    if places:
        at = rng.choice(places)
        data[at : at + 1] = rng.choice((b"9" * 18, b"9" * 40, b"-1", b"1e308", b"NaN", b"\xff"))


def move(rng: random.Random, data: bytearray) -> None:
    """Let two rows change places."""
    rows = bytes(data).splitlines(keepends=True)
    if len(rows) > 2:
        a, b = rng.randrange(1, len(rows)), rng.randrange(1, len(rows))
        rows[a], rows[b] = rows[b], rows[a]
        data[:] = b"".join(rows)


def mix(rng: random.Random, data: bytearray) -> None:
    """Put a row of another recording in."""
    at = data.find(b"\n", rng.randrange(len(data))) + 1
    data[at:at] = rng.choice(rng.choice(RECORDINGS))


HARMS: tuple[Harm, ...] = (flip, drop, double, noise, cut, huge, move, mix)


def mutated(seed: int) -> bytes:
    """Return some rows of a recording, harmed one to six times; its head mostly stays."""
    rng = random.Random(seed)
    rows = rng.choice(RECORDINGS)
    begin, size = rng.randrange(3, len(rows)), rng.choice((20, 60, 250))
    head, body = b"".join(rows[:3]), b"".join(rows[begin : begin + size])
    spared, data = (
        (head, bytearray(body)) if rng.random() < 0.7 else (b"", bytearray(head + body))
    )
    for _ in range(rng.randint(1, 6)):
        if len(data) > 50:
            rng.choice(HARMS)(rng, data)
    return spared + bytes(data)


def read_through(folder: Path, seeds: range) -> tuple[int, int]:
    """Look at every mutation with all commands; return how many could be read and could not."""
    read, refused = 0, list[str]()
    for seed in seeds:
        path = folder / f"{seed}.tsv"
        path.write_bytes(mutated(seed))
        try:
            look_at_everything(path)
            read += 1
        except ChronoError as complaint:
            refused.append(str(complaint))
        except Exception as fault:
            raise AssertionError(f"mutation {seed}") from fault
        path.unlink()
    assert all(".tsv: " in complaint for complaint in refused)
    return read, len(refused)


def test_mutated_recordings_are_read_or_refused(tmp_path: Path) -> None:
    read, _ = read_through(tmp_path, range(FEW))
    assert read > FEW / 2


@pytest.mark.long
def test_six_hundred_mutated_recordings_are_read_or_refused(tmp_path: Path) -> None:
    read, refused = read_through(tmp_path, range(FEW, FEW + MANY))
    assert read > MANY / 2
    assert refused > 0, "some lose what makes them a recording"
