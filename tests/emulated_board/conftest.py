"""Builds the emulators and each firmware once a run, in a temporary folder."""

import os
import shutil
import subprocess
from collections.abc import Callable
from pathlib import Path

import pytest
from emulated_rp2040 import pico

from .kit import Board

NOTES = Path(__file__).parents[2] / "firmware_notes"
PACKAGES = "gcc make libsimavr-dev libelf-dev gcc-avr avr-libc arduino-core-avr"
NEEDED_PROGRAMS = ("gcc", "make", "avr-g++", "avr-size")
NEEDED_FILES = (
    Path("/usr/include/simavr/sim_avr.h"),
    Path("/usr/include/libelf.h"),
    Path("/usr/lib/avr/include/avr/io.h"),
    Path("/usr/share/arduino/hardware/arduino/avr/cores/arduino/Arduino.h"),
)


@pytest.fixture(scope="session")
def workshop(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """A folder to build in, on a machine that has the tools."""
    missing = [name for name in NEEDED_PROGRAMS if not shutil.which(name)]
    missing += [str(path) for path in NEEDED_FILES if not path.exists()]
    if missing:
        give_up(f"{', '.join(missing)} missing: install Debian's packages {PACKAGES}")
    return tmp_path_factory.mktemp("workshop")


def give_up(wanted: str) -> None:
    """Fail in CI, which must have everything; elsewhere skip and say what is wanted."""
    if os.environ.get("CI") == "true":
        pytest.fail(wanted)
    pytest.skip(wanted)


def call(*command: str, folder: Path) -> str:
    """Run a build command; all it said. A warning of a compiler fails the test."""
    done = subprocess.run(
        command, cwd=folder, stdout=subprocess.PIPE, stderr=subprocess.STDOUT, text=True
    )
    assert done.returncode == 0, done.stdout
    assert "warning" not in done.stdout, done.stdout
    return done.stdout


@pytest.fixture(scope="session")
def program(workshop: Path) -> Path:
    """The emulator."""
    built = workshop / "board"
    source = Path(__file__).with_name("board.c")
    flags = (
        "-O2",
        "-Wall",
        "-Wextra",
        str(source),
        "-o",
        str(built),
        "-lsimavr",
        "-lelf",
        "-lm",
    )
    call("gcc", *flags, folder=workshop)
    return built


Build = Callable[..., tuple[Path, str]]
"""(target, baud, options) -> the ELF file and what the build printed."""


@pytest.fixture(scope="session")
def build(workshop: Path) -> Build:
    """Builds firmware; asked again for the same, it hands out what it has."""
    made: dict[tuple[str, int, str], tuple[Path, str]] = {}

    def make(target: str, baud: int = 250_000, options: str = "") -> tuple[Path, str]:
        key = (target, baud, options)
        if key not in made:
            folder = workshop / f"firmware{len(made)}"
            source = NOTES / ("plain_micros" if target == "plain_micros" else "gates_328p")
            elf = folder / f"{target}.elf"
            said = call(
                "make",
                f"BUILD={folder}",
                f"BAUD={baud}UL",
                f"OPTIONS={options}",
                str(elf),
                folder=source,
            )
            made[key] = (elf, said)
        return made[key]

    return make


MakeBoard = Callable[..., Board]


@pytest.fixture(scope="session")
def make_pico(tmp_path_factory: pytest.TempPathFactory) -> MakeBoard:
    """Puts the RP2040's firmware, built with some options, into its emulator."""
    if wanted := pico.missing():
        give_up(wanted)
    made: dict[str, Board] = {}

    def make(options: str = "") -> Board:
        if options not in made:
            folder = tmp_path_factory.mktemp("rp2040")
            made[options] = pico.Pico(pico.EMULATED, pico.build(folder, options))
        return made[options]

    return make


@pytest.fixture(scope="session")
def make_board(request: pytest.FixtureRequest) -> MakeBoard:
    """Puts a firmware into its emulator: (target, baud, options); an RP2040 has no baud."""

    def make(target: str, baud: int = 250_000, options: str = "") -> Board:
        if target == "gates_rp2040":
            return request.getfixturevalue("make_pico")(options)
        program, build = map(request.getfixturevalue, ("program", "build"))
        return Board(program, build(target, baud, options)[0])

    return make


@pytest.fixture
def script(tmp_path: Path) -> Path:
    """Where a test's script goes."""
    return tmp_path / "script"
