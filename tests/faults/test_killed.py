"""A program killed without warning has lost no shot that it had shown."""

import json
import subprocess
import sys
from pathlib import Path

import pytest
from command_kit import are_kept

from chrono.errors import RecordingError
from chrono.reports.export_table import shot_records
from chrono.session.recording_loader import read_recording

KILLS = 8
MANY_KILLS = 100


def test_every_shot_printed_before_a_kill_is_in_the_recording(tmp_path: Path) -> None:
    kill_and_compare(tmp_path, KILLS, seed=1)


@pytest.mark.long
def test_every_shot_printed_before_a_hundred_kills_is_in_the_recording(
    tmp_path: Path,
) -> None:
    kill_and_compare(tmp_path, MANY_KILLS, seed=2)


def kill_and_compare(tmp_path: Path, kills: int, seed: int) -> None:
    """Kill so many sessions, and replay what is left of each."""
    subprocess.run(
        [
            sys.executable,
            Path(__file__).with_name("killed.py"),
            tmp_path,
            str(kills),
            str(seed),
        ],
        check=True,
        timeout=600,
    )

    printed_in_all, sessions = 0, 0
    for out in tmp_path.glob("*.out"):
        recording = out.with_suffix(".tsv")
        printed = [json.loads(line) for line in out.read_text().split("\n")[:-1]]
        if not printed and not has_rig(recording):
            continue
        session = read_recording(recording).session
        replayed = list(shot_records(session, recording.name, slice(0, len(session.log))))
        assert are_kept(printed, replayed), out
        printed_in_all, sessions = printed_in_all + len(printed), sessions + 1

    assert sessions > 0.8 * kills
    assert printed_in_all > 0


def has_rig(recording: Path) -> bool:
    """Whether the session came as far as its first rows; else there is nothing to replay."""
    try:
        read_recording(recording)
    except RecordingError:
        return False
    return True
