"""Do the same work on many recordings, on an existing Dask cluster.

If a worker process ends, the cluster repeats the lost work in another worker process.
A task can be repeated, because a task writes nothing.
"""

from collections.abc import Generator, Iterator, Sequence
from contextlib import contextmanager
from dataclasses import dataclass, replace
from pathlib import Path
from typing import Any, Generic, TypeVar

from chrono.arrays import machine_code
from chrono.errors import ChronoError, OptionError, RecordingError
from chrono.season import recording_finder
from chrono.season.recording_finder import RecordingSource
from chrono.season.worker_pool import Outcome, Progress, Task, counted, in_order

T = TypeVar("T")

ANSWER_WITHIN_S = 20.0

WAITING_EACH = 4
"""Number of running or waiting batches for each worker."""

WAITING_BYTES = 512_000_000
"""Largest total size of the recordings in running or waiting batches [bytes]."""

BATCH_BYTES = 4_000_000
"""Size of the recordings in one task [bytes]; a scheduler needs one or two milliseconds per
task."""


@dataclass(frozen=True)
class _Shared(Generic[T]):
    """Does a task, and loads machine code before the task if this saves time."""

    task: Task[T]
    share_bytes: int

    def __call__(self, path: Path, source: RecordingSource) -> tuple[T, list[str]]:
        machine_code.prepare_loops(self.share_bytes)
        return self.task(path, source)


def process_on_cluster(
    address: str, task: Task[T], sources: Sequence[RecordingSource], progress: Progress
) -> Generator[Outcome[T], None, None]:
    """
    Do the same work on each recording, on a cluster.

    Parameters
    ----------
    address : str
        Address of the scheduler, such as ``tcp://scheduler:8786``.
    task : callable
        Function that does the work for one recording; the module `pickle` can copy it.
    sources : sequence of RecordingSource
        Recordings that every worker can read: at addresses, or at paths that all machines
        share.
    progress : callable
        Function that is called after each recording.

    Yields
    ------
    Outcome
        The results or errors, in the order of the sources.

    Raises
    ------
    OptionError
        If there is no cluster, or if its workers have another version of this program.
    RecordingError
        If the cluster cannot do the work.
    """
    total = sum(source.size_bytes for source in sources)
    with _client(address) as client:
        workers = sum(client.nthreads().values())
        work = _Shared(task, total // workers)
        submit = client.get_executor().submit
        shared = [_as_all_see_it(source) for source in sources]
        waiting = WAITING_EACH * workers
        bounds = {"waiting_bytes": WAITING_BYTES, "batch_bytes": BATCH_BYTES}
        outcomes = in_order(work, shared, submit, waiting, **bounds)
        try:
            yield from counted(outcomes, progress)
        except ChronoError:
            raise
        except Exception as error:  # a cluster may raise anything
            raise RecordingError(
                "the computers of the cluster cannot do the work: "
                f"{type(error).__name__}: {error}",
                where=address,
                hint="read the log messages of the scheduler and of the worker processes",
            ) from error


@contextmanager
def _client(address: str) -> Iterator[Any]:
    """Connect to the cluster; at the end, remove all data of this program from the cluster."""
    try:
        from distributed import Client
    except ImportError as error:
        raise OptionError(
            "a cluster needs the package `distributed`, which is not installed",
            where="--cluster",
            hint="run pip install distributed fsspec",
        ) from error
    client: Any = Client.__new__(Client)
    try:
        client.__init__(address, timeout=ANSWER_WITHIN_S, set_as_default=False)
    except Exception as error:  # each way of transport raises its own
        client.status = "closed"  # otherwise its end waits for the scheduler, twice as long
        raise OptionError(
            f"no `dask scheduler` answers at this address: {error}",
            where=address,
            hint="give the address that `dask scheduler` printed, such as tcp://…:8786",
        ) from error
    with client:
        expect_same_program(client, address)
        yield client


def expect_same_program(client: Any, address: str) -> None:
    """
    Raise an error if a worker of the cluster has another version of this program.

    Raises
    ------
    OptionError
        If the cluster has no workers, or a worker with another version of this program.
    """
    try:
        client.wait_for_workers(1, timeout=ANSWER_WITHIN_S)
        told = client.run(machine_code.sources_hash)
    except Exception as error:
        raise OptionError(
            f"no worker process of the cluster can run this program: {error}",
            where=address,
            hint="start the worker processes; each of their computers needs this version of "
            "the program with its optional packages `cluster`",
        ) from error
    others = sorted(
        worker for worker, found in told.items() if found != machine_code.sources_hash()
    )
    if others:
        raise OptionError(
            f"{len(others)} of {len(told)} worker processes run another version of this "
            f"program, for example {others[0]}",
            where=address,
            hint="install the same version of chrono-gates on all machines",
        )


def _as_all_see_it(source: RecordingSource) -> RecordingSource:
    """Return the source with its full path, because the workers run in other folders."""
    if recording_finder.is_address(source.where):
        return source
    return replace(source, where=str(Path(source.where).resolve()))
