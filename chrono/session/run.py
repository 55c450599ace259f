"""Connect a session to its source of rows, and to a screen or the console.

The class `Run` contains a `Session`. A screen or the console calls `step` again and again from
one thread. The session gets the operator's entries as rows, like the lines of the board.

During a replay, the user first chooses whether the program stores entries in the recording or
in a copy. The program adds rows only at the end of a recording, and never changes a row.
"""

import time
from collections.abc import Callable, Iterator
from pathlib import Path
from typing import Any, ClassVar, Protocol

from chrono.arrays.events import Batch
from chrono.errors import CalibrationError, PortError, RecordingError
from chrono.health.readiness import Observation
from chrono.reader.file_io import free_name
from chrono.reader.line_grammar import SensorLevels
from chrono.reader.port_reader import LinkStatus
from chrono.reader.recording_rows import json_row
from chrono.reader.recording_writer import (
    RecordingWriter,
    append_rows,
    check_appendable,
    copy_recording,
)
from chrono.reader.row_decoding import decode_rows
from chrono.session.observer import BeatDelays, Observer
from chrono.session.operator_records import (
    Mark,
    Said,
    Setup,
    mark_record,
    setup_record,
    undo_record,
)
from chrono.session.session import Session
from chrono.session.troubles import Trouble


class OperatorEdits:
    """
    Decides in which file the program stores the user's entries during a replay.

    Parameters
    ----------
    path : Path
        The recording that is shown.

    Attributes
    ----------
    target : Path or None
        The file in which entries are stored; None until the user has chosen a file.
    """

    def __init__(self, path: Path) -> None:
        self.path = path
        self.target: Path | None = None

    @property
    def in_copy(self) -> bool:
        """True if the program stores the user's entries in a copy of the recording."""
        return self.target not in (None, self.path)

    def agree(self) -> None:
        """
        Store all later entries in the recording, not in a copy.

        Raises
        ------
        RecordingError
            If no entry can be added to the recording.
        """
        check_appendable(self.path)
        self.target = self.path

    def free_copy_name(self) -> Path:
        """Return a new file name for a copy of the recording."""
        return free_name(self.path.parent, self.path)

    def work_in_copy(self, copy: Path) -> None:
        """
        Copy the recording, and store entries in the copy from now on.

        Raises
        ------
        RecordingError
            If the copy cannot be made.
        """
        copy_recording(self.path, copy)
        self.target = copy

    def append(self, host_us: int, origin: str, data: dict[str, Any]) -> bytes:
        """
        Store an entry, and return the row that contains the entry.

        Raises
        ------
        RecordingError
            If the user has not chosen a file, or if the entry cannot be written.
        """
        if self.target is None:
            raise RecordingError(
                "this recording is open for reading only",
                where=str(self.path),
                hint="allow the program to change the recording, or work with a copy of it",
            )
        row = json_row(host_us, origin, data)
        append_rows(self.target, row)
        return row


SILENCE_EVERY_S = 0.1
"""Time between two checks for silence [s]. Seconds of silence are needed to close shots."""


class Run:
    """
    A session that the program shows to the user. This base class does not get new rows.

    Parameters
    ----------
    session : Session
    name : str
        Name of the port or of the recording, as the user should see it.
    """

    live: ClassVar[bool] = False
    """True if this run reads lines from a board."""

    near_launches: ClassVar[bool] = False
    """True if somebody may be about to shoot while this run is shown."""

    replayed: ClassVar[bool] = False
    """True for a `ReplayRun`: a recording is played again."""

    followed: ClassVar[bool] = False
    """True for a `FollowRun`: a recording is shown while another program writes it."""

    takes_records: ClassVar[bool] = True
    """True if the operator's entries can be stored."""

    writer: RecordingWriter | None = None
    """The writer of the recording; None if this run records nothing."""

    shots_before: int = 0
    """Number of shots that a continued recording had before this run."""

    edits: OperatorEdits | None = None
    """Decides where entries are stored during a replay; None for other runs."""

    def __init__(self, session: Session, name: str) -> None:
        self.session = session
        self.name = name
        self.said: list[Said] = []
        """The operator's entries in this run, without undone entries."""

    def record(self, origin: str, data: dict[str, Any]) -> None:
        """Store an entry of the operator."""
        raise NotImplementedError

    def say_setup(self, setup: Setup) -> None:
        """Use a setup for all shots from now on."""
        self.record("setup", setup_record(setup))
        self.said.append(setup)

    def say_mark(self, mark: Mark) -> None:
        """Record a mark on a shot or on the session."""
        self.record("mark", mark_record(mark))
        self.said.append(mark)

    def undo(self) -> Said | None:
        """Undo the last entry of this run, and return this entry; None if there is no entry."""
        if not self.said:
            return None
        self.record("mark", undo_record(self.said[-1]))
        return self.said.pop()

    @property
    def recorded(self) -> Session:
        """The session with all shots, including shots that a replay has not shown yet."""
        return self.session

    @property
    def finished(self) -> bool:
        """True if no more rows will come."""
        return True

    @property
    def status(self) -> LinkStatus:
        """The present state of the connection to the source of the rows."""
        return LinkStatus("closed", self.name)

    @property
    def limit_reached(self) -> bool:
        """True if the run ended because it has recorded the wanted number of shots."""
        return False

    @property
    def unwritten(self) -> bool:
        """True if the program that writes the recording has probably stopped."""
        return False

    @property
    def waiting_s(self) -> float:
        """Waiting time of the oldest row that is not yet on the disk [s]; 0 if no row waits."""
        return 0.0

    @property
    def remeasured_us(self) -> int | None:
        """Time of the last change of the speeds by a new counter rate [us]; None if never."""
        return None

    def start(self) -> None:
        """
        Open the source of the rows.

        Raises
        ------
        ChronoError
            If the source cannot be opened.
        """

    def call_when_ready(self, act: Callable[[], None]) -> None:
        """Set a function that another thread calls each time new rows wait for `step`."""

    def step(self) -> bool:
        """Process the rows that are ready. Return True if the session changed."""
        return False

    def observed(self) -> Observation | None:
        """Return what happened at the gates, link and clock; None if the run gets no rows."""
        return None

    def delays(self) -> BeatDelays | None:
        """Return the delays of the board's beats, or None while the delays are unknown."""
        return None

    @property
    def in_a_shot(self) -> bool:
        """True if at least one shot is incomplete, because more edges of this shot may come."""
        return any(row.edges_used != "both" for row in self.session.open_rows())

    @property
    def has_analog(self) -> bool:
        """True if a board reports that it can send the light levels of its sensors."""
        return False

    def look_at_levels(self) -> SensorLevels | None:
        """Request new light levels, and return the latest known levels; None if unknown."""
        return None

    def complaint(self) -> PortError | None:
        """Return an error if it is certain that no board sends valid lines; otherwise None."""
        return None

    def give_up(self) -> None:
        """Stop the run, because the board has not sent a valid line."""

    def close(self) -> list[Trouble]:
        """Stop the run, process the last rows, and return all problems."""
        return []


