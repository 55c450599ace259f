"""A Dask cluster gives what one core gives, whatever becomes of its workers."""

import gc
import json
import os
import shutil
import signal
import subprocess
import sys
from pathlib import Path

import pyarrow.parquet as pq
import pytest
from cluster_kit import cluster_of_two
from command_kit import is_one_clear_complaint
from season_kit import BANDS, HALL, PLAIN, RECORDINGS, many_links
from waiting import wait_until

pytestmark = pytest.mark.long


def contents(folder: Path) -> dict[str, bytes]:
    """Return the files of a dataset."""
    return {
        str(path.relative_to(folder)): path.read_bytes() for path in sorted(folder.rglob("*.*"))
    }


def start(folder: Path, *words: str) -> "subprocess.Popen[bytes]":
    command = [sys.executable, "-m", "chrono", "export", *words]
    return subprocess.Popen(command, cwd=folder, stderr=subprocess.PIPE)


def test_a_killed_worker_changes_nothing_in_the_result(tmp_path: Path) -> None:
    season = tmp_path / "season"
    for day, source in enumerate((BANDS, HALL, PLAIN, HALL)):
        many_links(season / str(day), 150, source)
    address = f"file://{season}"
    with start(tmp_path, address, "-o", "alone/", "--jobs", "1") as alone:
        alone.communicate(timeout=300)
    assert alone.returncode == 1, "the hall's lamps are told"
    with cluster_of_two() as cluster:
        words = (address, "-o", "shared/", "--cluster", cluster.address)
        with start(tmp_path, *words) as shared:
            wait_until(lambda: list(tmp_path.glob("shared/*/*.parquet")), 120)
            os.kill(cluster.workers[0], signal.SIGKILL)
            assert shared.poll() is None, "in the middle of it"
            _, told = shared.communicate(timeout=300)
    assert shared.returncode == 1, told
    assert f"the command wrote {150 * (40 + 40 + 60 + 40)} shots to".encode() in told
    found = contents(tmp_path / "shared")
    assert list(found) == [
        "day=2025-05-16/part-00000.parquet",
        "day=2025-05-17/part-00000.parquet",
        "day=2025-05-17/part-00001.parquet",
        "day=2025-05-20/part-00000.parquet",
    ]
    assert found == contents(tmp_path / "alone")


def test_every_command_gives_the_same_on_a_cluster(tmp_path: Path, chrono) -> None:
    folder = tmp_path / "week"
    folder.mkdir()
    for source in (BANDS, HALL, PLAIN):
        shutil.copy(source, folder)
    (folder / "z.tsv").write_text("")
    with cluster_of_two() as cluster:
        for command in ("summary", "compare", "check"):
            call = (command, "week", "--json", "--skip-bad")
            alone, shared = chrono(*call), chrono(*call, "--cluster", cluster.address)
            assert (alone.code, json.loads(alone.out)) == (shared.code, json.loads(shared.out))
            skipped = "so this is not a recording; this recording is skipped"
            assert "z.tsv: the file is empty, " + skipped in shared.err
        is_one_clear_complaint(
            chrono("summary", "week", "--cluster", cluster.address, "--jobs", 2), "--jobs"
        )


@pytest.mark.filterwarnings("ignore")  # of a cluster within this process, which is no use of it
def test_recordings_in_the_memory_of_a_cluster_become_a_dataset_there(chrono, tmp_path):
    import fsspec
    from distributed import LocalCluster

    memory = fsspec.filesystem("memory")
    for source in (BANDS, PLAIN):
        memory.pipe(f"/season/2025/{source.name}", source.read_bytes())
    options = {"processes": False, "dashboard_address": None, "protocol": "tcp://"}
    with LocalCluster(n_workers=2, threads_per_worker=1, **options) as cluster:
        call = ("export", "memory://season/*/*.tsv", "-o", "memory://out/", "--cluster")
        outcome = chrono(*call, cluster.scheduler_address)
    assert outcome.code == 0, outcome.err
    written = memory.find("/out")
    assert written == [
        "/out/day=2025-05-16/part-00000.parquet",
        "/out/day=2025-05-20/part-00000.parquet",
    ]
    table = pq.read_table("/out", filesystem=memory)
    assert table.num_rows == 100
    assert set(table["day"].to_pylist()) == {"2025-05-16", "2025-05-20"}


def test_a_scheduler_that_does_not_answer_is_told(chrono, monkeypatch) -> None:
    from distributed import utils

    begin = utils.asyncio_run

    def begin_after_the_last_one_is_forgotten(*words, **options):
        gc.collect()
        return begin(*words, **options)

    monkeypatch.setattr(utils, "asyncio_run", begin_after_the_last_one_is_forgotten)
    monkeypatch.setattr("chrono.season.dask_cluster.ANSWER_WITHIN_S", 1.0)
    for address in (
        "tcp://127.0.0.1:9",
        "nonsense://x",
        "tcp://nowhere.invalid:8786",
        "tls://127.0.0.1:9",
        "tcp://127.0.0.1:x",
    ):
        outcome = chrono("summary", RECORDINGS, "--cluster", address)
        is_one_clear_complaint(outcome, address, "no `dask scheduler` answers")


def test_a_wrong_address_ends_the_program_with_these_lines_alone(tmp_path: Path) -> None:
    with start(tmp_path, str(BANDS), "-o", "x.csv", "--cluster", "nonsense://x") as begun:
        _, told = begun.communicate(timeout=300)
    assert begun.returncode == 2
    complaint, advice = told.decode().splitlines()
    assert "nonsense://x: no `dask scheduler` answers at this address" in complaint
    assert advice.lstrip().startswith("do: give the address")
