"""`replay --follow` as its user meets it: shots come as another program records them."""

import json
import os
import shutil
import signal
from pathlib import Path

import pytest
from command_kit import is_one_clear_complaint
from program_kit import Program
from waiting import patience

BANDS = Path(__file__).parents[2] / "recordings" / "two-and-three-bands.tsv"

pytestmark = pytest.mark.skipif(os.name != "posix", reason="sends a signal to end it")


@pytest.fixture(name="half")
def _half(tmp_path):
    """A recording of the first half of a session, and the rows of the other half."""
    rows = BANDS.read_bytes().splitlines(keepends=True)
    middle = len(rows) // 2
    path = tmp_path / "monday.tsv"
    path.write_bytes(b"".join(rows[:middle]))
    return path, b"".join(rows[middle:])


def follow(path: Path, *words: str) -> Program:
    return Program("replay", "--follow", path, *words, text=True)


def read_lines(running: Program, count: int) -> list[str]:
    """Return that many lines of what it prints; a run that prints too few is ended."""
    with patience(running):
        return [running.stdout.readline() for _ in range(count)]


def end(running: Program) -> tuple[str, str]:
    running.send_signal(signal.SIGINT)
    return rest_of(running)


def rest_of(running: Program) -> tuple[str, str]:
    """Return what it still says until it ends."""
    with running, patience(running):
        return running.communicate()


def test_shots_are_printed_as_they_are_recorded(half) -> None:
    path, rest = half
    running = follow(path, "--json")
    first = [json.loads(line) for line in read_lines(running, 18)]
    with path.open("ab") as file:
        file.write(rest)
    others = [json.loads(line) for line in read_lines(running, 22)]
    out, err = end(running)
    assert running.returncode == 0, err
    assert out == ""
    numbers = [shot["shot"] for shot in (*first, *others)]
    assert numbers == list(range(1, 41))
    assert "Eye protection on" in err
    assert err.splitlines()[-1] == "stopped"


def test_the_lines_are_those_of_a_replay(chrono, half) -> None:
    path, rest = half
    with path.open("ab") as file:
        file.write(rest)
    whole = chrono("replay", path, "--at-once").out
    running = follow(path)
    lines = read_lines(running, 40)
    end(running)
    assert "".join(lines) == whole


def test_a_recording_that_is_replaced_ends_it_with_what_was_wrong(half, tmp_path) -> None:
    path, _ = half
    running = follow(path)
    read_lines(running, 18)
    other = tmp_path / "other.tsv"
    shutil.copy(BANDS.with_name("noisy-hall.tsv"), other)
    other.replace(path)
    _, err = rest_of(running)
    assert running.returncode == 1
    assert err.count("was replaced by another file") == 2  # at once, and in the end
    assert "Traceback" not in err


def test_a_recording_that_is_deleted_is_said_and_waited_for(half) -> None:
    path, _ = half
    running = follow(path)
    read_lines(running, 18)
    path.unlink()
    with patience(running):
        while "the recording is now lost" not in (line := running.stderr.readline()):
            assert line, "it ended without a word"
    assert "was deleted or moved" in line
    assert running.poll() is None
    _, err = end(running)
    assert running.returncode == 1
    assert "was deleted or moved" in err


@pytest.mark.parametrize(
    "words", [("--pace", "2"), ("--at-once",), ("--clock-from-host",), ("--edit",)]
)
def test_options_that_contradict_it_are_refused(chrono, words) -> None:
    outcome = chrono("replay", "--follow", BANDS, *words)
    is_one_clear_complaint(outcome, "--follow", words[0])


def test_a_file_that_is_not_there_is_refused(chrono) -> None:
    is_one_clear_complaint(chrono("replay", "--follow", "nowhere.tsv"), "nowhere.tsv")


@pytest.mark.parametrize(
    ("words", "pace"), [((), 1.0), (("--pace", "5"), 5.0), (("--at-once",), None)]
)
def test_a_replay_takes_as_long_as_the_session_unless_told_otherwise(
    chrono, monkeypatch, words, pace
) -> None:
    asked = []

    def note(file, session, pace):
        asked.append(pace)
        raise KeyboardInterrupt

    monkeypatch.setattr("chrono.session.replay_run.replay_run", note)
    assert chrono("replay", BANDS, *words, "--no-dashboard").code == 130
    assert asked == [pace]