POLL_S = 0.01
"""Time to wait before the next call of `step` if no rows came [s]."""


def turns(run: Run) -> Iterator[None]:
    """
    Call `step` of a run again and again until no more rows come. Yield after each call.

    Raises
    ------
    PortError
        If no board sends on the port.
    """
    while not run.finished:
        if not run.step():
            time.sleep(POLL_S)
        complaint = run.complaint()
        if complaint:
            run.give_up()
            raise complaint
        yield


class RowSource(Protocol):
    """A source of rows for a run: `LiveSource`, `ReplaySource` or `FollowSource`."""

    def start(self) -> None:
        """Open the source."""

    def drain(self) -> bytes:
        """Return the complete rows that came since the last call."""

    def stop(self) -> None:
        """Close the source. After this, `drain` returns the rows that came before."""

    def now_us(self) -> int:
        """Return the present time on the session's clock [us]."""

    @property
    def finished(self) -> bool:
        """True if no more rows will come."""

    @property
    def status(self) -> LinkStatus:
        """The present state of the connection to the source of the rows."""


class FedRun(Run):
    """
    A run that gets its rows from a source.

    Parameters
    ----------
    source : RowSource
        The source of the rows.
    session : Session
    name : str
        Name of the port or of the recording, as the user should see it.
    """

    def __init__(self, source: RowSource, session: Session, name: str) -> None:
        super().__init__(session, name)
        self.source = source
        self._observer = Observer(session)
        self._rate_unknown = ""
        self._ended_us: int | None = None

    @property
    def finished(self) -> bool:
        """True if no more rows will come."""
        return self._ended_us is not None

    @property
    def status(self) -> LinkStatus:
        """The present state of the connection to the source of the rows."""
        return self.source.status

    @property
    def remeasured_us(self) -> int | None:
        """Time of the last change of the speeds by a new counter rate [us]; None if never."""
        return self._observer.counter_rate.remeasured_us

    def now_us(self) -> int:
        """Return the time on the session's clock [us]; the clock stops when the run ends."""
        return self.source.now_us() if self._ended_us is None else self._ended_us

    def start(self) -> None:
        """
        Open the source of the rows.

        Raises
        ------
        ChronoError
            If the source cannot be opened.
        """
        self.source.start()

    def step(self) -> bool:
        """Process the rows that are ready. Return True if the session changed."""
        before = self.session.revision
        if self.finished:
            self._take_ready()  # entries that the operator makes after the end of the session
        elif not self._take_ready():
            self._wait()
            # The last rows may have come after the source gave no rows.
            if self.source.finished and not self._take_ready():
                self._finish()
        return self.session.revision != before

    def observed(self) -> Observation | None:
        """Return what happened at the gates, link and clock."""
        return self._observer.observed(self.now_us())

    def delays(self) -> BeatDelays | None:
        """Return the delays of the board's beats, or None while the delays are unknown."""
        return self._observer.delays()

    def close(self) -> list[Trouble]:
        """Stop the source, process the last rows from the source, and return all problems."""
        if not self.finished:
            self.source.stop()
            while self._take_ready():
                pass
            self._finish()
        return []

    def _take_ready(self) -> bool:
        rows = self.source.drain()
        if rows:
            self._take(rows)
        return bool(rows)

    def _take(self, rows: bytes) -> Batch:
        batch = decode_rows(rows, self.session.rig.lines)
        for piece in self._observer.seconds(batch):
            self.session.feed(piece)
            self._observer.feed(piece)
        return batch

    def _wait(self) -> None:
        """Do nothing if no new rows came; a subclass may do work here."""

    def _finish(self) -> None:
        self._ended_us = self.now_us()
        self.session.finish()

    def _settle_clock(self) -> None:
        """Compute all speeds with the counter's rate from all beats."""
        if self.session.rig.clock.from_host:
            try:
                self._observer.counter_rate.settle(self.now_us())
            except CalibrationError as error:
                self._rate_unknown = error.message
