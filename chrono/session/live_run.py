"""Measure with a board: read the board's port, record the lines, use the computer's clock.

A run can also continue an earlier recording. The rig and the setups then stay the same, and the
statistics include the earlier shots.
"""

from collections.abc import Callable, Iterator
from contextlib import suppress
from copy import copy, deepcopy
from dataclasses import replace
from datetime import UTC, datetime
from pathlib import Path
from typing import Any, ClassVar

from chrono import __version__
from chrono.arrays.events import Batch
from chrono.errors import ChronoError, OptionError, PortError, RecordingError
from chrono.reader.line_grammar import SensorLevels
from chrono.reader.recording_reader import RecordingReader
from chrono.reader.recording_rows import HEADER
from chrono.reader.recording_writer import RecordingWriter
from chrono.reader.row_decoding import decode_rows
from chrono.reader.row_sources import LiveSource
from chrono.reader.serial_ports import DEFAULT_BAUDRATE, SimulatedPort, simulated_port
from chrono.rigs.line_kinds import FRAMED
from chrono.rigs.rig_file import parse_rig, rig_record, with_host_clock
from chrono.rigs.rig_model import Rig
from chrono.safe_text import plain
from chrono.session.operator_records import Setup, setup_record
from chrono.session.recording_loader import (
    LoadedRecording,
    first_rig,
    read_recording,
    rows_with,
)
from chrono.session.run import SILENCE_EVERY_S, FedRun
from chrono.session.session import Session
from chrono.session.troubles import (
    FileTrouble,
    LinkLost,
    RateUnknown,
    SourceFailed,
    Trouble,
)

ANSWER_WITHIN_S = 6.0
"""Longest time to wait for the first beat [s]. Every board starts in less than this time."""
GARBAGE_LINES = 20
GARBAGE_BYTES = 3000
FRUITLESS_OPENINGS = 5
"""Stop with an error if a port was opened and lost this many times in a row without a line.
This takes about 4 s."""


class ShotLimit:
    """
    Accepts rows until the last wanted shot is complete.

    A `ShotLimit` does not accept the first row of the next shot. A board may send many shots at
    once, so the program checks each row before it writes the row. If a second body enters the
    gates while the first body is still in the gates, both bodies belong to the same launch, and
    the rows of both bodies are accepted.

    Parameters
    ----------
    session : Session
        A session that gets the same rows as the session of the run. It may already contain
        shots.
    shots : int
        Number of shots to add to the session.

    Attributes
    ----------
    ended : bool
        True if no more rows from the board are accepted.
    """

    def __init__(self, session: Session, shots: int) -> None:
        self._session = session
        self._wanted = self._count() + shots
        self.ended = False

    def admit(self, rows: bytes) -> bytes:
        """
        Return the accepted rows.

        After the last wanted shot, accept only entries of the operator.
        """
        if self.ended:
            return b"".join(row for row in rows.splitlines(keepends=True) if _is_said(row))
        start = 0
        while start < len(rows) and not self.ended:
            end = self._safe_end(rows, start)
            # The run gets the same rows after they are recorded, and reports the error.
            with suppress(ChronoError):
                self._session.feed(decode_rows(rows[start:end], self._session.rig.lines))
            self.ended = self._count() > self._wanted
            start = start if self.ended else end
        rest = rows[start:]
        return rows[:start] + (self.admit(rest) if self.ended else b"")

    def _safe_end(self, rows: bytes, start: int) -> int:
        """Return the end of the next rows; only the last of these rows can exceed the limit."""
        for _ in range(max(self._wanted - self._count(), 1)):
            start = rows.find(b"\n", start) + 1 or len(rows)
        return start

    def _count(self) -> int:
        """Return the number of shots in the session if no more rows come."""
        return len(self._session.log) + len(self._session.processor.peek())


def _is_said(row: bytes) -> bool:
    """Return True if the row is an entry of the operator."""
    return row.split(b"\t", 2)[1:2] in ([b"mark"], [b"setup"])


