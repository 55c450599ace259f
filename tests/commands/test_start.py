"""What is loaded, and what is seen, before the first screen."""

import os
import pty
import subprocess
import sys

HEAVY = (
    "scipy.special",
    "scipy.fft",
    "scipy.optimize",
    "scipy.stats",
    "pint",
    "pandas",
    "numba",
)


def test_the_dashboard_loads_nothing_that_it_can_do_without_at_first() -> None:
    script = (
        f"import sys, chrono.dashboard.app; print([m for m in {HEAVY} if m in sys.modules])"
    )

    done = subprocess.run([sys.executable, "-c", script], capture_output=True, check=True)

    assert done.stdout.decode().strip() == "[]"


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
