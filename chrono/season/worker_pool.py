"""Do the same work on many recordings, on one or more cores, and return the results in order.

The program works on a limited number of recordings at the same time, with a limited total size.

The following numbers are an estimate for a hundred thousand recordings of 124 kB and 650 shots
each, from measurements on two cores (`tests/benchmarks/bench_season.py`). The search for the
recordings takes 2.3 s and 106 MB of memory. One core reads one recording in 3.3 ms. On a
cluster, each task (recordings of 4 MB in total) takes 2.4 ms more. Only the client process
writes results; this takes about 1 ms per recording. More than about five workers do not make
the work faster. To use more workers, start several clients; each client must write its own
folder.

If a worker process is killed, no file is incomplete, because workers write no files.
"""

import math
import multiprocessing
import os
import signal
import sys
import threading
from collections import deque
from collections.abc import Callable, Generator, Iterable, Iterator, Sequence
from concurrent.futures import Future, ProcessPoolExecutor, ThreadPoolExecutor
from concurrent.futures.process import BrokenProcessPool
from contextlib import contextmanager
from dataclasses import dataclass
from functools import partial
from importlib.util import find_spec
from multiprocessing.context import BaseContext
from pathlib import Path
from typing import Any, Generic, TypeVar

from chrono.arrays import machine_code
from chrono.errors import ChronoError, RecordingError
from chrono.season import recording_finder
from chrono.season.recording_finder import RecordingSource

T = TypeVar("T")

Task = Callable[[Path, RecordingSource], tuple[T, list[str]]]
"""A function that reads one recording, and returns a result and the problems of the data."""

Submit = Callable[..., "Future[Any]"]
"""A function that runs another function in another process, like `Executor.submit`."""

Progress = Callable[[], None]
"""A function that is called after each recording."""

LARGE_BYTES = 16_000_000
"""The main process itself reads a recording of at least this size [bytes], and passes on the
parts of the recording."""

WAITING_BYTES = 64_000_000
"""Largest total size of the recordings in running or waiting batches [bytes]."""

BATCH_BYTES = 2_000_000
"""Size of the recordings in one batch [bytes]; each transfer of a batch costs time."""

MOST_PROCESSES = 61 if sys.platform == "win32" else 512
"""Largest number of processes; Windows cannot wait for more processes at once."""

UNKNOWN_BYTES = 10_000
"""Each recording counts with at least this size [bytes], because the real size may be unknown
at an address."""

WAITING_EACH = 16
"""Number of running or waiting batches per process, so that no process waits for work."""

WORTH_SHARING_BYTES = 12_000_000
"""One process can read this many bytes in the time that other processes need to start."""


@dataclass(frozen=True, eq=False)
class Outcome(Generic[T]):
    """
    The result of the work on one recording, or an error instead of a result.

    Attributes
    ----------
    source : RecordingSource
    result : object or None
    findings : list of str
        Problems of the recording's data.
    error : ChronoError or None
    """

    source: RecordingSource
    result: T | None
    findings: list[str]
    error: ChronoError | None = None


def process_recordings(
    task: Task[T], sources: Sequence[RecordingSource], jobs: int | None, progress: Progress
) -> Generator[Outcome[T], None, None]:
    """
    Do the same work on each recording, on the cores of this machine.

    Parameters
    ----------
    task : callable
        Function that does the work for one recording; the module `pickle` can copy it.
    sources : sequence of RecordingSource
    jobs : int or None
        Number of processes. None: one per core, or only one if more would save no time.
    progress : callable
        Function that is called after each recording.

    Yields
    ------
    Outcome
        The results or errors, in the order of the sources.

    Raises
    ------
    RecordingError
        If another program ends a process.
    """
    processes, share = _shared(sources, jobs)
    if processes < 2:
        machine_code.prepare_loops(share)
        yield from counted((outcome_of(task, source) for source in sources), progress)
        return
    # One process compiles the machine code with one recording, so that the others need not. The
    # memory for compiling is freed when this process ends.
    alone = 0 if machine_code.is_cached() or share < machine_code.WORTH_COMPILING_BYTES else 1
    for number, part in ((1, sources[:alone]), (processes, sources[alone:])):
        if part:
            yield from counted(_from_pool(task, part, number, share), progress)


