"""The same work on each of many recordings, done by a Dask cluster that is there already.

Starting, queueing and watching its workers is the cluster's own business. A worker that ends
takes its results along; since the work is pure, the cluster has it done again by another.
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
"""Recordings of so much together may be under way or wait for their turn."""

BATCH_BYTES = 4_000_000
"""Recordings of so much are one task: a scheduler takes a millisecond or two for each."""


@dataclass(frozen=True)
class _Shared(Generic[T]):
    """Work that is a part of much work: worth machine code, which a single recording is not."""

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
        Of its scheduler, such as ``tcp://scheduler:8786``.
    task : callable
        Can be pickled.
    sources : sequence of RecordingSource
        Where every worker can read them: addresses, or paths that all machines share.
    progress : callable
        Told of each that is done.

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
        except Exception as error:  # whatever a cluster of somebody else's comes up with
            raise RecordingError(
                f"the cluster cannot do the work: {type(error).__name__}: {error}",
                where=address,
                hint="look at what its scheduler and workers say",
            ) from error


@contextmanager
def _client(address: str) -> Iterator[Any]:
    """Give a client of the cluster; nothing of ours is left in it."""
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
    Refuse a cluster whose workers might give other digits.

    Raises
    ------
    OptionError
        If it has no workers, or one without the very sources of this program.
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
    """Return a source by its whole path: workers run in folders of their own."""
    if recording_finder.is_address(source.where):
        return source
    return replace(source, where=str(Path(source.where).resolve()))
