"""The file that is copied to the board: as built from its sources, and such that the chip's own
program takes it."""

import struct
import subprocess
from pathlib import Path

import pytest
from crccheck.crc import Crc32Mpeg2
from emulated_board.conftest import MakeBoard, give_up
from emulated_board.kit import edges_of, toggled

from . import pico

COMPILER = "12.2.1"
"""That of Debian 12, with which the file in the repository was built."""


@pytest.fixture
def built(make_pico: MakeBoard) -> Path:
    return make_pico().firmware


def payload(file: bytes) -> bytes:
    """The program in a UF2 file, by the format's own description (github.com/microsoft/uf2)."""
    program, blocks = b"", len(file) // 512
    assert len(file) % 512 == 0
    for n in range(blocks):
        block = file[512 * n : 512 * (n + 1)]
        magic, magic_too, flags, address, size, number, count, family = struct.unpack_from(
            "<8I", block
        )
        assert (magic, magic_too) == (0x0A324655, 0x9E5D5157)
        assert struct.unpack_from("<I", block, 508) == (0x0AB16F30,)
        assert flags == 0x2000, "the family is named"
        assert family == 0xE48BFF56, "the RP2040's, by the format's list of families"
        assert (address, size) == (0x10000000 + 256 * n, 256), "whole pages, in order"
        assert (number, count) == (n, blocks)
        program += block[32 : 32 + size]
    return program


def test_the_second_stage_has_the_sum_that_the_chip_asks_for() -> None:
    """CRC-32/MPEG-2 over 252 bytes (RP2040 data sheet, 2.8.1.3.1); the sum by crccheck."""
    program = payload(pico.SHIPPED.read_bytes())

    assert struct.unpack_from("<I", program, 252) == (Crc32Mpeg2.calc(program[:252]),)


def test_the_vector_table_stands_where_the_second_stage_looks_for_it() -> None:
    program = payload(pico.SHIPPED.read_bytes())
    stack, reset = struct.unpack_from("<2I", program, 256)

    assert stack == 0x20040000
    assert reset & 1, "Thumb code"
    assert 0x10000100 < reset < 0x10000000 + len(program)
    assert len(program) < 16 * 1024


def test_the_shipped_file_is_the_one_that_the_sources_make(built: Path) -> None:
    found = subprocess.run(
        ["arm-none-eabi-gcc", "-dumpversion"], capture_output=True, text=True, check=True
    ).stdout.strip()
    if found != COMPILER:
        give_up(f"compiler {found} makes other bytes than {COMPILER} of the shipped file")

    assert pico.SHIPPED.read_bytes() == built.read_bytes()


def test_the_shipped_file_runs(make_pico: MakeBoard, script: Path) -> None:
    make_pico()  # says what is missing
    board = pico.Pico(pico.EMULATED, pico.SHIPPED)
    edges = toggled([board.start + n * 12_345 for n in range(40)], "AABB" * 10)
    lines = board.lines(edges, 2 * board.start, script)

    assert [(x.gate, x.level) for x in edges_of(lines)] == [(e.gate, e.level) for e in edges]


@pytest.mark.long
def test_a_build_with_another_choice_is_not_taken_for_the_old_one(
    make_pico: MakeBoard, tmp_path: Path, built: Path
) -> None:
    usual = pico.build(tmp_path).read_bytes()
    other = pico.build(tmp_path, "-DGATES_BLOCKED_LEVEL=0").read_bytes()

    assert usual == built.read_bytes()
    assert other != usual
    assert pico.build(tmp_path).read_bytes() == usual
