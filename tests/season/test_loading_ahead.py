"""What processes are forked from begins to load before the program itself has loaded."""

import json
import subprocess
import sys
from pathlib import Path

import pytest
from season_kit import BANDS, many_links

LOAD_AHEAD = """
import json, multiprocessing, sys
from multiprocessing import forkserver
from chrono.commands.batch_options import BatchOptions, meant
sources = meant([sys.argv[1]], BatchOptions(jobs=int(sys.argv[2])))
started = forkserver._forkserver._forkserver_pid is not None
print(json.dumps([len(sources), started, "numpy" in sys.modules]))
"""


@pytest.mark.skipif(sys.platform == "win32", reason="processes are not forked there")
@pytest.mark.parametrize("jobs", [1, 2])
def test_it_is_started_where_work_is_shared_before_anything_heavy(
    tmp_path: Path, jobs: int
) -> None:
    folder = many_links(tmp_path / "many", 3, BANDS)
    command = [sys.executable, "-c", LOAD_AHEAD, str(folder), str(jobs)]
    done = subprocess.run(command, capture_output=True, text=True, check=True)
    assert json.loads(done.stdout) == [3, jobs > 1, False]
