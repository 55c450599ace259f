"""Numbers, fixed bytes and CRCs of many lines at once, without a loop per line.

Lines are gathered as records of bytes. Characters are then worked on four or eight at a
time, as the bytes of one integer, the first character lowest. This file knows nothing of
what lines mean.
"""

from functools import cache
from typing import Any

import numpy as np
import numpy.typing as npt

from chrono.reader.grammar import crc16

Array = npt.NDArray[Any]
BoolArray = npt.NDArray[np.bool_]
IntArray = npt.NDArray[np.intp]

DECIMAL_BYTES = 16
"""Decimal numbers of up to two words are read in bulk."""


def record_dtype(words: int, **fields: tuple[str, int]) -> np.dtype[np.void]:
    """Return the dtype of a record whose fields are given as (format, offset from the tab)."""
    forms = ("<u8", 2), ("<u8", words), *(form for form, _ in fields.values())
    offsets = 0, 16, *(16 + offset for _, offset in fields.values())
    names = ["host", "words", *fields]
    size = 16 + 8 * words
    return np.dtype({"names": names, "formats": forms, "offsets": offsets, "itemsize": size})


def gather(block: bytes, at: IntArray, dtype: Any) -> Array:
    """Return one record of bytes per offset; offsets outside the block give its ends."""
    size = np.dtype(dtype).itemsize
    windows: Array = np.ndarray((len(block) - size + 1,), f"V{size}", block, strides=(1,))
    return windows[np.clip(at, 0, len(windows) - 1)].view(dtype)


def fits(record: Array, pattern: bytes) -> BoolArray:
    """Tell which records have the fixed bytes of `pattern` from the tab on."""
    fixed = bytes(0 if byte == ord("?") else 0xFF for byte in pattern)
    wrong = np.zeros(len(record), np.uint64)
    for column, at in enumerate(range(0, len(pattern), 8)):
        mask = _word(fixed[at : at + 8])
        different = record["words"][:, column] ^ (_word(pattern[at : at + 8]) & mask)
        different &= mask
        wrong |= different
    fitting: BoolArray = wrong == 0
    return fitting


def _word(text: bytes) -> np.uint64:
    """Return up to eight bytes as one integer, the first lowest."""
    return np.uint64(int.from_bytes(text, "little"))


def hex_values(record: Array, names: tuple[str, ...]) -> tuple[Array, BoolArray]:
    """
    Return the values of fields of four hex digits, and which records have them canonical.

    Works on the four characters of a field at once, as bytes of one 32-bit integer.
    """
    text = np.empty((len(names), len(record)), np.uint32)
    for row, name in enumerate(names):
        np.bitwise_xor(record[name], 0x30303030, out=text[row])
    letter = text & 0x40404040
    text -= (letter >> 6) * np.uint32(0x67)
    wrong = (text + 0x06060606) ^ (letter >> 2)
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


def decimals(words: Array, width: IntArray) -> tuple[Array, BoolArray]:
    """Return the numbers that are the last `width` of 16 characters, and which are sound."""
    kept_high, kept_low = _kept_bytes()
    high = (words[:, 0] ^ _ZEROS) & kept_high.take(width, mode="clip")
    low = (words[:, 1] ^ _ZEROS) & kept_low.take(width, mode="clip")
    above_nine = high + _OVERFLOW
    above_nine |= high
    above_nine |= low
    above_nine |= low + _OVERFLOW
    sound = (above_nine & _TOP_BITS) == 0
    sound &= (width >= 1) & (width <= DECIMAL_BYTES)
    value = _eight_digits(high) * np.uint64(10**8)
    value += _eight_digits(low)
    return value.view(np.int64), sound


_ZEROS = np.uint64(0x3030303030303030)
_OVERFLOW = np.uint64(0x7676767676767676)
_TOP_BITS = np.uint64(0x8080808080808080)


@cache
def _kept_bytes() -> npt.NDArray[np.uint64]:
    """Return masks of the two words that keep the last 0 … 16 of their 16 bytes."""
    kept = [b"\xff" * width for width in range(DECIMAL_BYTES + 1)]
    masks = b"".join(ones.rjust(DECIMAL_BYTES, b"\0") for ones in kept)
    return np.ascontiguousarray(np.frombuffer(masks, "<u8").reshape(-1, 2).T)


def _eight_digits(word: Array) -> Array:
    """Return the value of eight bytes 0 … 9, joining neighbours; the first is the highest."""
    word = word * np.uint64(10 << 8 | 1) >> np.uint64(8)
    word &= np.uint64(0x00FF00FF00FF00FF)
    word *= np.uint64(100 << 16 | 1)
    word >>= np.uint64(16)
    word &= np.uint64(0x0000FFFF0000FFFF)
    word *= np.uint64(10000 << 32 | 1)
    word >>= np.uint64(32)
    return word