class LiveRun(FedRun):
    """
    A run that measures with a board on a port.

    Parameters
    ----------
    source : LiveSource
    session : Session
    name : str
        Name of the port or of the recording, as the user should see it.
    writer : RecordingWriter, optional
        The writer of the recording; None if nothing is recorded.
    """

    live: ClassVar[bool] = True
    near_launches: ClassVar[bool] = True
    source: LiveSource

    def __init__(
        self,
        source: LiveSource,
        session: Session,
        name: str,
        writer: RecordingWriter | None = None,
    ) -> None:
        super().__init__(source, session, name)
        self.writer = writer
        self._lines_taken = 0
        self._silence_due_us = 0

    def start(self) -> None:
        """Open the port. If the port cannot be opened, remove the new recording."""
        try:
            super().start()
        except ChronoError:
            self._discard_recording()
            raise

    def record(self, origin: str, data: dict[str, Any]) -> None:
        """Add an entry of the operator as a new row after the rows from the board."""
        self.source.record(origin, data)

    def call_when_ready(self, act: Callable[[], None]) -> None:
        """Set a function that another thread calls each time new rows wait for `step`."""
        self.source.journal.handed_on = act

    @property
    def limit_reached(self) -> bool:
        """True if the run ended because it has recorded the wanted number of shots."""
        return self.source.journal.ended

    @property
    def waiting_s(self) -> float:
        """Waiting time of the oldest row that is not yet on the disk [s]; 0 if no row waits."""
        return self.source.journal.waiting_s

    @property
    def has_analog(self) -> bool:
        """True if the board reports that it can send the light levels of its sensors."""
        return self.source.has_analog and not self.finished

    def look_at_levels(self) -> SensorLevels | None:
        """Request new light levels, and return the latest known levels; None if unknown."""
        return None if self.finished else self.source.look_at_levels()

    def complaint(self) -> PortError | None:
        """Return an error if it is certain that no board sends valid lines; otherwise None."""
        if self.finished or self._has_heard():
            return None
        return self._no_link() or self._no_board()

    def _has_heard(self) -> bool:
        return self.session.heard

    def _unusable_lines(self) -> int:
        return self.session.unusable.lines

    def _no_link(self) -> PortError | None:
        status = self.status
        if status.fruitless < FRUITLESS_OPENINGS:
            return None
        return PortError(
            f"the program opened the port {status.fruitless} times, but each time the "
            f"connection ended before the first line came: {plain(status.reason)}",
            where=status.port,
            hint="check the server: it may have no board, or another program may be reading "
            "the board",
        )

    def _no_board(self) -> PortError | None:
        status, lines = self.status, self.session.rig.lines
        other = self.session.unusable.other_kind(lines)
        if other is not None:
            return PortError(
                f"the board sends lines in the format {other}, but the rig states {lines}",
                where=status.port,
                hint=f'in the rig file, write: lines = "{other}"',
            )
        all_taken = self._lines_taken >= status.lines
        babbles = all_taken and status.bytes >= GARBAGE_BYTES
        if babbles or self._unusable_lines() >= GARBAGE_LINES:
            return PortError(
                f"the received bytes are not lines in the format {lines}",
                where=status.port,
                hint="check the baud rate (--baud) and the key `lines` in the rig file",
            )
        if lines.has_beats and not status.answered and status.silent_s > ANSWER_WITHIN_S:
            return PortError(
                f"no board answers within {ANSWER_WITHIN_S:g} s",
                where=status.port,
                hint="check the port, the cable, the board's power and its firmware",
            )
        return None

    def give_up(self) -> None:
        """Stop the run. If the board sent nothing, remove the new recording."""
        self.source.stop()
        if not self.status.bytes:
            self._discard_recording()

    def close(self) -> list[Trouble]:
        """Stop reading, process the last rows, close the recording, and return all problems."""
        status = self.status
        is_back = status.state != "lost"
        lost = LinkLost(status.port, status.losses, is_back, status.reason)
        troubles = super().close()
        self.source.journal.stop()
        troubles += [lost] if status.losses else []
        troubles += self.session.unusable.boards
        troubles += self.session.lamps
        troubles += [RateUnknown(self._rate_unknown)] if self._rate_unknown else []
        if self.source.failure is not None:
            failure = str(self.source.failure)
            troubles.append(SourceFailed(self.status.port, failure, ended=True))
        if self.writer is not None:
            try:
                self.writer.close()
            except ChronoError as trouble:
                troubles.append(FileTrouble(str(trouble)))
            troubles += map(FileTrouble, self.writer.moves)
        return troubles

    def _discard_recording(self) -> None:
        if self.writer is not None:
            self.writer.discard()

    def _take_old(self, rows: bytes) -> None:
        """Process rows that were already in the recording before this run began."""
        super()._take(rows)

    def _take(self, rows: bytes) -> Batch:
        batch = super()._take(rows)
        self.source.hear(batch)
        self._lines_taken += rows.count(b"\tboard\t")
        self._observer.counter_rate.follow(self.now_us())
        return batch

    def _wait(self) -> None:
        """If no row came, check if the silence is long enough to finish the open shots."""
        now_us = self.now_us()
        if now_us >= self._silence_due_us:
            self._silence_due_us = now_us + int(SILENCE_EVERY_S * 1e6)
            self.session.pass_time(now_us)

    def _finish(self) -> None:
        if self.source.journal.ended:  # its port is still open
            self.source.stop()
        super()._finish()
        self._settle_clock()


