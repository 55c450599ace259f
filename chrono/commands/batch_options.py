"""Define the options of commands that process many recordings."""

import os
import sys
import time
from collections.abc import Callable, Generator, Iterator, Sequence
from contextlib import closing, contextmanager
from dataclasses import dataclass
from typing import TYPE_CHECKING, Annotated, Literal, TypeVar

import typer

from chrono.errors import OptionError, RecordingError

if TYPE_CHECKING:
    from chrono.reports.findings_text import Findings
    from chrono.season.recording_finder import RecordingSource
    from chrono.season.worker_pool import Outcome, Task

T = TypeVar("T")

Recordings = Annotated[
    list[str],
    typer.Argument(
        help="Recordings, folders that contain recordings, or file name patterns such "
        "as '2026-*/*.tsv'.",
        show_default=False,
    ),
]
SkipBad = Annotated[
    bool,
    typer.Option(
        "--skip-bad",
        help="Report each file that cannot be used, and continue with the next file.",
    ),
]
Jobs = Annotated[
    int | None,
    typer.Option(
        "--jobs",
        min=1,
        max=512,
        help="Number of processes to use. The default is one process for each processor core.",
    ),
]


Pool = Annotated[
    bool,
    typer.Option(
        "--pool", help="Combine the shots of all recordings. Each setup stays separate."
    ),
]
Rigs = Annotated[
    Literal["one", "each"] | None,
    typer.Option(
        "--rigs",
        help='Write "one" if all recordings come from one rig. Write "each" if every '
        "recording comes from a different rig. Without this option, the program "
        'compares the key "identity" in the rig files. If a rig has no identity, the '
        "program compares gates, clock and calibration. The names of the rigs do "
        "not matter.",
    ),
]
Cluster = Annotated[
    str | None,
    typer.Option(
        "--cluster",
        help="Use the computers of the Dask cluster at this address, such as "
        "tcp://scheduler:8786.",
    ),
]


def one_rig(rigs: str | None) -> bool | None:
    """Return True if all recordings come from one rig; None if the user did not say so."""
    return None if rigs is None else rigs == "one"


@dataclass(frozen=True)
class BatchOptions:
    """
    The options for processing many recordings.

    Attributes
    ----------
    jobs : int or None
        Number of processes. None: the program chooses the number that saves most time.
    skip_bad : bool
        True to skip bad recordings. If False, the first bad recording is an error.
    cluster : str or None
        Address of the scheduler of a Dask cluster that does the work.
    """

    jobs: int | None = None
    skip_bad: bool = False
    cluster: str | None = None


def meant(words: Sequence[str], how: BatchOptions) -> "list[RecordingSource]":
    """
    Find the recordings, and start the process that creates the worker processes.

    Raises
    ------
    ChronoError
        If no recording is found.
    """
    from chrono.season.recording_finder import find_sources
    from chrono.season.worker_pool import load_ahead

    sources = find_sources(words)
    if how.cluster is None:
        load_ahead(sources, how.jobs)
    return sources


@contextmanager
def each_of(
    sources: "Sequence[RecordingSource]",
    task: "Task[T]",
    how: BatchOptions,
    findings: "Findings",
    streaming: bool = False,
) -> Iterator[Iterator[T]]:
    """
    Yield the result of a task for each recording, in order.

    Parameters
    ----------
    sources : sequence of RecordingSource
        The recordings, as found by `meant`.
    task : callable
        The work for one recording.
    how : BatchOptions
    findings : Findings
        Collects the problems of the data, and the recordings that were skipped.
    streaming : bool, optional
        True if the caller prints each result at once. A terminal then shows no progress bar.

    Raises
    ------
    ChronoError
        At the first bad recording, unless `how` says to skip bad recordings.
    """
    from chrono.commands.stop_signals import ended_by_signals

    hidden = streaming and sys.stdout.isatty()
    with ended_by_signals(), _bar(len(sources), hidden) as progress:
        outcomes = _outcomes(task, sources, how, progress)
        with closing(outcomes), closing(_good(outcomes, how.skip_bad, findings)) as found:
            yield found


