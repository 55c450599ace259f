"""Read complete recordings, form all shots from the edges, and compute the speeds.

If a later row of a recording changes how shots are formed (such as a new rig), the program
reads the recording again.
"""

import os
from collections import Counter, deque
from collections.abc import Callable, Iterable, Iterator, Sequence
from contextlib import contextmanager
from dataclasses import dataclass, replace
from pathlib import Path
from typing import Protocol

from chrono.arrays import machine_code
from chrono.arrays.events import Batch
from chrono.arrays.prefetch import prefetch
from chrono.errors import CalibrationError, ChronoError, OptionError, RecordingError
from chrono.reader.file_io import size_of
from chrono.reader.recording_reader import BLOCK_BYTES, RecordingReader
from chrono.reader.recording_rows import json_row
from chrono.reader.recording_writer import append_rows
from chrono.reader.row_decoding import decode_rows
from chrono.reader.row_sources import row_host_us
from chrono.rigs.line_kinds import FRAMED, LineKind
from chrono.rigs.rig_file import rig_from_record, rig_record
from chrono.rigs.rig_model import Rig
from chrono.session.observer import CounterRate
from chrono.session.session import Session
from chrono.session.troubles import RateUnknown

BYTES_PER_SHOT = 150
"""Each shot in a framed recording needs more bytes than this. Used to reserve memory."""

RIG_MARK = b"\trig\t"

Progress = Callable[[int, int], None]
"""A function that gets the number of bytes read so far, and the number of all bytes."""


class BatchTaker(Protocol):
    """An object that receives batches of rows, such as a `Session` or an `Observer`."""

    def feed(self, batch: Batch) -> None:
        """Accept one batch of decoded rows."""


@dataclass(frozen=True, eq=False)
class LoadedRecording:
    """
    A completely read recording, and the session with all shots of the recording.

    Attributes
    ----------
    path : Path
    name : str
        Name of the file; or its path, if another recording has the same file name.
    session : Session
        The finished session. Its log contains all shots.
    left_out : str
        Description of the data that were skipped at the end of the file; empty if none.
    rate_unknown : RateUnknown or None
        The reason why the computer's clock is not used although the rig requires it. None if
        the computer's clock is used or is not required.
    """

    path: Path
    name: str
    session: Session
    left_out: str = ""
    rate_unknown: RateUnknown | None = None


def read_all(
    paths: Sequence[Path], rig: Rig | None, clock_from_host: bool = False
) -> Iterator[LoadedRecording]:
    """
    Read several recordings one by one, and yield each result.

    Raises
    ------
    ChronoError
        If a recording is named twice, or cannot be read.
    """
    names = _names(paths)
    prepare_for(paths)
    for path, name in zip(paths, names, strict=True):
        yield replace(read_recording(path, rig, clock_from_host=clock_from_host), name=name)


def prepare_for(paths: Sequence[Path]) -> None:
    """Load compiled code if the recordings are large enough to save time in this way."""
    machine_code.prepare_loops(sum(size_of(path) for path in paths))


def _names(paths: Sequence[Path]) -> list[str]:
    """Return a unique name for each recording: the file name, or the path if necessary."""
    seen = set[Path]()
    for path in paths:
        place = Path(os.path.realpath(path))  # `resolve` fails on circular links
        if place in seen:
            raise OptionError(
                "this recording is named twice",
                where=str(path),
                hint="name each recording only once, so that no shot counts twice",
            )
        seen.add(place)
    shared = Counter(path.name for path in paths)
    return [path.name if shared[path.name] == 1 else str(path) for path in paths]


def read_recording(
    path: Path,
    rig: Rig | None = None,
    progress: Progress | None = None,
    *,
    clock_from_host: bool = False,
) -> LoadedRecording:
    """
    Read a recording, form all shots from the edges, and compute the speeds of the shots.

    Parameters
    ----------
    path : Path
        The recording.
    rig : Rig, optional
        Measure with this rig instead of the last rig in the recording.
    progress : callable, optional
        Function that is called after each block of the file.
    clock_from_host : bool, optional
        Compute the counter's rate from the beats, even if the rig does not require it.

    Raises
    ------
    RecordingError
        If the file is not a recording, or if the file contains no rig and `rig` is None.
    CalibrationError
        If `clock_from_host` is true, but the rate cannot be computed from the beats.
    """
    machine_code.prepare_loops(size_of(path))
    first = rig or first_rig(path)
    recorded, beats = _one_pass(path, first, rig is not None, progress, clock_from_host)
    last = recorded.session.last_rig
    wanted = clock_from_host or last.clock.from_host
    formed_otherwise = recorded.session.needs_second_pass or last.lines != first.lines
    if formed_otherwise or (wanted and beats is None):
        recorded, beats = _one_pass(path, last, True, progress, clock_from_host)
    if recorded.session.lengths_corrected:
        known = recorded.session
        recorded, beats = _one_pass(path, last, True, progress, clock_from_host, known)
    if not wanted:
        return recorded
    assert beats is not None, "the program collected the beats to find the counter's rate"
    try:
        beats.settle()
    except CalibrationError as error:
        if clock_from_host:
            raise CalibrationError(error.message, where=str(path), hint=error.hint) from error
        return replace(recorded, rate_unknown=RateUnknown(error.message))
    return recorded


