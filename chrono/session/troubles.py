"""What went wrong with a session's link, board, clock or file, as facts."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import TYPE_CHECKING

if TYPE_CHECKING:
    from chrono.processor.flicker import FlickerSpan
    from chrono.reader.recording_writer import RecordingWriter

MUCH_BYTES = 100_000_000
"""More than an hour of any board: rows that wait take memory, which ends too."""


@dataclass(frozen=True)
class LinkLost:
    """How often a link was lost, whether it was found again in the end, and why it was not."""

    port: str
    times: int
    found_again: bool
    reason: str


@dataclass(frozen=True)
class BoardUnused:
    """Since when a board's lines are not used [s], and why its counter cannot tell a shot."""

    since_s: float
    reason: str


@dataclass(frozen=True)
class RateUnknown:
    """Why the beats do not tell the counter's rate, though the rig asks for it."""

    reason: str


@dataclass(frozen=True)
class SourceFailed:
    """Why no more could be read from a port or from a recording that was followed."""

    place: str
    reason: str
    ended: bool
    """Whether reading itself broke down."""


@dataclass(frozen=True)
class RowCut:
    """After how many bytes the last row of a recording that was followed is cut off."""

    path: str
    size: int


@dataclass(frozen=True)
class FileTrouble:
    """What the writer of a recording said of its file."""

    said: str


@dataclass(frozen=True)
class LampSeen:
    """How often a gate tripped in step with a lamp, and the lamp's mean frequency [Hz]."""

    gate: str
    trips: int
    frequency_hz: float


def lamps_seen(spans: Sequence[FlickerSpan]) -> list[LampSeen]:
    """Sum up the flicker of each gate that had any."""
    found = []
    for place, gate in enumerate("AB"):
        own = [span for span in spans if span.gate == place]
        steps = sum(span.steps for span in own)
        stepped_s = sum(span.stepped * span.unit_s for span in own)
        if own:
            hertz = steps / stepped_s if steps else float("nan")
            found.append(LampSeen(gate, sum(span.count for span in own), hertz))
    return found


Trouble = LampSeen | LinkLost | BoardUnused | RateUnknown | SourceFailed | RowCut | FileTrouble


LONG_WAIT_S = 0.5
"""Rows that wait so long for the disk are worth a word: their shots are not shown yet [s]."""


def much_waits(writer: RecordingWriter) -> bool:
    """Tell whether so much waits for the disk that memory may run out."""
    return writer.pending_bytes >= MUCH_BYTES
