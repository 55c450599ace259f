"""Open recordings whole: every block through the session, twice if a later rig asks for it."""

from collections.abc import Callable, Iterable, Iterator
from dataclasses import dataclass, field
from pathlib import Path

from chrono.errors import RecordingError
from chrono.reader.decoder import decode_rows
from chrono.reader.recording import RecordingReader
from chrono.rig import Rig, rig_from_record
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


def read_all(paths: Iterable[Path], rig: Rig | None, findings: Findings) -> Iterator[Recorded]:
    """Yield recordings read one by one, and collect what is wrong with them."""
    for path in paths:
        recorded = read_recording(path, rig)
        findings.add(recorded)
        yield recorded


def read_recording(
    path: Path, rig: Rig | None = None, progress: Progress | None = None
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

    Raises
    ------
    RecordingError
        If the file is no recording, or holds no rig and none is given.
    """
    fixed = rig is not None
    recorded = _one_pass(path, rig or first_rig(path), fixed, progress)
    if recorded.session.needs_second_pass:
        return _one_pass(path, recorded.session.last_rig, True, progress)
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
                return rig_from_record(control.data)
        break
    raise RecordingError(
        "holds no rig", where=str(path), hint="say with --rig which rig it was made with"
    )


def _one_pass(path: Path, rig: Rig, fixed: bool, progress: Progress | None) -> Recorded:
    size = path.stat().st_size
    session = Session(rig, capacity=size // BYTES_PER_SHOT, fixed_rig=fixed)
    done = 0
    reader = RecordingReader(path)
    for block in reader:
        session.feed(decode_rows(block, session.rig.lines))
        done += len(block)
        if progress:
            progress(done, size)
    session.finish()
    return Recorded(path, session, reader.cut or "")
