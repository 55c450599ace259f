"""Every way to build: no warning (each build here checks that), and it fits the chip."""

import re
import subprocess
from pathlib import Path

import pytest

from .conftest import NOTES, Build

FLASH_BYTES = 32_256
"""32 KiB less the 512 bytes of a small bootloader."""
RAM_BYTES = 2048


@pytest.mark.parametrize("baud", [250_000, 500_000, 1_000_000])
@pytest.mark.parametrize("target", ["gates_int", "gates_icp"])
def test_the_firmware_builds_with_the_compiler_alone(
    build: Build, target: str, baud: int
) -> None:
    check_sizes(build(target, baud)[1])


@pytest.mark.parametrize("target", ["sketch_int", "sketch_icp", "plain_micros"])
def test_the_sketches_build_on_the_arduino_core(build: Build, target: str) -> None:
    check_sizes(build(target)[1])


@pytest.mark.long
@pytest.mark.parametrize("target", ["editor_int", "editor_icp"])
def test_the_sketches_build_as_the_common_editor_builds_them(build: Build, target: str) -> None:
    """With gcc 7.3 and link-time optimisation."""
    check_sizes(build(target)[1])


def check_sizes(said: str) -> None:
    """The sizes that `avr-size` printed leave room for the stack."""
    sizes = re.search(r"^\s*(\d+)\s+(\d+)\s+(\d+)\s+\d+\s+\w+\s+\S+\.elf$", said, re.MULTILINE)
    assert sizes, said
    text, data, bss = map(int, sizes.groups())
    assert 500 < text + data < FLASH_BYTES
    assert data + bss < RAM_BYTES - 512


@pytest.mark.parametrize("baud", [115_200, 57_600])
def test_a_baud_the_clock_cannot_make_is_refused(
    workshop: Path, tmp_path: Path, baud: int
) -> None:
    command = ["make", f"BUILD={tmp_path}", f"BAUD={baud}UL", f"{tmp_path}/gates_int.elf"]
    done = subprocess.run(
        command, cwd=NOTES / "gates_328p", capture_output=True, text=True, check=False
    )

    assert done.returncode != 0
    assert "take 250000, 500000 or 1000000" in done.stderr
