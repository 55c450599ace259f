"""The same work on each of many recordings, on an existing Dask cluster.

The cluster itself starts, feeds and watches its workers. If a worker ends, its results are
lost; because the work is pure, the cluster repeats it on another worker.
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
"""Batches under way or waiting, for each worker."""

WAITING_BYTES = 512_000_000
"""Largest total size of recordings that are under way or waiting."""

BATCH_BYTES = 4_000_000
"""Size of the recordings in one task: a scheduler takes a millisecond or two per task."""


@dataclass(frozen=True)
class _Shared(Generic[T]):
    """Work that is a part of much work: worth machine code, unlike a single recording."""

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
        Address of its scheduler, such as ``tcp://scheduler:8786``.
    task : callable
        Can be pickled.
    sources : sequence of RecordingSource
        Where every worker can read them: addresses, or paths that all machines share.
    progress : callable
        Called after each recording.

    Yields
    ------
    Outcome
        In the order of the sources.

    Raises
    ------
    OptionError
        If there is no cluster, or its workers have other sources of this program.
    RecordingError
        If it cannot do the work.
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
                f"the cluster cannot do the work: {type(error).__name__}: {error}",
                where=address,
                hint="look at the logs of its scheduler and workers",
            ) from error


@contextmanager
def _client(address: str) -> Iterator[Any]:
    """Yield a client of the cluster; leave nothing of ours in it."""
    try:
        from distributed import Client
    except ImportError as error:
        raise OptionError(
            "a cluster needs distributed, which is not installed",
            where="--cluster",
            hint="pip install 'chrono-gates[cluster]'",
        ) from error
    try:
        begin: Any = Client
        client = begin(address, timeout=ANSWER_WITHIN_S, set_as_default=False)
    except (OSError, ValueError) as error:
        raise OptionError(
            f"no scheduler answers: {error}",
            where=address,
            hint="give the address that `dask scheduler` printed, tcp://…:8786",
        ) from error
    with client:
        expect_same_program(client, address)
        yield client


def expect_same_program(client: Any, address: str) -> None:
    """
    Refuse a cluster whose workers might give different digits.

    Raises
    ------
    OptionError
        If it has no workers, or one with other sources of this program.
    """
    try:
        client.wait_for_workers(1, timeout=ANSWER_WITHIN_S)
        told = client.run(machine_code.sources_hash)
    except Exception as error:
        raise OptionError(
            f"no worker of the cluster can run this program: {error}",
            where=address,
            hint="start workers, with chrono-gates[cluster] of this version on each",
        ) from error
    others = sorted(
        worker for worker, found in told.items() if found != machine_code.sources_hash()
    )
    if others:
        raise OptionError(
            f"{len(others)} of {len(told)} workers have another version of this program, "
            f"the first: {others[0]}",
            where=address,
            hint="install the same version of chrono-gates everywhere",
        )


def _as_all_see_it(source: RecordingSource) -> RecordingSource:
    """Return a source with its full path, because workers run in other folders."""
    if recording_finder.is_address(source.where):
        return source
    return replace(source, where=str(Path(source.where).resolve()))
