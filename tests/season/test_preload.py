"""What processes are forked from: it has read one recording, and no bad one ends it."""

import os
import subprocess
import sys
from pathlib import Path

import pytest
from season_kit import BANDS

from chrono.season.worker_pool import FIRST

TELL = (
    "import sys, gc, chrono.season.preload; "
    "from chrono.session.speed_models import speed_model; "
    "print(speed_model.cache_info().currsize, 'scipy.special' in sys.modules, "
    "gc.get_freeze_count() > 0, gc.isenabled())"
)


def told_with(first: str) -> str:
    environment = os.environ | {FIRST: first}
    done = subprocess.run(
        [sys.executable, "-c", TELL],
        env=environment,
        capture_output=True,
        text=True,
        check=True,
    )
    return done.stdout.strip()


def test_a_recording_of_the_work_leaves_its_rig_worked_out() -> None:
    assert told_with(str(BANDS)) == "1 True True True"


@pytest.mark.parametrize("content", [None, b"", b"no recording\n"])
def test_what_cannot_be_read_is_left_to_its_own_turn(
    tmp_path: Path, content: bytes | None
) -> None:
    path = tmp_path / "x.tsv"
    if content is not None:
        path.write_bytes(content)
    assert told_with(str(path)).startswith("0 ")
