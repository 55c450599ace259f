"""Check the gates, the link and the clock of a board or of a recording."""

import time
from dataclasses import dataclass
from pathlib import Path
from time import monotonic_ns
from typing import Self

from chrono.arrays import machine_code
from chrono.errors import ChronoError
from chrono.health.alignment import AlignmentMonitor, GateAlignment
from chrono.health.gate_monitor import WINDOW_S
from chrono.health.readiness import Readiness, judge_readiness, with_shots
from chrono.reader.file_io import size_of
from chrono.reader.recording_reader import RecordingReader
from chrono.reader.row_decoding import decode_rows
from chrono.rigs.line_kinds import LineKind
from chrono.rigs.rig_model import Rig
from chrono.session.live_run import live_run
from chrono.session.observer import Observer
from chrono.session.recording_loader import LoadedRecording, feed_blocks, last_rig
from chrono.session.rig_evidence import RecentShots, rig_evidence
from chrono.session.run import Run
from chrono.session.session import Session

POLL_S = 0.02


class AlignmentView:
    """Finds the alignment of both beams for a user who adjusts the gates."""

    def __init__(self) -> None:
        self._monitor = AlignmentMonitor()

    def look_at(self, run: Run) -> tuple[GateAlignment, ...]:
        """
        Return the present alignment of both beams, and request new light levels.

        The result is empty if the board does not report light levels.
        """
        levels, seen = run.look_at_levels(), run.observed()
        if levels is None or seen is None:
            return ()
        blocked = [gate.blocked for gate in seen.gates]
        return self._monitor.follow(levels, blocked, monotonic_ns() // 1000)


class PortWatch:
    """
    Watches a board on a port. The class records nothing.

    Use this class as a context manager: `with PortWatch(…) as watch`.

    Parameters
    ----------
    port : str
        Any port that pyserial can open, or ``virtual://SCENARIO``.
    rig : Rig or None
        The rig. It may be None only for a virtual board.
    baud : int

    Raises
    ------
    ChronoError
        If the port cannot be opened.
    """

    def __init__(self, port: str, rig: Rig | None, baud: int) -> None:
        self._run = live_run(port, rig, None, baud=baud)
        self._alignment = AlignmentView()

    def __enter__(self) -> Self:
        self._run.start()
        return self

    def __exit__(self, *_: object) -> None:
        self._run.close()

    def step(self) -> None:
        """
        Process the lines that the board sent, or wait a moment if there are no lines.

        Raises
        ------
        ChronoError
            If no board sends on the port.
        """
        if not self._run.step():
            time.sleep(POLL_S)
        complaint: ChronoError | None = self._run.complaint()
        if complaint:
            raise complaint

    def align(self) -> tuple[GateAlignment, ...]:
        """
        Return the alignment of both beams.

        The result is empty if the board reports no light levels.
        """
        return self._alignment.look_at(self._run)

    def judge(self) -> Readiness:
        """Judge from the lines received so far whether gates, link and clock are ready."""
        seen, session = self._run.observed(), self._run.session
        assert seen is not None, "a measurement with a board always gives observations"
        return _with_shots(judge_readiness(seen), session)


def check_port(port: str, rig: Rig | None, seconds: float, baud: int) -> Readiness:
    """
    Watch a board for some seconds, and judge whether the board is ready.

    Parameters
    ----------
    port, rig, baud
        See `PortWatch`.
    seconds : float
        Time for which to watch the board [s].

    Raises
    ------
    ChronoError
        If the port cannot be opened or no board sends on it.
    """
    with PortWatch(port, rig, baud) as watch:
        end = time.monotonic() + seconds
        while time.monotonic() < end:
            watch.step()
        return watch.judge()


@dataclass(frozen=True, eq=False)
class CheckedRecording:
    """A recording, and the results of the checks of gates, link and clock."""

    health: Readiness
    recorded: LoadedRecording


def check_recording(path: Path, rig: Rig | None) -> CheckedRecording:
    """
    Check the gates, the link and the clock of a recording.

    For the gates and the link, only the last minute of the recording is used. For the clock,
    the jitter and the bodies, the whole recording is used.

    Parameters
    ----------
    path : Path
    rig : Rig or None
        The rig to measure with; None to use the last rig in the recording.

    Raises
    ------
    RecordingError
        If the file is not a recording, or if the file contains no rig and `rig` is None.
    """
    machine_code.prepare_loops(size_of(path))
    session = Session(rig or last_rig(path), fixed_rig=True)
    reader = RecordingReader(path)
    observer = Observer(session, _last_us(reader, session.rig.lines))
    feed_blocks(reader, session.rig.lines, session, observer, pieces=observer.seconds)
    session.finish()
    judged = judge_readiness(observer.observed(observer.last_us, flicker_within_s=WINDOW_S))
    health = _with_shots(judged, session)
    return CheckedRecording(health, LoadedRecording(path, path.name, session, reader.cut or ""))


def _with_shots(health: Readiness, session: Session) -> Readiness:
    found = rig_evidence(RecentShots.of(session))
    return with_shots(
        health, found.timing, found.lengths, found.slope, found.trends, found.rate
    )


def _last_us(reader: RecordingReader, lines: LineKind) -> int:
    """Return the time when the last line of the board was read [us]; 0 if unknown."""
    host_us = decode_rows(reader.last_rows(), lines).events.host_us
    return int(host_us[-1]) if len(host_us) else 0
