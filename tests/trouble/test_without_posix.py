"""On a system without POSIX, as Windows is: locks, processes and keys have another way.

The lock's library has a lock of its own for Windows, which was not run here; without `fcntl` it
makes the same promises by the mere existence of its file.
"""

import os
import runpy
import subprocess
import sys
import types
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path

import pytest
from command_kit import Outcome
from season_kit import season
from waiting import wait_until

from chrono.commands import key_press

TESTS = Path(__file__).parents[1]
THE_SAME = (
    "dashboard/test_followed.py",
    "reader/test_appending_rows.py",
    "reader/test_follow_source.py",
    "season/test_recording_finder.py",
    "season/test_worker_pool.py",
    "session/test_follow_run.py",
)
"""Tests that say nothing of POSIX, and so hold without it."""
CLOCK = "clock", "virtual://two-bands?speedup=5", "--no-dashboard"
CORRECT = "rig", "correct", "--set", "gates.spacing=301 mm", "--yes"


def python(*words: object) -> list[str]:
    return [sys.executable, *map(str, words)]


def environment() -> dict[str, str]:
    return os.environ | {"PYTHONPATH": str(TESTS / "kits")}


def without_posix(*words: object) -> Outcome:
    """Run a command of the program without POSIX."""
    done = subprocess.run(
        python("-m", "without_posix", *words),
        env=environment(),
        stdin=subprocess.DEVNULL,
        capture_output=True,
        text=True,
    )
    return Outcome(done.returncode, done.stdout, done.stderr)


@contextmanager
def clocking(recording: Path) -> Iterator[None]:
    """Let another program write a recording meanwhile."""
    running = subprocess.Popen(
        python("-m", "without_posix", *CLOCK, "--recording", recording),
        env=environment(),
        stdout=subprocess.PIPE,
        stderr=subprocess.DEVNULL,
    )
    try:
        assert running.stdout.readline(), "a shot"
        yield
    finally:
        running.terminate()
        running.communicate()
    assert running.returncode == 0


@pytest.mark.long
def test_what_says_nothing_of_posix_holds_without_it() -> None:
    options = "-q", "-n", "0", "-p", "without_posix", "-p", "no:cacheprovider"
    done = subprocess.run(
        python("-m", "pytest", *options, *(TESTS / name for name in THE_SAME)),
        env=environment(),
        capture_output=True,
        text=True,
    )
    assert done.returncode == 0, done.stdout
    assert "skipped" not in done.stdout


@pytest.mark.long
def test_two_programs_never_write_one_recording(tmp_path: Path) -> None:
    recording = tmp_path / "day.tsv"
    with clocking(recording):
        second = without_posix(*CORRECT, recording)
        followed = without_posix("summary", recording)
    assert second.code == 2
    assert "day.tsv: this file is being written by another program\n  do: close" in second.err
    assert second.err.count("error: ") == 1
    assert followed.code == 0, "it can be read meanwhile"
    assert [each.name for each in tmp_path.iterdir()] == ["day.tsv"], (
        "the lock went with the program"
    )
    before = recording.read_bytes()
    corrected = without_posix(*CORRECT, recording)
    assert corrected.code == 0, corrected.err
    assert recording.read_bytes().startswith(before)
    assert [each.name for each in tmp_path.iterdir()] == ["day.tsv"]


def test_processes_that_are_not_forked_give_the_same_bytes(tmp_path: Path, chrono) -> None:
    folder = season(tmp_path / "2026")
    shared = without_posix("export", folder, "-o", tmp_path / "two.csv", "--jobs", "2")
    alone = chrono("export", folder, "-o", tmp_path / "one.csv", "--jobs", "1")
    assert shared.code == alone.code == 1, "a lamp flickers in the hall"
    assert (tmp_path / "two.csv").read_bytes() == (tmp_path / "one.csv").read_bytes()


@pytest.mark.long
def test_the_page_is_served_beside_clocking(tmp_path: Path) -> None:
    running = subprocess.Popen(
        python("-m", "without_posix", "share", CLOCK[1], "--recording", tmp_path / "a.tsv"),
        env=environment(),
        stdout=subprocess.PIPE,
        stderr=subprocess.PIPE,
        text=True,
    )
    try:
        heard = []
        wait_until(lambda: heard.append(running.stderr.readline()) or "http://" in heard[-1])
    finally:
        running.terminate()
        _, rest = running.communicate()
    assert running.returncode == 0, rest
    assert "Traceback" not in rest


def test_a_key_is_seen_by_the_console_of_windows(monkeypatch: pytest.MonkeyPatch) -> None:
    keys = ["q"]
    console = types.ModuleType("msvcrt")
    console.kbhit = lambda: bool(keys)
    console.getwch = keys.pop
    monkeypatch.setattr(sys, "platform", "win32")
    monkeypatch.setitem(sys.modules, "msvcrt", console)
    there = runpy.run_path(key_press.__file__)["KeyPress"]
    with there() as key:
        assert key.pressed()
        assert not key.pressed(), "it was taken"
