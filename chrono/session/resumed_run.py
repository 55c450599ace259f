"""Going on in a recording: a new link, the same rig and setups, statistics that run on.

Nothing of what is there is altered: new rows come after it, by the calendar as much later as
they are. What could not be gone on with is refused before anything is written.
"""

from collections.abc import Callable, Iterator
from datetime import UTC, datetime
from pathlib import Path
from typing import Any

from chrono.errors import OptionError, RecordingError
from chrono.reader.recording_reader import RecordingReader
from chrono.reader.recording_writer import RecordingWriter
from chrono.reader.row_decoding import decode_rows
from chrono.reader.row_sources import LiveSource
from chrono.reader.serial_ports import DEFAULT_BAUDRATE, simulated_port
from chrono.rigs.line_kinds import FRAMED
from chrono.rigs.rig_file import rig_record
from chrono.rigs.rig_model import Rig
from chrono.safe_text import plain
from chrono.session.live_run import LiveRun, wanted_rig
from chrono.session.operator_records import Setup
from chrono.session.recording_loader import LoadedRecording, read_recording, rows_with
from chrono.session.session import Session

LINK_MARK = b"\tlink\t"
NAMED_DIFFERENCES = 3
LATER_US = 1_000_000
"""Where the calendar went back, a new link begins so much later than the last row [us]."""


class ResumedRun(LiveRun):
    """
    A board on a port, recorded to the end of a recording that is there.

    Parameters
    ----------
    source : LiveSource
    recorded : LoadedRecording
        The recording as it was.
    writer : RecordingWriter
    setup : str, optional
        Name of a setup from the first new shot on.
    """

    writer: RecordingWriter

    def __init__(
        self,
        source: LiveSource,
        recorded: LoadedRecording,
        writer: RecordingWriter,
        setup: str = "",
    ) -> None:
        before = recorded.session
        session = Session(before.rig, fixed_rig=True, known=before)
        super().__init__(source, session, recorded.path.name, writer)
        self.shots_before = len(before.log)
        self._setup = setup
        for rows in RecordingReader(recorded.path):
            self._take_old(rows)
        session.take_told()
        self._sound_before = self._sound_lines()
        self._unusable_before = session.unusable.lines

    def start(self) -> None:
        """Open the port; where that fails the recording is as it was."""
        super().start()
        if self._setup:
            self.say_setup(Setup(self._setup))

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
    now: Callable[[], datetime] = lambda: datetime.now(UTC),
) -> ResumedRun:
    """
    Make the run that goes on in a recording.

    Parameters
    ----------
    port : str
        Anything pyserial opens, but no demonstration.
    rig : Rig or None
        Must be the recording's; None takes that one.
    path : Path
        The recording.
    setup : str, optional
        Name of a setup from the first new shot on; without it the last one goes on.
    baud : int, optional
    clock_from_host : bool, optional
        The recording's rig must say so too.
    spare : Path, optional
        Folder where the recording goes on if its own place fails.
    now : callable, optional
        The time of day.

    Raises
    ------
    ChronoError
        If the rig differs, or the recording is a demonstration, damaged at its end, open in
        another program or none at all.
    """
    if simulated_port(port) is not None:
        raise OptionError(
            "a demonstration goes on in no recording",
            where="--resume",
            hint="name the port of a board, or leave --resume out",
        )
    recorded = read_recording(path)
    last_us = _last_sound_us(recorded)
    _refuse_another_rig(path, recorded.session.last_rig, rig, clock_from_host)
    begin_us = max(_since_start_us(recorded.session.started, now()), last_us + LATER_US)
    writer = RecordingWriter.reopen(path, spare=spare)
    lines = recorded.session.last_rig.lines
    source = LiveSource(port, writer=writer, baudrate=baud, lines=lines, begin_us=begin_us)
    return ResumedRun(source, recorded, writer, setup)


def _last_sound_us(recorded: LoadedRecording) -> int:
    """Return the host time of the last row [us], after a look at whether one can go on."""
    path = recorded.path
    if recorded.left_out:
        raise RecordingError(
            f"is damaged at its end: {recorded.left_out}",
            where=str(path),
            hint="begin a new recording; what is sound in this one can be read as it is",
        )
    if _is_demonstration(path):
        raise RecordingError(
            "is a demonstration, no session of a board",
            where=str(path),
            hint="begin a new recording",
        )
    return recorded.session.last_us


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
            f"another rig than in {plain(str(path))}: {words}"
            + (f" and {more} more" if more > 0 else ""),
            where="--rig" if rig is not None else "--clock-from-host",
            hint="leave it out to go on with the recorded rig, or begin a new recording",
        )


def _differences(before: Any, after: Any, name: str = "") -> Iterator[str]:
    """Yield what differs, each by its name and both values."""
    if isinstance(before, dict) and isinstance(after, dict):
        for key in dict.fromkeys((*before, *after)):
            inner = f"{name}.{key}" if name else str(key)
            yield from _differences(before.get(key), after.get(key), inner)
    elif before != after:
        yield f"{name} {_value(after)} instead of {_value(before)}"


def _value(value: object) -> str:
    return "nothing" if value is None else plain(str(value))[:40]


def _since_start_us(started: str, now: datetime) -> int:
    """Return how long ago a session began [us], 0 where it does not say when."""
    try:
        start = datetime.fromisoformat(started)
        return int((now - start).total_seconds() * 1e6)
    except (ValueError, TypeError):
        return 0
