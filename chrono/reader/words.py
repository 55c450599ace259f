"""Numbers, fixed bytes and CRCs of many lines at once, without a loop per line.

Bytes are gathered as words: integers of eight bytes, the first byte lowest, one row of
words per place in the line and one column per line. Arithmetic then works on four or eight
characters at a time. This file knows nothing of what lines mean.
"""

from collections.abc import Iterator, Sequence
from functools import cache
from typing import Any

import numpy as np
import numpy.typing as npt

from chrono.reader.grammar import crc16

Array = npt.NDArray[Any]
BoolArray = npt.NDArray[np.bool_]
IntArray = npt.NDArray[np.intp]
Words = npt.NDArray[np.uint64]

DECIMAL_BYTES = 16
"""Decimal numbers are read from two words."""


def gather(block: bytes, at: IntArray, count: int) -> Words:
    """
    Return `count` words from each offset on, shape (count, N).

    Where they would reach beyond the block, its first or last words are given instead:
    these may look like a sound line, so the caller must leave them out.
    """
    size = 8 * count
    windows: Array = np.ndarray((len(block) - size + 1,), f"V{size}", block, strides=(1,))
    records = windows[np.clip(at, 0, len(windows) - 1)]
    return np.ascontiguousarray(records.view("<u8").reshape(-1, count).T)


def field(words: Words, at: int, dtype: npt.DTypeLike) -> Array:
    """Return the bytes from `at` on as unsigned integers of one to four bytes."""
    row, byte = divmod(at, 8)
    part = words[row] >> np.uint64(8 * byte)
    if byte > 4:
        part |= words[row + 1] << np.uint64(64 - 8 * byte)
    return part.astype(dtype)


def fits(words: Words, at: int, pattern: bytes) -> BoolArray:
    """Tell which lines have `pattern` from `at` on, a multiple of 8; `?` fits any byte."""
    wrong = np.zeros_like(words[0])
    for row, (mask, wanted) in enumerate(_fixed_bytes(pattern), start=at // 8):
        different = words[row] & mask
        different ^= wanted
        wrong |= different
    fitting: BoolArray = wrong == 0
    return fitting


@cache
def _fixed_bytes(pattern: bytes) -> list[tuple[np.uint64, np.uint64]]:
    """Return for each word of a pattern a mask of the bytes that are not `?`, and those."""
    masks = bytes(0 if byte == ord("?") else 0xFF for byte in pattern)
    both = zip(_whole_words(masks), _whole_words(pattern), strict=True)
    return [(mask, word & mask) for mask, word in both]


def _whole_words(text: bytes) -> Iterator[np.uint64]:
    for begin in range(0, len(text), 8):
        yield np.uint64(int.from_bytes(text[begin : begin + 8], "little"))


def hex_values(words: Words, places: Sequence[int]) -> tuple[Array, BoolArray]:
    """
    Return the values of fields of four hex digits, and which lines have all canonical.

    Four characters are worked on at once, as the bytes of one 32-bit integer. After XOR
    with ``0000`` a digit is its value and a letter 0x71 … 0x76, told by bit 6.
    """
    text = np.stack([field(words, place, np.uint32) for place in places])
    text ^= 0x30303030
    letter = text & 0x40404040
    text -= (letter >> 6) * np.uint32(0x71 - 0xA)
    wrong = (text + 0x06060606) ^ (letter >> 2)  # bit 4 is set by 10 … 15, as by a letter
    wrong |= text
    canonical = (np.bitwise_or.reduce(wrong, axis=0) & 0xF0F0F0F0) == 0
    text *= 0x1001
    text >>= 8
    text &= 0x00FF00FF
    text *= 0x1000001
    text >>= 16
    return text, canonical


@cache
def crc_change(length: int, at: int) -> npt.NDArray[np.uint16]:
    """
    Return how four hex digits at `at` change the CRC of a line body against ``0000`` there.

    A CRC is affine: the change does not depend on what stands elsewhere in the body, so
    changes of several fields combine by XOR.
    """
    zeros = crc16(b"0" * length)
    change = np.zeros(1, np.uint16)
    for place in range(at, at + 4):
        before, after = b"0" * place, b"0" * (length - place - 1)
        digits = [crc16(before + b"%X" % digit + after) ^ zeros for digit in range(16)]
        change = (change[:, None] ^ np.array(digits, np.uint16)).ravel()
    return change


def decimals(words: Words, width: IntArray) -> tuple[Array, BoolArray]:
    """Return the numbers that are the last `width` of 16 characters, and which are sound."""
    high, low = (
        (words[row] ^ _ZEROS) & _kept_bytes()[row].take(width, mode="clip") for row in (0, 1)
    )
    above_nine = low + _OVERFLOW
    above_nine |= low
    above_nine |= high
    above_nine |= high + _OVERFLOW
    sound = (above_nine & _TOP_BITS) == 0
    sound &= (width >= 1) & (width <= DECIMAL_BYTES)
    value = _eight_digits(low)
    value += _in_runs(high) * np.uint64(10**8)
    return value.view(np.int64), sound


_ZEROS = np.uint64(0x3030303030303030)
_OVERFLOW = np.uint64(0x7676767676767676)
_TOP_BITS = np.uint64(0x8080808080808080)


@cache
def _kept_bytes() -> Words:
    """Return masks of the two words that keep the last 0 … 16 of their 16 bytes."""
    kept = [b"\xff" * width for width in range(DECIMAL_BYTES + 1)]
    masks = b"".join(ones.rjust(DECIMAL_BYTES, b"\0") for ones in kept)
    return np.ascontiguousarray(np.frombuffer(masks, "<u8").reshape(-1, 2).T)


def _in_runs(word: Words) -> Words:
    """Do as `_eight_digits`, once for each run of equal words: high digits seldom change."""
    first = np.flatnonzero(np.concatenate(([True], word[1:] != word[:-1])))
    return np.repeat(_eight_digits(word[first]), np.diff(first, append=len(word)))


def _eight_digits(word: Words) -> Words:
    """Return the value of eight bytes 0 … 9, joining neighbours; the first is the highest."""
    word = word * np.uint64(10 << 8 | 1)
    word >>= np.uint64(8)
    word &= np.uint64(0x00FF00FF00FF00FF)
    word *= np.uint64(100 << 16 | 1)
    word >>= np.uint64(16)
    word &= np.uint64(0x0000FFFF0000FFFF)
    word *= np.uint64(10000 << 32 | 1)
    word >>= np.uint64(32)
    return word
