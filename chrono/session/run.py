"""A run: one source of rows and one session, driven by a screen or by the console.

The thin shell around `Session`. Whoever drives it calls `step` again and again from one
thread; what the operator says goes in as a row, the same way as the board's lines.
"""

from collections.abc import Callable
from contextlib import closing
from datetime import datetime
from math import isfinite
from pathlib import Path
from typing import Any

from chrono import __version__
from chrono.errors import CalibrationError, ChronoError, OptionError, PortError
from chrono.health.verdict import Observed
from chrono.plain import plain
from chrono.reader.decoder import decode_rows
from chrono.reader.port import DEFAULT_BAUDRATE, LinkStatus
from chrono.reader.recording import RecordingWriter
from chrono.reader.rows import json_row
from chrono.reader.source import LiveSource, ReplaySource
from chrono.rigs.file import Rig, parse_rig, rig_record, with_host_clock
from chrono.session.host_clock import clock_doubt
from chrono.session.marks import Mark, Setup, mark_record, setup_record
from chrono.session.observer import Delays, Observer
from chrono.session.session import Session
from chrono.virtual.board import operator_rows
from chrono.virtual.scenarios import SCHEME, parse_play, rig_text

ANSWER_WITHIN_S = 6.0
"""Longer than any board takes to start and to beat [s]."""
GARBAGE_LINES = 20
GARBAGE_BYTES = 3000

MUCH_BYTES = 100_000_000
"""More than an hour of any board: rows that wait take memory, which ends too."""

SILENCE_EVERY_S = 0.1
"""How often silence alone is looked at: it closes shots after seconds [s]."""

SETTLE_S = 0.25
"""A shot that was stepped to is shown this much later, with all its edges [s]."""


