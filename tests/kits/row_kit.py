"""Lines and rows for tests, built without the code under test."""

from functools import lru_cache

POLYNOMIAL = 0x1021


@lru_cache(maxsize=1 << 18)
def crc(body: bytes) -> bytes:
    """Return the CRC-16/CCITT-FALSE as text, bit by bit from its definition."""
    register = 0xFFFF
    for byte in body:
        register ^= byte << 8
        for _ in range(8):
            register = (register << 1) ^ (POLYNOMIAL if register & 0x8000 else 0)
        register &= 0xFFFF
    return b"%04X" % register


def framed(body: bytes) -> bytes:
    """Return a framed line with its CRC."""
    return body + b" " + crc(body)


def edge(sequence: int, gate: str, level: int, counter: int, letter: str = "E") -> bytes:
    """Return an edge's line."""
    return framed(f"{letter} {sequence:04X} {gate} {level} {counter:08X}".encode())


def beat(sequence: int, counter: int, levels: str = "00", lost: int = 0) -> bytes:
    """Return a beat's line."""
    return framed(f"T {sequence:04X} {counter:08X} {levels} {lost:04X}".encode())


def row(host_us: int, line: bytes, origin: bytes = b"board") -> bytes:
    """Return a row; the line is taken as it is."""
    return b"%d\t%s\t%s\n" % (host_us, origin, line)
