"""The same work on each of many recordings, on one core or many, results in order.

The work is a pure function of one recording. How many recordings are under way is bounded, in
number and bytes, so memory does not grow with the season.
"""

import math
import multiprocessing
import os
import signal
import threading
from collections import deque
from collections.abc import Callable, Iterator, Sequence
from concurrent.futures import Executor, Future, ProcessPoolExecutor
from concurrent.futures.process import BrokenProcessPool
from contextlib import contextmanager
from dataclasses import dataclass
from functools import partial
from pathlib import Path
from typing import Any, Generic, TypeVar

from chrono.arrays import compiled, kept
from chrono.errors import ChronoError, RecordingError
from chrono.season import remote
from chrono.season.sources import Source

T = TypeVar("T")

Task = Callable[[Path, Source], tuple[T, list[str]]]
"""Makes a result, and what is wrong with the data, from a file and what it is a copy of."""

Progress = Callable[[], None]
"""Told of each recording that is done."""

LARGE_BYTES = 16_000_000
"""A recording of so much is read by the main process, which hands it on part by part."""

WAITING_BYTES = 64_000_000
"""Recordings of so much together may be under way or wait for their turn."""

WAITING_EACH = 8
"""Recordings under way or waiting, for each process."""

WORTH_SHARING_BYTES = 12_000_000
"""Starting other processes takes about as long as reading so much."""


@dataclass(frozen=True, eq=False)
class Outcome(Generic[T]):
    """
    What came of one recording: a result, or the error that says why there is none.

    Attributes
    ----------
    source : Source
    result : object or None
    findings : list of str
        What is wrong with its data.
    error : ChronoError or None
    """

    source: Source
    result: T | None
    findings: list[str]
    error: ChronoError | None = None


def work_through(
    task: Task[T], sources: Sequence[Source], jobs: int | None, progress: Progress
) -> Iterator[Outcome[T]]:
    """
    Do the same work on each recording, on the cores of this machine.

    Parameters
    ----------
    task : callable
        Can be pickled.
    sources : sequence of Source
    jobs : int or None
        Processes; None for as many as there are cores, or one where more would not pay.
    progress : callable
        Told of each that is done.

    Yields
    ------
    Outcome
        In the order of the sources.

    Raises
    ------
    RecordingError
        If a process is ended from outside.
    """
    total = sum(source.size_bytes for source in sources)
    processes = min(jobs or _cores(total), len(sources))
    if processes < 2:
        compiled.prepare(total)
        yield from counted((outcome_of(task, source) for source in sources), progress)
        return
    with _pool(processes, total // processes) as pool:
        alone = 0 if kept.is_there() or total < compiled.WORTH_COMPILING_BYTES else 1
        try:
            # Machine code is made by one process, with one recording, and not by each anew.
            for part in (sources[:alone], sources[alone:]):
                outcomes = in_order(task, part, pool, WAITING_EACH * processes, LARGE_BYTES)
                yield from counted(outcomes, progress)
        except BrokenProcessPool as error:
            raise RecordingError(
                "a process that read recordings was ended from outside",
                hint="look whether memory ran out, and ask for fewer with --jobs",
            ) from error


def in_order(
    task: Task[T],
    sources: Sequence[Source],
    pool: Executor,
    waiting: int,
    large_bytes: float = math.inf,
    waiting_bytes: int = WAITING_BYTES,
) -> Iterator[Outcome[T]]:
    """
    Yield the outcomes of work done elsewhere, in the order of the sources.

    Parameters
    ----------
    task : callable
    sources : sequence of Source
    pool : Executor
        Does the work.
    waiting : int
        So many may be under way or wait for their turn.
    large_bytes : float, optional
        Recordings of so much are read here.
    waiting_bytes : int, optional
        Recordings of so much together may be under way or wait for their turn.
    """
    under_way: deque[tuple[Source, Future[Outcome[T]] | None]] = deque()
    coming, held_bytes = iter(sources), 0

    def start(source: Source) -> None:
        elsewhere = source.size_bytes < large_bytes
        future = pool.submit(outcome_of, task, source) if elsewhere else None
        under_way.append((source, future))

    for source in coming:
        while under_way and (
            len(under_way) >= waiting or held_bytes + source.size_bytes > waiting_bytes
        ):
            held_bytes -= under_way[0][0].size_bytes
            yield _taken(task, *under_way.popleft())
        start(source)
        held_bytes += source.size_bytes
    while under_way:
        yield _taken(task, *under_way.popleft())


def outcome_of(task: Task[T], source: Source) -> Outcome[T]:
    """Do the work on one recording, wherever it is."""
    try:
        if not remote.is_address(source.where):
            return Outcome(source, *task(Path(source.where), source))
        with remote.fetched(source.where) as copy:
            return _at_its_address(source, str(copy), task)
    except ChronoError as error:
        return Outcome(source, None, [], error)


def _taken(task: Task[T], source: Source, future: Future[Outcome[T]] | None) -> Outcome[T]:
    return outcome_of(task, source) if future is None else future.result()


def _at_its_address(source: Source, copy: str, task: Task[T]) -> Outcome[T]:
    """Do the work on a copy, and let what it says name the address."""
    try:
        result, findings = task(Path(copy), source)
    except ChronoError as error:
        error.where = error.where.replace(copy, source.where)
        raise
    return Outcome(source, result, [line.replace(copy, source.where) for line in findings])


def counted(outcomes: Iterator[Outcome[T]], progress: Progress) -> Iterator[Outcome[T]]:
    """Yield outcomes and tell of each when the next is asked for."""
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
def _pool(processes: int, share_bytes: int) -> Iterator[Executor]:
    """Start processes; however this ends, none of them is left."""
    can_fork = "forkserver" in multiprocessing.get_all_start_methods()
    context = multiprocessing.get_context("forkserver" if can_fork else "spawn")
    if can_fork:
        is_much = share_bytes >= compiled.WORTH_LOADING_BYTES
        loaded = "chrono.season.preload" if is_much else "chrono.season.tasks"
        context.set_forkserver_preload([loaded])
    before = set(multiprocessing.active_children())
    pool = ProcessPoolExecutor(processes, context, partial(_begin, share_bytes))
    try:
        yield pool
    except BaseException:
        pool.shutdown(wait=False, cancel_futures=True)
        for child in set(multiprocessing.active_children()) - before:
            child.terminate()
        raise
    finally:
        pool.shutdown(cancel_futures=True)


def _begin(share_bytes: int) -> None:
    """Prepare a process for its share of the work; let it end with the one that started it."""
    signal.signal(signal.SIGINT, signal.SIG_IGN)  # that is the main process's to take
    threading.Thread(target=_end_with_parent, daemon=True).start()
    compiled.prepare(share_bytes)


def _end_with_parent() -> None:
    parent: Any = multiprocessing.parent_process()
    parent.join()
    os._exit(1)
