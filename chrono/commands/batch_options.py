"""What commands on many recordings do alike: which ones, how many cores, what of bad ones."""

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
        help="Recordings, folders of them, or patterns such as '2026-*/*.tsv'.",
        show_default=False,
    ),
]
SkipBad = Annotated[
    bool, typer.Option("--skip-bad", help="Go on without files that cannot be used.")
]
Jobs = Annotated[
    int | None,
    typer.Option("--jobs", min=1, max=512, help="Processes; as many as cores if not given."),
]


Pool = Annotated[
    bool, typer.Option("--pool", help="Put the recordings together, setup by setup.")
]
Rigs = Annotated[
    Literal["one", "each"] | None,
    typer.Option(
        "--rigs",
        help="Take all recordings for those of one rig, or each for another rig. Without it "
        "the identity in the rig decides, then the description; the name never does.",
    ),
]
Cluster = Annotated[
    str | None,
    typer.Option(
        "--cluster", help="Have it done by a Dask cluster, such as tcp://scheduler:8786."
    ),
]


def one_rig(rigs: str | None) -> bool | None:
    """Return whether all recordings are of one rig by the user's word, None without it."""
    return None if rigs is None else rigs == "one"


@dataclass(frozen=True)
class BatchOptions:
    """
    How the work on many recordings is done.

    Attributes
    ----------
    jobs : int or None
        Processes; None for as many as pay.
    skip_bad : bool
        Whether recordings that cannot be used are left out; the first one ends it otherwise.
    cluster : str or None
        Address of the scheduler of a Dask cluster that does the work.
    """

    jobs: int | None = None
    skip_bad: bool = False
    cluster: str | None = None


def meant(words: Sequence[str], how: BatchOptions) -> "list[RecordingSource]":
    """
    Find recordings, before all else is loaded: what shares the work loads meanwhile.

    Raises
    ------
    ChronoError
        If no recording is meant.
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
    Give the results of the same work on each recording, in order.

    Parameters
    ----------
    sources : sequence of RecordingSource
        Which recordings, see `meant`.
    task : callable
        The work.
    how : BatchOptions
    findings : Findings
        Takes what is wrong with the data, and which recordings were left out.
    streaming : bool, optional
        Whether results are printed as they come: a terminal then shows them and no bar.

    Raises
    ------
    ChronoError
        The first bad one that is not to be left out.
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
    Return the results of the same work on all recordings, see `each_of`.

    Raises
    ------
    RecordingError
        If all recordings are bad and left out.
    """
    with each_of(sources, task, how, findings) as found:
        results = list(found)
    if not results:
        raise RecordingError("not one recording can be used", hint="look at each with check")
    return results


def files_meant(
    words: Sequence[str], most: int, what: str, hint: str
) -> "list[RecordingSource]":
    """
    Find the files that are meant, where one output is to show each of them.

    Parameters
    ----------
    words : sequence of str
        Which recordings.
    most : int
        So many the output can show.
    what : str
        The output, in words.
    hint : str
        What to do where there are more.

    Raises
    ------
    OptionError
        If there are more, or one is at an address.
    RecordingError
        If none is there.
    """
    from chrono.season.recording_finder import find_sources, is_address

    sources = find_sources(words)
    for source in sources:
        if is_address(source.where):
            raise OptionError(
                f"{what} is made of files only", where=source.where, hint="fetch it first"
            )
    if len(sources) > most:
        raise OptionError(
            f"{len(sources)} recordings are meant, and {what} shows {most} at most", hint=hint
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
            "a cluster has workers of its own", where="--jobs", hint="leave it out"
        )
    from chrono.season.dask_cluster import process_on_cluster

    return process_on_cluster(how.cluster, task, sources, progress)


def _good(
    outcomes: "Iterator[Outcome[T]]", skip_bad: bool, findings: "Findings"
) -> Generator[T, None, None]:
    for outcome in outcomes:
        findings.lines += outcome.findings
        if outcome.error is None:
            assert outcome.result is not None, "what has no result has an error"
            yield outcome.result
        elif skip_bad:
            where = outcome.error.where or outcome.source.where
            findings.lines.append(f"{where}: {outcome.error.message}; left out")
        else:
            raise outcome.error


FIRST_LINE_S, NEXT_LINES_S = 10.0, 60.0
"""After so long without a terminal it is said how far the work is, and then so often."""


@contextmanager
def _bar(total: int, hidden: bool) -> Iterator[Callable[[], None]]:
    """Show how many recordings are done on standard error: a bar, or a line now and then."""
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
    """Return what is told of each recording that is done, and says so now and then."""
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
            f"chrono: {done} of {total} recordings, about {left} left",
            file=sys.stderr,
            flush=True,
        )

    return advance