class Run:
    """
    One source and its session.

    Parameters
    ----------
    source : LiveSource or ReplaySource or None
        Where rows come from; None for a session that is complete already.
    session : Session
    name : str
        Port or recording, as people should see it.
    record : callable
        Takes the origin and the object of an operator's record.
    writer : RecordingWriter, optional
        The recording being written.
    """

    def __init__(
        self,
        source: LiveSource | ReplaySource | None,
        session: Session,
        name: str,
        record: Callable[[str, dict[str, Any]], None],
        writer: RecordingWriter | None = None,
    ) -> None:
        self.source = source
        self.session = session
        self.name = name
        self.writer = writer
        self._record = record
        self._finished = source is None
        self._observer = Observer(session)
        self._lines_taken = 0
        self._ended_us = 0
        self.clock_doubt = ""
        """Why the host's clock, which the rig asks for, was not used to the end."""
        self._silence_due_us = 0

    @property
    def live(self) -> bool:
        """Whether a board is being clocked now."""
        return isinstance(self.source, LiveSource)

    @property
    def finished(self) -> bool:
        """Whether nothing more will come."""
        return self._finished

    @property
    def status(self) -> LinkStatus:
        """The connection now."""
        if self.source is None:
            return LinkStatus("closed", self.name)
        return self.source.status

    def start(self) -> None:
        """
        Open the source.

        Raises
        ------
        ChronoError
            If it cannot be opened; the recording's name is then free again.
        """
        if self.source is None:
            return
        try:
            self.source.start()
        except ChronoError:
            self._discard_recording()
            raise

    def step(self) -> bool:
        """Take the rows that are ready; return whether the session changed."""
        if self.source is None or self._finished:
            return False
        before = self.session.revision
        if not self._take_ready():
            if isinstance(self.source, LiveSource):
                self._pass_time(self.source.now_us())
            if self.source.finished:
                self._finish()
        elif self.live:
            self._observer.host_clock.follow(self.now_us())
        return self.session.revision != before

    def step_to_next_shot(self) -> bool:
        """
        Let a replay's time pass until one more shot is there, and hold it.

        Returns
        -------
        bool
            Whether the session changed.
        """
        source = self.source
        if not isinstance(source, ReplaySource) or self._finished:
            return False
        before, wanted = self.session.revision, self._shots_with_speed() + 1
        source.pause()
        while source.next_us is not None and self._shots_with_speed() < wanted:
            source.release_until(source.next_us)
            self.step()
        source.release_until(source.position_us + int(SETTLE_S * 1e6))
        self.step()
        return self.session.revision != before

    def _shots_with_speed(self) -> int:
        """Count the final shots, and the open ones that have a speed already."""
        session = self.session
        open_rows = session.open_rows()
        return len(session.log) + sum(isfinite(row.speed_mps) for row in open_rows)

    def observed(self) -> Observed | None:
        """Return what is seen of gates, link and clock; None for a session read whole."""
        return None if self.source is None else self._observer.observed(self.now_us())

    def delays(self) -> Delays | None:
        """Return how late the board's beats are read, None while that is not known."""
        return self._observer.delays()

    @property
    def remeasured_us(self) -> int | None:
        """When shots were last measured anew with another rate of the counter [us], if ever."""
        return self._observer.host_clock.remeasured_us

    def now_us(self) -> int:
        """Return the session's clock, which stands still once nothing more comes [us]."""
        if self._finished:
            return self._ended_us
        if isinstance(self.source, ReplaySource):
            return self.source.position_us
        return self.source.now_us() if self.source is not None else 0

    def say_setup(self, setup: Setup) -> None:
        """Let the shots from here on belong to a setup."""
        self._record("setup", setup_record(setup))

    def say_mark(self, mark: Mark) -> None:
        """Record a mark on a shot or on the session."""
        self._record("mark", mark_record(mark))

    def complaint(self) -> PortError | None:
        """Return what is wrong with a board that has not said one sound line by now."""
        if not self.live or self._finished or self.session.heard:
            return None
        status, lines = self.status, self.session.rig.lines
        all_taken = self._lines_taken >= status.lines
        babbles = all_taken and status.bytes >= GARBAGE_BYTES
        if babbles or self.session.unusable.lines >= GARBAGE_LINES:
            return PortError(
                f"what comes in is no {lines} line of a board",
                where=status.port,
                hint="check the baud rate (--baud) and `lines` in the rig",
            )
        if lines == "framed" and not status.answered and status.silent_s > ANSWER_WITHIN_S:
            return PortError(
                f"no board answers within {ANSWER_WITHIN_S:g} s",
                where=status.port,
                hint="check the port, the cable, the board's power and its firmware",
            )
        return None

    def give_up(self) -> None:
        """Stop the source; a recording of not one byte is removed, its name free again."""
        if self.source is not None:
            self.source.stop()
        if not self.status.bytes:
            self._discard_recording()

    def close(self) -> list[str]:
        """Stop the source, take what it still had, close the recording; return troubles."""
        if self.source is not None and not self._finished:
            self.source.stop()
            while self._take_ready():
                pass
            self._finish()
        troubles = [self.clock_doubt] if self.clock_doubt else []
        if isinstance(self.source, LiveSource) and self.source.failure is not None:
            troubles.append(f"{self.status.port}: reading ended: {self.source.failure}")
        if self.writer is not None:
            try:
                self.writer.close()
            except ChronoError as trouble:
                troubles.append(str(trouble))
        return troubles

    def _discard_recording(self) -> None:
        if self.writer is not None:
            self.writer.discard()

    def _take_ready(self) -> bool:
        rows = self.source.drain() if self.source is not None else b""
        if rows:
            self._lines_taken += rows.count(b"\tboard\t")
            self._observer.feed(decode_rows(rows, self.session.rig.lines))
        return bool(rows)

    def _pass_time(self, now_us: int) -> None:
        if now_us >= self._silence_due_us:
            self._silence_due_us = now_us + int(SILENCE_EVERY_S * 1e6)
            self.session.pass_time(now_us)

    def _finish(self) -> None:
        if not self._finished:
            self._ended_us = self.now_us()
            self._finished = True
            self.session.finish()
            if self.live and self.session.rig.clock.from_host:
                self._settle_clock()

    def _settle_clock(self) -> None:
        """Measure with what all beats say, as whoever reads the recording will."""
        try:
            self._observer.host_clock.settle(self._ended_us)
        except CalibrationError as error:
            self.clock_doubt = clock_doubt(error)


