"""A wire that flips, drops and doubles bytes, and what can be known of it afterwards."""

from dataclasses import dataclass

import numpy as np

from .generator import FiringLine
from .wire import escaped


@dataclass(frozen=True)
class DamagedWire:
    """
    Rows as a recording holds them after the damage, and the tally of it.

    Attributes
    ----------
    rows : bytes
        Rows of the recording.
    touched : int
        Bytes that were changed, dropped or doubled.
    unlike : int
        Lines received that are neither empty nor one of those sent: to be counted as damaged.
    missing : int
        Numbered lines sent between the first and the last that arrived whole, which did
        not arrive whole: to be counted as lost.
    """

    rows: bytes
    touched: int
    unlike: int
    missing: int


def damaged(line: FiringLine, share: float, seed: int) -> DamagedWire:
    """Return a session's rows after a share of the bytes on its wire was damaged."""
    rng = np.random.default_rng(seed)
    sent = [x for x in line.wire.lines if x.fate != "wire"]
    stream = b"".join(x.text + b"\n" for x in sent)
    hosts = np.repeat([x.host_us for x in sent], [len(x.text) + 1 for x in sent])
    received, kept = _damage(stream, share, rng)
    pieces = _split(received, hosts[kept])
    texts = {x.text for x in sent}
    whole = {text for _, text in pieces if text in texts}
    board = [(host, b"%d\tboard\t%s\n" % (host, escaped(text))) for host, text in pieces]
    rows = sorted(board + line.wire.others, key=lambda row: row[0])
    arrived = [x.text in whole for x in sent if x.text[:1] in b"ELT"]
    first, last = arrived.index(True), len(arrived) - arrived[::-1].index(True)
    return DamagedWire(
        b"".join(row for _, row in rows),
        round(share * len(stream)),
        sum(text.removesuffix(b"\r") != b"" and text not in texts for _, text in pieces),
        arrived[first:last].count(False),
    )


def without_lines(line: FiringLine, share: float, burst: float, seed: int) -> DamagedWire:
    """
    Return a session's rows without some of its numbered lines.

    A share of the lines begins a burst of lost ones, `burst` long in the mean.
    """
    rng = np.random.default_rng(seed)
    rows, missing = list(line.wire.others), 0
    for each in (x for x in line.wire.lines if x.fate != "wire"):
        if each.text[:1] in b"ELT" and (missing > 0 or rng.random() < share):
            missing = (missing or int(rng.geometric(1 / burst))) - 1
            continue
        rows.append((each.host_us, b"%d\tboard\t%s\n" % (each.host_us, escaped(each.text))))
    return DamagedWire(b"".join(row for _, row in sorted(rows, key=lambda r: r[0])), 0, 0, 0)


def _damage(stream: bytes, share: float, rng: np.random.Generator) -> tuple[bytes, np.ndarray]:
    """Return the stream after the damage, and the place each byte of it comes from."""
    data = np.frombuffer(stream, np.uint8).copy()
    hit = rng.choice(len(data), round(share * len(data)), replace=False)
    how = rng.integers(3, size=len(hit))
    flipped = hit[how == 0]
    data[flipped] ^= (1 << rng.integers(8, size=len(flipped))).astype(np.uint8)
    times = np.ones(len(data), np.intp)
    times[hit[how == 1]] = 0
    times[hit[how == 2]] = 2
    kept = np.repeat(np.arange(len(data)), times)
    return data[kept].tobytes(), kept


def _split(received: bytes, hosts: np.ndarray) -> list[tuple[int, bytes]]:
    """Split into lines, each with the host time of its last byte."""
    pieces, at = [], 0
    for text in received.split(b"\n")[:-1]:
        at += len(text) + 1
        pieces.append((int(hosts[at - 1]), text))
    return pieces
