"""Open recordings whole: every block through the session, twice if a later rig asks for it."""

from collections.abc import Callable, Iterable, Iterator
from contextlib import contextmanager
from dataclasses import dataclass, field
from pathlib import Path

from chrono.errors import CalibrationError, ChronoError, RecordingError
from chrono.plain import plain
from chrono.processor.beats import BeatClock
from chrono.processor.clock import ClockEstimate
from chrono.processor.rules import Rules
from chrono.reader.decoder import decode_rows
from chrono.reader.recording import RecordingReader
from chrono.rig import Rig, rig_from_record, with_clock_rate
from chrono.session import Session

BYTES_PER_SHOT = 150
"""Fewer than any real shot takes in a framed recording; only a guess for making room."""

Progress = Callable[[int, int], None]
"""Told the bytes read and the bytes in all."""


@dataclass(frozen=True, eq=False)
class Recorded:
    """
    A recording's session.

    Attributes
    ----------
    path : Path
    session : Session
        Closed: all its shots are in its log.
    left_out : str
        What could not be used at the end of the file, empty if nothing.
    """

    path: Path
    session: Session
    left_out: str = ""

    @property
    def name(self) -> str:
        """The file's name."""
        return self.path.name


@dataclass
class Findings:
    """What is wrong with the data, collected on the way to be told at the end."""

    lines: list[str] = field(default_factory=list)

    def add(self, recorded: Recorded) -> None:
        """Take in what is wrong with one recording."""
        if recorded.left_out:
            self.lines.append(f"{recorded.path}: {recorded.left_out}")
        if recorded.session.unread_records:
            self.lines.append(f"{recorded.path}: {unread_line(recorded.session)}")


def unread_line(session: Session) -> str:
    """Return how many of the operator's records were left out, and why the first was."""
    count = session.unread_records
    words = "1 setup or mark is" if count == 1 else f"{count} setups or marks are"
    return f"{words} left out, the first: {plain(session.unread_reasons[0])}"


def read_all(
    paths: Iterable[Path], rig: Rig | None, findings: Findings, clock_from_host: bool = False
) -> Iterator[Recorded]:
    """Yield recordings read one by one, and collect what is wrong with them."""
    for path in paths:
        recorded = read_recording(path, rig, clock_from_host=clock_from_host)
        findings.add(recorded)
        yield recorded


def read_recording(
    path: Path,
    rig: Rig | None = None,
    progress: Progress | None = None,
    *,
    clock_from_host: bool = False,
) -> Recorded:
    """
    Form and measure all shots of a recording.

    Parameters
    ----------
    path : Path
        The recording.
    rig : Rig, optional
        Measure with this rig instead of the last one in the recording.
    progress : callable, optional
        Called after each block.
    clock_from_host : bool, optional
        Take the counter's rate from its beats, whatever the rig says.

    Raises
    ------
    RecordingError
        If the file is no recording, or holds no rig and none is given.
    CalibrationError
        If the beats are wanted for the clock and cannot tell its rate.
    """
    fixed = rig is not None
    recorded = _one_pass(path, rig or first_rig(path), fixed, progress)
    if recorded.session.needs_second_pass:
        recorded = _one_pass(path, recorded.session.last_rig, True, progress)
    session = recorded.session
    if clock_from_host or session.rig.clock.from_host:
        found = clock_of(path, session.rig)
        rig = with_clock_rate(session.rig, found.rate_error, found.u, found.uncertainty.dof)
        session.remeasure(rig)
    return recorded


def first_rig(path: Path) -> Rig:
    """
    Return the rig that stands at the head of a recording.

    Raises
    ------
    RecordingError
        If there is none in its first block.
    """
    for block in RecordingReader(path):
        for control in decode_rows(block, "framed").controls:
            if control.origin == "rig":
                with telling_where(path):
                    return rig_from_record(control.data)
        break
    raise RecordingError(
        "holds no rig", where=str(path), hint="say with --rig which rig it was made with"
    )


@contextmanager
def telling_where(path: Path) -> Iterator[None]:
    """Let a complaint about what a recording holds name the recording."""
    try:
        yield
    except ChronoError as error:
        for problem in (error, *getattr(error, "problems", ())):
            problem.where = f"{path}: {problem.where}" if problem.where else str(path)
        raise


def clock_of(path: Path, rig: Rig) -> ClockEstimate:
    """
    Estimate the rate of a recording's counter from its beats.

    Raises
    ------
    CalibrationError
        If its lines have no beats, or too few of them.
    """
    if rig.lines != "framed":
        raise CalibrationError(
            f"{rig.lines} lines have no beats",
            where=str(path),
            hint="only framed lines can be compared with the host's clock",
        )
    beats = BeatClock(Rules.from_rig(rig))
    for block in RecordingReader(path):
        beats.feed(decode_rows(block, rig.lines))
    try:
        return beats.estimate()
    except CalibrationError as error:
        raise CalibrationError(error.message, where=str(path), hint=error.hint) from error


def _one_pass(path: Path, rig: Rig, fixed: bool, progress: Progress | None) -> Recorded:
    size = path.stat().st_size
    session = Session(rig, capacity=size // BYTES_PER_SHOT, fixed_rig=fixed)
    done = 0
    reader = RecordingReader(path)
    for block in reader:
        with telling_where(path):
            session.feed(decode_rows(block, session.rig.lines))
        done += len(block)
        if progress:
            progress(done, size)
    session.finish()
    return Recorded(path, session, reader.cut or "")
