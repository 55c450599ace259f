"""Check gates, link and clock: watch a board for some time, or read a recording."""

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
from chrono.measuring.length_trends import LengthTrend
from chrono.measuring.measured_slope import MeasuredSlope
from chrono.measuring.timing_jitter import BlockedLengths, TimingJitter
from chrono.reader.file_io import size_of
from chrono.reader.recording_reader import RecordingReader
from chrono.reader.row_decoding import decode_rows
from chrono.rigs.line_kinds import LineKind
from chrono.rigs.rig_model import Rig
from chrono.session.live_run import live_run
from chrono.session.observer import Observer
from chrono.session.recording_loader import LoadedRecording, feed_blocks, first_rig
from chrono.session.run import Run
from chrono.session.session import Session
from chrono.session.session_summary import lengths_of, slope_of, timing_of, trends_of

POLL_S = 0.02


class AlignmentView:
    """The beams of a run, for a person who aligns them."""

    def __init__(self) -> None:
        self._monitor = AlignmentMonitor()

    def look_at(self, run: Run) -> tuple[GateAlignment, ...]:
        """
        Return the present state of both beams, and ask the board for the next levels.

        The result is empty if the board does not report levels.
        """
        levels, seen = run.look_at_levels(), run.observed()
        if levels is None or seen is None:
            return ()
        blocked = [gate.blocked for gate in seen.gates]
        return self._monitor.follow(levels, blocked, monotonic_ns() // 1000)


class PortWatch:
    """
    Watches a board while used as a context manager; nothing is recorded.

    Parameters
    ----------
    port : str
        Any port that pyserial can open, or ``virtual://SCENARIO``.
    rig : Rig or None
        The rig; None only for a virtual board.
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
        Take the lines that the board sent, or wait a moment if there are none.

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
        """Return how both beams meet their sensors; empty if the board reports no levels."""
        return self._alignment.look_at(self._run)

    def judge(self) -> Readiness:
        """Judge by all lines so far whether gates, link and clock are ready."""
        seen, session = self._run.observed(), self._run.session
        assert seen is not None, "a live run always has a source to observe"
        return with_shots(judge_readiness(seen), *_told_by_shots(session))


def check_port(port: str, rig: Rig | None, seconds: float, baud: int) -> Readiness:
    """
    Watch a board for some seconds.

    Parameters
    ----------
    port, rig, baud
        As for `PortWatch`.
    seconds : float
        How long to watch [s].

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
    """A recording, and its observations of gates, link and clock."""

    health: Readiness
    recorded: LoadedRecording


def check_recording(path: Path, rig: Rig | None) -> CheckedRecording:
    """
    Judge gates and link by a recording's last minute; clock, jitter and bodies by all of it.

    Parameters
    ----------
    path : Path
    rig : Rig or None
        The rig to measure with; None to use the recorded rig.

    Raises
    ------
    RecordingError
        If the file is not a recording, or if neither the file nor `rig` gives a rig.
    """
    machine_code.prepare_loops(size_of(path))
    session = Session(rig or first_rig(path), fixed_rig=True)
    reader = RecordingReader(path)
    observer = Observer(session, _last_us(reader, session.rig.lines))
    feed_blocks(reader, session.rig.lines, session, observer, pieces=observer.seconds)
    session.finish()
    judged = judge_readiness(observer.observed(observer.last_us, flicker_within_s=WINDOW_S))
    health = with_shots(judged, *_told_by_shots(session))
    return CheckedRecording(health, LoadedRecording(path, path.name, session, reader.cut or ""))


def _told_by_shots(
    session: Session,
) -> tuple[
    TimingJitter | None,
    dict[str, BlockedLengths],
    MeasuredSlope | None,
    tuple[LengthTrend, ...],
]:
    return timing_of(session), lengths_of(session), slope_of(session), trends_of(session)


def _last_us(reader: RecordingReader, lines: LineKind) -> int:
    """Return the host time of the last line [us]; 0 if the end of the file has no line."""
    host_us = decode_rows(reader.last_rows(), lines).events.host_us
    return int(host_us[-1]) if len(host_us) else 0