def live_run(
    port: str,
    rig: Rig | None,
    recording: Path | None,
    *,
    setup: str = "",
    baud: int = DEFAULT_BAUDRATE,
    clock_from_host: bool = False,
    spare: Path | None = None,
    shots: int | None = None,
) -> LiveRun:
    """
    Return a `LiveRun`, which measures with a board.

    Parameters
    ----------
    port : str
        Any port that pyserial can open, including ``virtual://SCENARIO``.
    rig : Rig or None
        The rig. It may be None only if the port has its own rig, such as a virtual board.
    recording : Path or None
        New file for the recording; None records nothing.
    setup : str, optional
        Name of the setup from the first shot on.
    baud : int, optional
    clock_from_host : bool, optional
        Compute the counter's rate from the beats. The rig in the recording then states this.
    spare : Path, optional
        Folder in which the recording continues if writing to its own folder fails.
    shots : int, optional
        End the recording after this many shots.

    Raises
    ------
    ChronoError
        If the rig is missing, if the rate is wanted but the lines contain no beats, or if the
        port or the recording cannot be used.
    """
    played = simulated_port(port)
    rig = wanted_rig(rig or _own_rig(played, port), clock_from_host)
    acts = played.operator_rows() if played is not None and not setup else ()
    writer = RecordingWriter(recording, spare=spare) if recording else None
    limit = ShotLimit(Session(rig), shots) if shots else None
    source = LiveSource(
        port, writer=writer, baudrate=baud, lines=rig.lines, operator=acts, limit=limit
    )
    run = LiveRun(source, Session(rig), recording.name if recording else port, writer)
    start = datetime.now().astimezone().isoformat(timespec="milliseconds")
    run.record("file", {"format": 1, "program": __version__, "start": start})
    run.record("rig", rig_record(rig))
    if setup:
        run.record("setup", setup_record(Setup(setup)))
    return run


def _own_rig(played: SimulatedPort | None, port: str) -> Rig:
    if played is None:
        raise OptionError(
            "a rig file is needed to measure with a board",
            where="--rig",
            hint="make a rig file with: chrono rig new rig.toml",
        )
    return parse_rig(played.rig_text(), port)


def wanted_rig(rig: Rig, clock_from_host: bool) -> Rig:
    """
    Return the rig that the user wants.

    If `clock_from_host` is true, the rig takes the counter's rate from the computer's clock.

    Raises
    ------
    OptionError
        If the lines of the rig have no beats.
    """
    if not clock_from_host:
        return rig
    if not rig.lines.has_beats:
        raise OptionError(
            f"{rig.lines} lines contain no beats, so the program cannot use the computer's "
            "clock",
            where="--clock-from-host",
            hint="leave out this option, and write clock.rate_tolerance in the rig file",
        )
    return with_host_clock(rig)


LINK_MARK = b"\tlink\t"
NAMED_DIFFERENCES = 3
LATER_US = 1_000_000
"""Smallest time difference between the last old row and the first new row [us], even if the
computer's date was set back."""


class ResumedRun(LiveRun):
    """
    A run that measures with a board and continues an existing recording.

    Parameters
    ----------
    source : LiveSource
    recorded : LoadedRecording
        The recording as it was before this run.
    writer : RecordingWriter
    setup : str, optional
        Name of the setup from the first new shot on.
    """

    writer: RecordingWriter

    def __init__(
        self,
        source: LiveSource,
        recorded: LoadedRecording,
        writer: RecordingWriter,
        setup: str = "",
    ) -> None:
        before, session = recorded.session, _session_of(recorded)
        super().__init__(source, session, recorded.path.name, writer)
        self.shots_before = len(before.log)
        self._setup = setup
        for rows in RecordingReader(recorded.path):
            self._take_old(rows)
        session.take_told()
        self._sound_before = self._sound_lines()
        self._unusable_before = session.unusable.lines

    def start(self) -> None:
        """Open the port. If the port cannot be opened, the recording stays unchanged."""
        super().start()
        if self._setup:
            self.record("setup", setup_record(Setup(self._setup)))

    def _sound_lines(self) -> int:
        tally = self.session.processor.tally
        return tally.edges + tally.beats

    def _has_heard(self) -> bool:
        return self._sound_lines() > self._sound_before

    def _unusable_lines(self) -> int:
        return self.session.unusable.lines - self._unusable_before

    def _discard_recording(self) -> None:
        self.writer.close()


