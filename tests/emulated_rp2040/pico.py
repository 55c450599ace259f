"""The emulated RP2040 as one of the emulated boards: what it needs, how it is built and run."""

import os
import shutil
import subprocess
import tty
from collections.abc import Iterator
from contextlib import contextmanager
from dataclasses import dataclass
from pathlib import Path
from typing import ClassVar

from emulated_board.kit import Board

HERE = Path(__file__).parent
NOTES = Path(__file__).parents[2] / "firmware_notes"
SOURCE = NOTES / "gates_rp2040"
SHIPPED = SOURCE / "gates_rp2040.uf2"
"""The file that a maker copies to the board."""

PACKAGES = "gcc-arm-none-eabi make nodejs npm"
NEEDED_PROGRAMS = ("arm-none-eabi-gcc", "make", "node")
EMULATOR = HERE / "node_modules" / "rp2040js" / "package.json"


def missing() -> str:
    """What this machine lacks and how to get it; nothing where it lacks nothing."""
    lacking = [name for name in NEEDED_PROGRAMS if not shutil.which(name)]
    lacking += [] if EMULATOR.exists() else ["rp2040js"]
    return (
        lacking
        and (
            f"{', '.join(lacking)} missing: install Debian's packages {PACKAGES}, "
            f"then call: npm ci --prefix tests/{HERE.name}"
        )
    ) or ""


def build(folder: Path, options: str = "", source: Path = SOURCE) -> Path:
    """Build the firmware in `folder`; a warning of the compiler fails the test."""
    command = ["make", f"BUILD={folder}", f"OPTIONS={options}"]
    done = subprocess.run(
        command, cwd=source, stdout=subprocess.PIPE, stderr=subprocess.STDOUT, text=True
    )
    assert done.returncode == 0, done.stdout
    assert "warning" not in done.stdout, done.stdout
    return folder / "gates_rp2040.uf2"


@dataclass(frozen=True)
class Pico(Board):
    """
    The emulator with one firmware in it.

    A cycle takes 8 ns; the counter counts every other one, in 31 bits.
    """

    frequency_hz: ClassVar[int] = 125_000_000
    cycles_a_count: ClassVar[int] = 2

    def command(self, script: Path, *options: str) -> list[str]:
        """The command line of a run."""
        return ["node", str(self.program), str(self.firmware), str(script), *options]

    @contextmanager
    def behind_terminal(
        self, script: Path, *options: str
    ) -> Iterator[tuple[str, subprocess.Popen[str]]]:
        """The board's port, and the emulator, which waits for a line before it runs."""
        board, program = os.openpty()
        tty.setraw(program)
        os.set_blocking(board, False)
        emulator = subprocess.Popen(
            self.command(script, "--fd", str(board), *options),
            stdin=subprocess.PIPE,
            pass_fds=(board,),
            text=True,
        )
        try:
            yield os.ttyname(program), emulator
        finally:
            emulator.communicate()
            os.close(board)
            os.close(program)
        assert emulator.returncode == 0


EMULATED = HERE / "board.mjs"