def _whole(batch: Batch) -> tuple[Batch, ...]:
    """Return the whole batch, not divided into parts."""
    return (batch,)


def feed_blocks(
    reader: RecordingReader,
    lines: LineKind,
    *takers: BatchTaker,
    pieces: Callable[[Batch], Iterable[Batch]] = _whole,
    progress: Progress | None = None,
) -> None:
    """
    Read a recording in batches, and feed each batch to all objects in `takers`.

    Parameters
    ----------
    reader : RecordingReader
        The recording. After the call, its `cut` describes the data that were skipped at the
        end of the file.
    lines : LineKind
        The kind of lines that the board sent.
    *takers : BatchTaker
        Objects that get each part of a batch, in the order of the arguments.
    pieces : callable, optional
        Function that cuts each batch into parts.
    progress : callable, optional
        Function that is called after each block of the file.
    """
    size, done = reader.path.stat().st_size, 0
    decoded = ((decode_rows(block, lines), len(block)) for block in reader)
    # For a single block, starting a thread takes longer than it saves.
    for batch, read in prefetch(decoded) if size > BLOCK_BYTES else decoded:
        with telling_where(reader.path):
            for piece in pieces(batch):
                for taker in takers:
                    taker.feed(piece)
        done += read
        if progress:
            progress(done, size)


def first_rig(path: Path) -> Rig:
    """
    Return the first rig in a recording, usually at its beginning.

    Raises
    ------
    RecordingError
        If there is no rig, or if the file is not a recording.
    """
    for rig in _rigs(path):
        return rig
    raise _no_rig(path)


def last_rig(path: Path) -> Rig:
    """
    Return the last rig in a recording, which contains all corrections.

    Raises
    ------
    RecordingError
        If there is no rig, or if the file is not a recording.
    """
    last = deque(_rigs(path), maxlen=1)
    if not last:
        raise _no_rig(path)
    return last[0]


def _rigs(path: Path) -> Iterator[Rig]:
    for block in RecordingReader(path):
        for row in rows_with(block, RIG_MARK):
            # Records have the same format for every kind of lines.
            for control in decode_rows(row, FRAMED).controls:
                if control.origin == "rig":
                    with telling_where(path):
                        rig = rig_from_record(control.data)
                    yield rig


def _no_rig(path: Path) -> RecordingError:
    return RecordingError(
        "this recording contains no rig",
        where=str(path),
        hint="give the rig file of this recording: --rig rig.toml",
    )


def add_rig(path: Path, rig: Rig) -> None:
    """
    Add a corrected rig to a recording, as a new row at its end.

    Raises
    ------
    RecordingError
        If the file is not a recording, or if no row can be added.
    """
    last = RecordingReader(path).last_rows().rstrip(b"\n").rpartition(b"\n")[2]
    append_rows(path, json_row(row_host_us(last, 0) or 0, "rig", rig_record(rig)))


def rows_with(block: bytes, mark: bytes) -> Iterator[bytes]:
    """Yield each row of a block, if the row contains the bytes `mark`."""
    at = block.find(mark)
    while at >= 0:
        end = block.find(b"\n", at) + 1 or len(block)
        yield block[block.rfind(b"\n", 0, at) + 1 : end]
        at = block.find(mark, end)


@contextmanager
def telling_where(path: Path) -> Iterator[None]:
    """Add the path of a recording to the messages about errors in its content."""
    try:
        yield
    except ChronoError as error:
        for problem in (error, *getattr(error, "problems", ())):
            problem.where = f"{path}: {problem.where}" if problem.where else str(path)
        raise


def _one_pass(
    path: Path,
    rig: Rig,
    fixed: bool,
    progress: Progress | None,
    clock_from_host: bool,
    known: Session | None = None,
) -> tuple[LoadedRecording, CounterRate | None]:
    """Read a recording once; collect its beats if the counter's rate is needed."""
    reader = RecordingReader(path)
    capacity = path.stat().st_size // BYTES_PER_SHOT
    session = Session(rig, capacity=capacity, fixed_rig=fixed, known=known)
    wanted = clock_from_host or rig.clock.from_host
    beats = CounterRate(session) if wanted else None
    takers = (session, beats) if beats else (session,)
    feed_blocks(reader, rig.lines, *takers, progress=progress)
    session.finish()
    session.take_told()  # entries that a user adds to the recording later are new
    return LoadedRecording(path, path.name, session, reader.cut or ""), beats