def load_ahead(sources: Sequence[RecordingSource], jobs: int | None) -> None:
    """
    If the work needs several processes, begin to load their code now.

    Parameters
    ----------
    sources : sequence of RecordingSource
    jobs : int or None
        The same as in `process_recordings`.
    """
    processes, share = _shared(sources, jobs)
    if processes > 1:
        _start_server(_context(share))


def _shared(sources: Sequence[RecordingSource], jobs: int | None) -> tuple[int, int]:
    """Return the number of processes, and the number of bytes that each process reads."""
    total = sum(source.size_bytes for source in sources)
    processes = min(jobs or _cores(total), len(sources), MOST_PROCESSES)
    return processes, total // max(processes, 1)


def _from_pool(
    task: Task[T], sources: Sequence[RecordingSource], processes: int, share_bytes: int
) -> Iterator[Outcome[T]]:
    with _submitted(processes, share_bytes) as submit:
        try:
            yield from in_order(task, sources, submit, WAITING_EACH * processes, LARGE_BYTES)
        except BrokenProcessPool as error:
            raise RecordingError(
                "another program stopped a process that was reading recordings",
                hint="if the computer ran out of memory, use fewer processes, such as --jobs 1",
            ) from error


def in_order(
    task: Task[T],
    sources: Sequence[RecordingSource],
    submit: Submit,
    waiting: int,
    large_bytes: float = math.inf,
    waiting_bytes: int = WAITING_BYTES,
    batch_bytes: int = BATCH_BYTES,
) -> Iterator[Outcome[T]]:
    """
    Let other processes do the work; yield the results in the order of the sources.

    Parameters
    ----------
    task : callable
    sources : sequence of RecordingSource
    submit : callable
        Function that runs the work of a batch in another process.
    waiting : int
        Largest number of running or waiting batches.
    large_bytes : float, optional
        Recordings of at least this size are read in this process.
    waiting_bytes : int, optional
        Largest total size of the recordings in running or waiting batches.
    batch_bytes : int, optional
        Size of the recordings in one batch.
    """
    under_way: deque[tuple[list[RecordingSource], Future[list[Outcome[T]]] | None]] = deque()
    held_bytes = 0
    for batch in _batches(sources, large_bytes, batch_bytes):
        size_bytes = sum(source.size_bytes for source in batch)
        while under_way and (
            len(under_way) >= waiting or held_bytes + size_bytes > waiting_bytes
        ):
            held_bytes -= sum(source.size_bytes for source in under_way[0][0])
            yield from _taken(task, *under_way.popleft())
        elsewhere = batch[0].size_bytes < large_bytes
        future = submit(_outcomes_of, task, batch) if elsewhere else None
        under_way.append((batch, future))
        held_bytes += size_bytes
    while under_way:
        yield from _taken(task, *under_way.popleft())


def _batches(
    sources: Iterable[RecordingSource], large_bytes: float, batch_bytes: int
) -> Iterator[list[RecordingSource]]:
    """Yield the recordings in batches; each large recording has its own batch."""
    batch: list[RecordingSource] = []
    held_bytes = 0
    for source in sources:
        is_large = source.size_bytes >= large_bytes
        size_bytes = max(source.size_bytes, UNKNOWN_BYTES)
        if batch and (is_large or held_bytes + size_bytes > batch_bytes):
            yield batch
            batch, held_bytes = [], 0
        batch.append(source)
        held_bytes += batch_bytes if is_large else size_bytes
    if batch:
        yield batch


def _outcomes_of(task: Task[T], batch: Sequence[RecordingSource]) -> list[Outcome[T]]:
    return [outcome_of(task, source) for source in batch]


