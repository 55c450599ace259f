"""What tests of several rooms share as fixtures."""

import os
import signal
import sys
from collections.abc import Iterator
from pathlib import Path

import pytest
from command_kit import Outcome, without_progress
from hypothesis import settings
from plugs import Plugs
from program_kit import end_forking
from serial.tools import list_ports

from chrono.cli import main

# A busy machine is no fault of what is tested. Each run draws new examples, so few are enough.
settings.register_profile("chrono", deadline=None, max_examples=50)
settings.load_profile("chrono")


def pytest_xdist_auto_num_workers() -> int:
    """Return how many processes test side by side; each waits for programs half of the time."""
    return 2 * (os.cpu_count() or 1)


@pytest.fixture(autouse=True, scope="session")
def _ctrl_c_ends_what_is_started() -> Iterator[None]:
    """Let ctrl+c reach the programs that tests start, though `nohup` started the tests.

    A process hands on to its children that it ignores a signal, but not what it does at one.
    """
    before = signal.signal(signal.SIGINT, signal.default_int_handler)
    yield
    signal.signal(signal.SIGINT, before)


@pytest.fixture(autouse=True, scope="session")
def _no_process_is_left() -> Iterator[None]:
    """End what programs are forked from when the tests are over."""
    yield
    end_forking()


@pytest.fixture(name="chrono")
def _chrono(
    monkeypatch: pytest.MonkeyPatch, capfdbinary: pytest.CaptureFixture[bytes], tmp_path: Path
):
    """Run a command in a folder of its own."""
    monkeypatch.chdir(tmp_path)

    def run(*words: object) -> Outcome:
        monkeypatch.setattr(sys, "argv", ["chrono", *map(str, words)])
        with pytest.raises(SystemExit) as end:
            main()
        sys.stdout.flush()
        out, err = capfdbinary.readouterr()
        return Outcome(int(end.value.code or 0), out.decode(), without_progress(err.decode()))

    return run


@pytest.fixture(autouse=True)
def _no_memory(
    monkeypatch: pytest.MonkeyPatch, tmp_path_factory: pytest.TempPathFactory
) -> None:
    """Keep what the dashboard remembers of one test from the next, and from the user's own."""
    monkeypatch.setenv("XDG_CONFIG_HOME", str(tmp_path_factory.mktemp("settings")))


@pytest.fixture
def plugs(monkeypatch: pytest.MonkeyPatch) -> Plugs:
    """Let only those devices be listed that a test plugs in."""
    made = Plugs()
    monkeypatch.setattr(list_ports, "comports", made)
    return made