def resumed_run(
    port: str,
    rig: Rig | None,
    path: Path,
    *,
    setup: str = "",
    baud: int = DEFAULT_BAUDRATE,
    clock_from_host: bool = False,
    spare: Path | None = None,
    shots: int | None = None,
    now: Callable[[], datetime] = lambda: datetime.now(UTC),
) -> ResumedRun:
    """
    Return a `ResumedRun`, which measures with a board and continues a recording.

    Parameters
    ----------
    port : str
        Any port that pyserial can open, except a demonstration.
    rig : Rig or None
        The rig. It must be equal to the rig in the recording. None means the recorded rig.
    path : Path
        The recording.
    setup : str, optional
        Name of the setup from the first new shot on; if left out, the last setup stays valid.
    baud : int, optional
    clock_from_host : bool, optional
        Compute the counter's rate from the beats. The recorded rig must state the same.
    spare : Path, optional
        Folder in which the recording continues if writing to its own folder fails.
    shots : int, optional
        End the recording after this many new shots.
    now : callable, optional
        Function that returns the present date and time.

    Raises
    ------
    ChronoError
        If the rig differs, if the file is not a recording, if it is a demonstration, if it
        ends before its rig is complete, or if another program has it open.
    """
    if simulated_port(port) is not None:
        raise OptionError(
            "a demonstration cannot continue a recording",
            where="--resume",
            hint="give the port of a real board, or leave out --resume",
        )
    _refuse_without_rig(path)
    recorded = read_recording(path)
    _refuse_demonstration(path)
    last_us = recorded.session.last_us
    _refuse_another_rig(path, recorded.session.last_rig, rig, clock_from_host)
    begin_us = max(_since_start_us(recorded.session.started, now()), last_us + LATER_US)
    writer = RecordingWriter.reopen(path, spare=spare)
    lines = recorded.session.last_rig.lines
    limit = _shot_limit(recorded, shots) if shots else None
    source = LiveSource(
        port, writer=writer, baudrate=baud, lines=lines, begin_us=begin_us, limit=limit
    )
    return ResumedRun(source, recorded, writer, setup)


def _session_of(recorded: LoadedRecording) -> Session:
    """Return a new session for the rows of a recording and for later new rows."""
    return Session(recorded.session.rig, fixed_rig=True, known=recorded.session)


def _shot_limit(recorded: LoadedRecording, shots: int) -> ShotLimit:
    """Return a `ShotLimit` that ends the recording after `shots` more shots."""
    # The run's session gets the same new entries, so this session needs a list of its own.
    known = copy(recorded.session)
    known.annotations = deepcopy(known.annotations)
    session = _session_of(replace(recorded, session=known))
    for rows in RecordingReader(recorded.path):
        session.feed(decode_rows(rows, session.rig.lines))
    session.take_told()
    return ShotLimit(session, shots)


def _refuse_without_rig(path: Path) -> None:
    """Raise an error if a recording contains no complete rig, for example after a crash."""
    try:
        first_rig(path)
    except RecordingError as error:
        if not path.is_file() or not HEADER.startswith(path.read_bytes()[: len(HEADER)]):
            raise
        raise RecordingError(
            "the rig in this recording is incomplete, so the recording cannot be continued",
            where=str(path),
            hint="begin a new recording: leave out --resume",
        ) from error


def _refuse_demonstration(path: Path) -> None:
    if _is_demonstration(path):
        raise RecordingError(
            "this recording is a demonstration, not a session with a real board",
            where=str(path),
            hint="begin a new recording",
        )


def _is_demonstration(path: Path) -> bool:
    return any(
        str(control.data.get("port", "")).startswith("virtual:")
        for block in RecordingReader(path)
        for row in rows_with(block, LINK_MARK)
        for control in decode_rows(row, FRAMED).controls
        if control.origin == "link"
    )


def _refuse_another_rig(
    path: Path, recorded: Rig, rig: Rig | None, clock_from_host: bool
) -> None:
    wanted = wanted_rig(rig or recorded, clock_from_host)
    before, after = rig_record(recorded), rig_record(wanted)
    differences = list(_differences(before, after))
    if differences:
        more = len(differences) - NAMED_DIFFERENCES
        words = ", ".join(differences[:NAMED_DIFFERENCES])
        raise OptionError(
            f"the given rig differs from the rig in the recording {plain(str(path))}: {words}"
            + (f" and {more} more" if more > 0 else ""),
            where="--rig" if rig is not None else "--clock-from-host",
            hint="leave out this option to keep the recorded rig, or begin a new recording",
        )


def _differences(before: Any, after: Any, name: str = "") -> Iterator[str]:
    """Yield a text for each difference between two rigs: the key and both values."""
    if isinstance(before, dict) and isinstance(after, dict):
        for key in dict.fromkeys((*before, *after)):
            inner = f"{name}.{key}" if name else str(key)
            yield from _differences(before.get(key), after.get(key), inner)
    elif before != after:
        yield f"{name} is {_value(after)} instead of {_value(before)}"


def _value(value: object) -> str:
    return "nothing" if value is None else plain(str(value))[:40]


def _since_start_us(started: str, now: datetime) -> int:
    """Return the time since the start of a session [us]; 0 if the start is unknown."""
    try:
        start = datetime.fromisoformat(started)
        return int((now - start).total_seconds() * 1e6)
    except (ValueError, TypeError):
        return 0
