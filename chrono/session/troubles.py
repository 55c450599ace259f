"""Troubles with a session's link, board, clock or file, as facts without sentences."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import TYPE_CHECKING

if TYPE_CHECKING:
    from chrono.processor.flicker import FlickerSpan
    from chrono.reader.recording_writer import RecordingWriter

MUCH_BYTES = 100_000_000
"""More rows than any board sends in an hour. Waiting rows take memory, which may run out."""


@dataclass(frozen=True)
class LinkLost:
    """How often a link was lost, whether it came back, and if not, why."""

    port: str
    times: int
    found_again: bool
    reason: str


@dataclass(frozen=True)
class BoardUnused:
    """When a board's lines became unusable [s], and why its counter cannot measure a shot."""

    since_s: float
    reason: str


@dataclass(frozen=True)
class RateUnknown:
    """Why the beats do not give the counter's rate, although the rig requires it."""

    reason: str


@dataclass(frozen=True)
class SourceFailed:
    """Why reading from a port or a followed recording stopped."""

    place: str
    reason: str
    ended: bool
    """True if the reading itself failed."""


@dataclass(frozen=True)
class RowCut:
    """The number of bytes after which the last row of a followed recording is cut off."""

    path: str
    size: int


@dataclass(frozen=True)
class FileTrouble:
    """Facts that the writer of a recording reported about its file."""

    said: str


@dataclass(frozen=True)
class LampSeen:
    """How often a gate tripped in step with a lamp, and the lamp's mean frequency [Hz]."""

    gate: str
    trips: int
    frequency_hz: float


def lamps_seen(spans: Sequence[FlickerSpan]) -> list[LampSeen]:
    """Return the total flicker of each gate with flicker."""
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
"""If rows wait this long for the disk, inform the user that shots are not shown yet [s]."""


def much_waits(writer: RecordingWriter) -> bool:
    """Return True if so many rows wait for the disk that memory may run out."""
    return writer.pending_bytes >= MUCH_BYTES