def live_run(
    port: str,
    rig: Rig | None,
    recording: Path | None,
    *,
    setup: str = "",
    baud: int = DEFAULT_BAUDRATE,
    clock_from_host: bool = False,
) -> Run:
    """
    Make the run that clocks a board.

    Parameters
    ----------
    port : str
        Anything pyserial opens, or ``virtual://SCENARIO``, which brings its own rig.
    rig : Rig or None
        None only for a virtual board.
    recording : Path or None
        New file to record to.
    setup : str, optional
        Name of the setup from the first shot on.
    baud : int, optional
    clock_from_host : bool, optional
        Take the counter's rate from its beats; the recording's rig then says so.

    Raises
    ------
    ChronoError
        If the rig is missing or its lines have no beats for a wanted rate, or the port or the
        recording cannot be used.
    """
    rig = rig or virtual_rig(port)
    if clock_from_host:
        rig = _with_host_clock(rig)
    writer = RecordingWriter(recording) if recording else None
    virtual = port.startswith(f"{SCHEME}:")
    acts = operator_rows(parse_play(port)) if virtual and not setup else ()
    source = LiveSource(port, writer=writer, baudrate=baud, lines=rig.lines, operator=acts)
    name = recording.name if recording else port
    run = Run(source, Session(rig), name, source.record, writer)
    start = datetime.now().astimezone().isoformat(timespec="milliseconds")
    source.record("file", {"format": 1, "program": __version__, "start": start})
    source.record("rig", rig_record(rig))
    if setup:
        run.say_setup(Setup(setup))
    return run


def replay_run(path: Path, session: Session, pace: float | None) -> Run:
    """
    Make the run that shows a recording again, by its own time or whole.

    Parameters
    ----------
    path : Path
    session : Session
        What `read_recording` made of it: shown as it is when `pace` is None, else only
        its rig and its clock's rate are used and the shots come by the recorded time.
    pace : float or None
        Recorded seconds in a second; None for all at once.

    Notes
    -----
    A mark is added at the end of the file; nothing in it is altered.
    """
    if pace is None:
        shown, source = session, None
    else:
        shown = Session(session.rig, fixed_rig=True)
        shown.use_host_rate(session.host_rate)
        source = ReplaySource(path, pace)

    def record(origin: str, data: dict[str, Any]) -> None:
        row = json_row(_last_host_us(shown), origin, data)
        with closing(RecordingWriter.reopen(path)) as writer:
            writer.append(row)
        shown.feed(decode_rows(row, shown.rig.lines))

    return Run(source, shown, path.name, record)


def disk_line(writer: RecordingWriter) -> str:
    """Return why how much waits in memory and what that means, empty if all is well."""
    if writer.trouble is None:
        return ""
    waits = f"{plain(writer.trouble)}, {writer.pending_bytes:,} bytes wait in memory"
    more = ", SO MANY that memory may run out and lose them" if much_waits(writer) else ""
    return waits + more


def much_waits(writer: RecordingWriter) -> bool:
    """Tell whether so much waits for the disk that memory may run out."""
    return writer.pending_bytes >= MUCH_BYTES


def virtual_rig(port: str) -> Rig:
    """
    Return the rig of a virtual board.

    Raises
    ------
    OptionError
        If the port is no virtual board.
    """
    if not port.startswith(f"{SCHEME}:"):
        raise OptionError(
            "a board needs a rig file",
            where="--rig",
            hint="write one with: chrono rig new rig.toml",
        )
    return parse_rig(rig_text(parse_play(port).scenario), port)


def _with_host_clock(rig: Rig) -> Rig:
    if rig.lines != "framed":
        raise OptionError(
            f"{rig.lines} lines have no beats to compare with the host's clock",
            where="--clock-from-host",
            hint="leave it out, and state clock.rate_tolerance in the rig",
        )
    return with_host_clock(rig)


def _last_host_us(session: Session) -> int:
    shots = session.log.shots
    return int(shots["host_us"][-1]) if len(shots) else 0