def all_of(
    sources: "Sequence[RecordingSource]",
    task: "Task[T]",
    how: BatchOptions,
    findings: "Findings",
) -> list[T]:
    """
    Return the results of a task for all recordings. See `each_of`.

    Raises
    ------
    RecordingError
        If all recordings are bad and were skipped.
    """
    with each_of(sources, task, how, findings) as found:
        results = list(found)
    if not results:
        raise RecordingError(
            "none of the recordings can be used",
            hint="check each recording with the command chrono check",
        )
    return results


def files_meant(
    words: Sequence[str], most: int, what: str, hint: str
) -> "list[RecordingSource]":
    """
    Find the recordings that a page or a picture shows.

    Parameters
    ----------
    words : sequence of str
        Names of the recordings, as the user typed them.
    most : int
        Largest number of files that the output can show.
    what : str
        Name of the output, for the error messages.
    hint : str
        Advice for the user if there are more files.

    Raises
    ------
    OptionError
        If there are more files than `most`, or if a recording is not on this computer.
    RecordingError
        If no file is found.
    """
    from chrono.season.recording_finder import find_sources, is_address

    sources = find_sources(words)
    for source in sources:
        if is_address(source.where):
            raise OptionError(
                f"{what} needs a recording that is saved on this computer",
                where=source.where,
                hint="download the recording, then give the name of the downloaded file",
            )
    if len(sources) > most:
        raise OptionError(
            f"there are {len(sources)} recordings, but {what} can show at most {most}",
            hint=hint,
        )
    return sources


def _outcomes(
    task: "Task[T]",
    sources: "Sequence[RecordingSource]",
    how: BatchOptions,
    progress: Callable[[], None],
) -> "Generator[Outcome[T], None, None]":
    if how.cluster is None:
        from chrono.season.worker_pool import process_recordings

        return process_recordings(task, sources, how.jobs, progress)
    if how.jobs is not None:
        raise OptionError(
            "the Dask cluster sets the number of processes",
            where="--jobs",
            hint="leave out --jobs",
        )
    from chrono.season.dask_cluster import process_on_cluster

    return process_on_cluster(how.cluster, task, sources, progress)


def _good(
    outcomes: "Iterator[Outcome[T]]", skip_bad: bool, findings: "Findings"
) -> Generator[T, None, None]:
    for outcome in outcomes:
        findings.lines += outcome.findings
        if outcome.error is None:
            assert outcome.result is not None, "the task has ended without a result or an error"
            yield outcome.result
        elif skip_bad:
            where = outcome.error.where or outcome.source.where
            findings.lines.append(
                f"{where}: {outcome.error.message}; this recording is skipped"
            )
        else:
            raise outcome.error


FIRST_LINE_S, NEXT_LINES_S = 10.0, 60.0
"""Time to the first progress line, and between two progress lines, without a terminal [s]."""


@contextmanager
def _bar(total: int, hidden: bool) -> Iterator[Callable[[], None]]:
    """Show the progress on standard error, as a bar or as lines."""
    if total < 2 or hidden:
        yield lambda: None
        return
    if not sys.stderr.isatty() or os.environ.get("TERM") == "dumb":
        yield _lines(total)
        return
    from rich.console import Console
    from rich.progress import BarColumn, MofNCompleteColumn, Progress, TimeRemainingColumn

    columns = ("recordings", BarColumn(), MofNCompleteColumn(), TimeRemainingColumn())
    bar = Progress(
        *columns,
        console=Console(stderr=True),
        transient=True,
        redirect_stdout=False,
        redirect_stderr=False,
    )
    with bar:
        line = bar.add_task("", total=total)
        yield lambda: bar.advance(line)


def _lines(total: int) -> Callable[[], None]:
    """Return a function to call after each recording; it prints lines about the progress."""
    begin_s = time.monotonic()
    done, next_s = 0, begin_s + FIRST_LINE_S

    def advance() -> None:
        nonlocal done, next_s
        done += 1
        now_s = time.monotonic()
        if now_s < next_s or done == total:
            return
        next_s = now_s + NEXT_LINES_S
        left_s = (now_s - begin_s) / done * (total - done)
        left = f"{left_s:.0f} s" if left_s < 90 else f"{left_s / 60:.0f} min"
        print(
            f"chrono: {done} of {total} recordings are done; time left: about {left}",
            file=sys.stderr,
            flush=True,
        )

    return advance
