"""A wire between a board and a port that flips, drops and doubles bytes, and counts them."""

import os
import tty
from dataclasses import dataclass, field
from pathlib import Path
from random import Random
from typing import Self


@dataclass
class Injected:
    """What was done to the bytes so far, and all bytes that came out of the wire."""

    flipped: int = 0
    dropped: int = 0
    doubled: int = 0
    sent: bytearray = field(default_factory=bytearray)
    delivered: bytearray = field(default_factory=bytearray)

    @property
    def touched(self) -> int:
        return self.flipped + self.dropped + self.doubled


class FaultyWire:
    """
    The board's end of a pseudo-terminal with faults on the way.

    Parameters
    ----------
    name : Path
        Where the port is found.
    share : float
        Probability of a fault for each byte, equally often of each kind.
    seed : int
    """

    def __init__(self, name: Path, share: float, seed: int) -> None:
        self.done = Injected()
        self._share = share
        self._rng = Random(seed)
        self._board, self._slave = os.openpty()
        tty.setraw(self._slave)
        name.symlink_to(os.ttyname(self._slave))

    def send(self, data: bytes) -> None:
        """Send bytes with faults, in pieces of any size."""
        out = b"".join(self._faulty(byte) for byte in data)
        self.done.sent += data
        self.done.delivered += out
        while out:
            piece = out[: self._rng.randint(1, 200)]
            out = out[os.write(self._board, piece) :]

    def send_whole(self, data: bytes) -> None:
        """Send a few bytes without faults and without counting them."""
        assert os.write(self._board, data) == len(data)

    def close(self) -> None:
        os.close(self._board)
        os.close(self._slave)

    def _faulty(self, byte: int) -> bytes:
        whole = bytes([byte])
        if self._rng.random() >= self._share:
            return whole
        fault = self._rng.choice(["flip", "drop", "double"])
        if fault == "flip":
            self.done.flipped += 1
            return bytes([byte ^ 1 << self._rng.randrange(8)])
        if fault == "drop":
            self.done.dropped += 1
            return b""
        self.done.doubled += 1
        return whole * 2

    def __enter__(self) -> Self:
        return self

    def __exit__(self, *_: object) -> None:
        self.close()
