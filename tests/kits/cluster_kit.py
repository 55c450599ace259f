"""A Dask cluster of two workers on this machine, in processes of its own.

As a program it prints a line of JSON, the scheduler's address and the workers' processes, and
goes on until its standard input is closed.
"""

import json
import subprocess
import sys
from collections.abc import Iterator
from contextlib import contextmanager
from dataclasses import dataclass


@dataclass(frozen=True)
class Cluster:
    """A cluster that runs: the address of its scheduler, the processes of its workers."""

    address: str
    workers: tuple[int, ...]


@contextmanager
def cluster_of_two() -> Iterator[Cluster]:
    """Run a cluster in another process."""
    command = [sys.executable, __file__]
    with subprocess.Popen(command, stdin=subprocess.PIPE, stdout=subprocess.PIPE) as running:
        assert running.stdin is not None
        assert running.stdout is not None
        told = json.loads(running.stdout.readline())
        try:
            yield Cluster(told["address"], tuple(told["workers"]))
        finally:
            running.stdin.close()


def main() -> None:
    """Run a cluster until standard input is closed."""
    from distributed import LocalCluster

    options = {"threads_per_worker": 1, "dashboard_address": None}
    with LocalCluster(n_workers=2, **options) as cluster:
        workers = [worker.pid for worker in cluster.workers.values()]
        told = {"address": cluster.scheduler_address, "workers": workers}
        print(json.dumps(told), flush=True)
        sys.stdin.read()


if __name__ == "__main__":
    main()