def _taken(
    task: Task[T], batch: list[RecordingSource], future: Future[list[Outcome[T]]] | None
) -> Iterable[Outcome[T]]:
    return map(partial(outcome_of, task), batch) if future is None else future.result()


def outcome_of(task: Task[T], source: RecordingSource) -> Outcome[T]:
    """Do the work on one recording, which is at a path or at an address."""
    try:
        if not recording_finder.is_address(source.where):
            return Outcome(source, *task(Path(source.where), source))
        with recording_finder.fetched(source.where) as copy:
            return _at_its_address(source, str(copy), task)
    except ChronoError as error:
        return Outcome(source, None, [], error)


def _at_its_address(source: RecordingSource, copy: str, task: Task[T]) -> Outcome[T]:
    """Do the work on a downloaded copy of a recording; messages state the original address."""
    try:
        result, findings = task(Path(copy), source)
    except ChronoError as error:
        error.where = error.where.replace(copy, source.where)
        raise
    return Outcome(source, result, [line.replace(copy, source.where) for line in findings])


def counted(outcomes: Iterator[Outcome[T]], progress: Progress) -> Iterator[Outcome[T]]:
    """Yield each of the `outcomes`, and then call `progress`."""
    for outcome in outcomes:
        yield outcome
        progress()


def _cores(total_bytes: int) -> int:
    if total_bytes < WORTH_SHARING_BYTES:
        return 1
    if hasattr(os, "sched_getaffinity"):
        return len(os.sched_getaffinity(0))
    return os.cpu_count() or 1


@contextmanager
def _submitted(processes: int, share_bytes: int) -> Iterator[Submit]:
    """Start worker processes when there is work; at the end stop them, even after an error."""
    context = _context(share_bytes)
    _start_server(context)
    before = set(multiprocessing.active_children())
    pool = ProcessPoolExecutor(processes, context, partial(_begin, share_bytes))
    # An interruption ends the work of the main thread, but not the start of a process.
    with ThreadPoolExecutor(1) as starting:
        try:
            yield lambda *work: starting.submit(partial(pool.submit, *work)).result()
        except BaseException:
            starting.shutdown()
            for child in set(multiprocessing.active_children()) - before:
                child.terminate()
            raise
        finally:
            pool.shutdown(cancel_futures=True)


def _context(share_bytes: int) -> BaseContext:
    """Return the object that starts processes, and choose the modules that it preloads."""
    if "forkserver" not in multiprocessing.get_all_start_methods():
        return multiprocessing.get_context("spawn")
    context = multiprocessing.get_context("forkserver")
    is_much = share_bytes >= machine_code.WORTH_LOADING_BYTES and find_spec("numba")
    context.set_forkserver_preload(
        [*(["numba"] if is_much else []), "chrono.season.batch_tasks"]
    )
    return context


def _start_server(context: BaseContext) -> None:
    """Start Python's fork server, the process that later starts the worker processes."""
    if context.get_start_method() != "forkserver":
        return
    from multiprocessing import forkserver, resource_tracker

    start: Any = forkserver.ensure_running
    resource_tracker.ensure_running()  # starting the tracker would unblock the signal again
    # Ctrl+C reaches all processes of a terminal; only the main process handles it.
    before = signal.pthread_sigmask(signal.SIG_BLOCK, {signal.SIGINT})
    try:
        start()
    finally:
        signal.pthread_sigmask(signal.SIG_SETMASK, before)


def _begin(share_bytes: int) -> None:
    """Prepare a new worker process, and make it end when its parent process ends."""
    signal.signal(signal.SIGINT, signal.SIG_IGN)  # in case it was not blocked above
    threading.Thread(target=_end_with_parent, daemon=True).start()
    machine_code.prepare_loops(share_bytes)


def _end_with_parent() -> None:
    parent: Any = multiprocessing.parent_process()
    parent.join()
    os._exit(1)
