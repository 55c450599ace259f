"""A board played by hand: a live source whose clock, lines and link the test moves."""

import binascii
import json
from pathlib import Path
from typing import Any

from chrono.reader.line_grammar import SensorLevels
from chrono.reader.port_reader import LinkStatus
from chrono.reader.recording_writer import RecordingWriter
from chrono.reader.row_sources import LiveSource
from chrono.rigs.line_kinds import FRAMED, LineKind
from chrono.rigs.rig_file import parse_rig, rig_record
from chrono.session.live_run import LiveRun
from chrono.session.session import Session

CLOCK_HZ = 16_000_000
SPACING_M = 0.3
BODY_M = 0.04
RIG_TEXT = """
name = "gates of a test"
[gates]
spacing = "300 mm"
[body]
length = "40 mm"
"""


class HandBoard(LiveSource):
    """Everything is as live, but nothing happens by itself."""

    def __init__(self, writer: RecordingWriter | None = None, lines: LineKind = FRAMED) -> None:
        self.us = 0
        self.rate_error = 0.0
        self.link = LinkStatus("open", "hand://", answered=True)
        super().__init__("hand://", writer=writer, lines=lines)
        self._sequence = self._zero_us = 0
        self.offers_levels = False
        self.levels: SensorLevels | None = None

    def start_anew(self) -> None:
        """Count time and lines from zero again, as after the power was gone."""
        self._sequence, self._zero_us = 0, self.us

    def now_us(self) -> int:
        return self.us

    def start(self) -> None:
        self.record("link", {"event": "opened", "port": "hand://", "reason": ""})

    def stop(self) -> None:
        self.link = LinkStatus("closed", "hand://")

    @property
    def has_analog(self) -> bool:
        return self.offers_levels

    def look_at_levels(self) -> SensorLevels | None:
        return self.levels

    @property
    def status(self) -> LinkStatus:
        return self.link

    def line(self, fields: str) -> None:
        """Say one line, its check value added."""
        crc = binascii.crc_hqx(fields.encode(), 0xFFFF)
        self.raw(f"{fields} {crc:04X}")

    def raw(self, line: str) -> None:
        """Say one line as it is, in the recording's way of writing."""
        self.journal.append(f"{self.us}\tboard\t{line}\n".encode())

    def edge(self, gate: str, level: int) -> None:
        self.line(f"E {self.number()} {gate} {level} {self._counter()}")

    def wait(self, seconds: float) -> None:
        """Let time pass, with a beat each second."""
        end_us = self.us + round(seconds * 1e6)
        while self.us < end_us:
            self.us = min((self.us // 1_000_000 + 1) * 1_000_000, end_us)
            if self.us % 1_000_000 == 0:
                self.line(f"T {self.number()} {self._counter()} 00 0000")

    def shoot(self, speed_mps: float = 30.0) -> None:
        """Let a ball through both gates."""
        begin_us = self.us
        for gate, level, at_m in (
            ("A", 1, 0.0),
            ("A", 0, BODY_M),
            ("B", 1, SPACING_M),
            ("B", 0, SPACING_M + BODY_M),
        ):
            self.us = begin_us + round(at_m / speed_mps * 1e6)
            self.edge(gate, level)

    def trip(self, gate: str, seconds: float = 0.001) -> None:
        """Let something block one gate alone for so long."""
        self.edge(gate, 1)
        self.us += round(seconds * 1e6)
        self.edge(gate, 0)

    def shoot_and_wait(self, *speeds_mps: float) -> None:
        """Shoot, and let the time pass in which a shot may still change."""
        for speed in speeds_mps:
            self.shoot(speed)
            self.wait(4.0)

    def number(self) -> str:
        """Return the next sequence number."""
        number, self._sequence = self._sequence, (self._sequence + 1) & 0xFFFF
        return f"{number:04X}"

    def _counter(self) -> str:
        return (
            f"{round((self.us - self._zero_us) * 16 * (1 + self.rate_error)) & 0xFFFFFFFF:08X}"
        )


def hand_run(
    recording: Path | None = None, *, hello: bool = True, rig_text: str = RIG_TEXT
) -> tuple[HandBoard, LiveRun]:
    """Return a board, which has said hello, and the started run that listens to it."""
    writer = RecordingWriter(recording) if recording is not None else None
    rig = parse_rig(rig_text, "test")
    board = HandBoard(writer, rig.lines)
    board.record("rig", rig_record(rig))
    run = LiveRun(board, Session(rig), recording.name if recording else "hand", writer)
    run.start()
    if hello and rig.lines.says_hello:
        board.line(f"H 1 {CLOCK_HZ} 32 hand 1.0")
    return board, run


def records(recording: Path, origin: str) -> list[dict[str, Any]]:
    """Return the records of one origin in a recording."""
    rows = [row.split("\t", 2) for row in recording.read_text("utf-8").splitlines()]
    return [json.loads(row[2]) for row in rows if row[1] == origin]
