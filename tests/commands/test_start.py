"""What is loaded, and what is seen, before the first screen."""

import os
import pty
import signal
import subprocess
import sys

import pytest

MEASURING = ("numpy", "pydantic", "chrono.rigs.rig_model", "chrono.session.session")
"""What the run brings along: an application that shows none yet goes without."""

LATE = ("scipy.special", "scipy.fft", "scipy.stats", "pint", "pandas", "numba", "pyarrow")
"""What takes a tenth of a second or more, and is not wanted before the first shot."""

LATE_SCREENS = (
    "dashboard.lab_screen",
    "dashboard.comparison_screen",
    "dashboard.beams_screen",
    "teaching",
)


def loaded_by(program: str) -> set[str]:
    """Return the modules that a fresh interpreter holds after a program."""
    script = f"import sys\n{program}\nprint(*sys.modules)"
    done = subprocess.run([sys.executable, "-c", script], capture_output=True, check=True)
    return set(done.stdout.decode().split())


def test_the_application_loads_nothing_that_measures() -> None:
    loaded = loaded_by("import chrono.dashboard.dashboard_app")

    assert "textual.app" in loaded
    assert not loaded & {*MEASURING, *LATE, *(f"chrono.{name}" for name in LATE_SCREENS)}


def test_a_board_is_clocked_and_shown_without_what_only_shots_need(tmp_path) -> None:
    program = f"""
import asyncio, pathlib
from chrono.dashboard.dashboard_app import Dashboard
from chrono.session.live_run import live_run
run = live_run("virtual://two-bands", None, pathlib.Path({str(tmp_path / "a.tsv")!r}))
run.session.make_ready = lambda: None
async def show():
    app = Dashboard(run)
    async with app.run_test(size=(80, 24)) as pilot:
        await pilot.press("enter")
        assert app.current_mode == "shots"
asyncio.run(show())
"""

    loaded = loaded_by(program)

    assert "chrono.session.session" in loaded
    assert not loaded & {*LATE, *(f"chrono.{name}" for name in LATE_SCREENS)}


MORE_FORMULAS = (
    "stop --speed 45m/s --mass 24g --diameter 40mm --distance 0.8m --path 10m --json",
    "fall --height 8m --mass 24g --diameter 40mm",
    "fall --speed 10m/s --no-air --json",
    "energy --speed 45m/s --mass 24g",
)


@pytest.mark.parametrize(
    "words",
    [
        "stop --speed 45m/s --mass 24g --limit 50g",
        "flight --speed 45m/s --angle 30deg --mass 24g --diameter 40mm",
        *(pytest.param(words, marks=pytest.mark.long) for words in MORE_FORMULAS),
    ],
)
def test_a_formula_loads_nothing_that_reads_recordings(words: str) -> None:
    program = f"""
from chrono.cli import main
sys.argv = {["chrono", *words.split()]!r}
try:
    main()
except SystemExit as end:
    assert end.code == 0
"""

    loaded = {name for name in loaded_by(program) if name.startswith("chrono.")}

    assert "chrono.measuring.launch" in loaded
    assert not {n for n in loaded if n.split(".")[1] in ("session", "processor", "reader")}


def first_line_on_a_terminal(*arguments: str) -> bytes:
    """Return what the program writes first on a terminal; then it is ended."""
    controller, terminal = pty.openpty()
    environment = {**os.environ, "TERM": "xterm-256color"}
    with subprocess.Popen(
        [sys.executable, "-m", "chrono", *arguments],
        stdin=terminal,
        stdout=terminal,
        stderr=terminal,
        env=environment,
    ) as program:
        os.close(terminal)
        text = b""
        while b"\n" not in text:
            text += os.read(controller, 1024)
        program.kill()
    os.close(controller)
    return text.splitlines()[0]


def test_a_terminal_is_told_at_once_what_is_being_opened() -> None:
    assert first_line_on_a_terminal("demo", "--seed", "7").startswith(
        b"opening virtual://two-bands?seed=7"
    )


def test_the_name_of_what_is_opened_cannot_steer_the_terminal(tmp_path) -> None:
    recording = str(tmp_path / "new.tsv")

    line = first_line_on_a_terminal("clock", "\x1b[2Jport", "--recording", recording)

    assert line.startswith(b"opening ")
    assert b"\x1b" not in line


def test_a_program_that_reads_the_shots_is_not_told(chrono) -> None:
    outcome = chrono("demo", "--no-dashboard", "--shots", "1", "--speedup", "100")

    assert outcome.code == 0
    assert "opening" not in outcome.err


INTERRUPTED_WHILE_IT_LOADS = """
import os, signal, sys
from chrono.__main__ import main

class PressesCtrlC:
    def find_spec(self, name, path, target=None):
        if name == "chrono.cli":
            os.kill(os.getpid(), signal.SIGINT)

sys.meta_path.insert(0, PressesCtrlC())
signal.signal(signal.SIGINT, signal.{before})
sys.argv = ["chrono", "--version"]
main()
"""


@pytest.mark.skipif(os.name != "posix", reason="ends by a signal")
@pytest.mark.parametrize(
    ("before", "code"), [("default_int_handler", -signal.SIGINT), ("SIG_IGN", 0)]
)
def test_ctrl_c_while_the_program_loads_ends_it_silently_unless_it_is_ignored(
    before: str, code: int
) -> None:
    script = INTERRUPTED_WHILE_IT_LOADS.format(before=before)
    done = subprocess.run([sys.executable, "-c", script], capture_output=True)
    assert done.returncode == code
    assert done.stderr == b""
