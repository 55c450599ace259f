"""Make the file that is copied to the board: python3 make_uf2.py gates.bin gates.uf2

The script writes the check sum into the second stage of the start. It cuts the program into the
blocks of the UF2 format (github.com/microsoft/uf2).
"""

import struct
import sys
from pathlib import Path

FLASH = 0x1000_0000
STAGE_BYTES, BLOCK_BYTES = 256, 256
FAMILY_RP2040 = 0xE48B_FF56


def crc32(data: bytes) -> int:
    """Return the check sum for the chip: poly 04C11DB7, init FFFFFFFF, nothing reflected."""
    crc = 0xFFFF_FFFF
    for byte in data:
        crc ^= byte << 24
        for _ in range(8):
            crc = (crc << 1) & 0xFFFF_FFFF ^ (0x04C1_1DB7 if crc >> 31 else 0)
    return crc


def with_sum(program: bytes) -> bytes:
    """Return the program with the check sum at the end of its second stage."""
    stage = program[: STAGE_BYTES - 4]
    return stage + struct.pack("<I", crc32(stage)) + program[STAGE_BYTES:]


def blocks(program: bytes) -> bytes:
    """Return the program as UF2 blocks."""
    count = -(-len(program) // BLOCK_BYTES)
    made = b""
    for n in range(count):
        data = program[n * BLOCK_BYTES : (n + 1) * BLOCK_BYTES].ljust(476, b"\0")
        head = (0x0A324655, 0x9E5D5157, 0x2000, FLASH + n * BLOCK_BYTES, BLOCK_BYTES)
        made += struct.pack("<8I", *head, n, count, FAMILY_RP2040)
        made += data + struct.pack("<I", 0x0AB16F30)
    return made


if __name__ == "__main__":
    source, target = map(Path, sys.argv[1:])
    target.write_bytes(blocks(with_sum(source.read_bytes())))
