"""Describe problems with the link, the board, the clock or a file of a session."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import TYPE_CHECKING

if TYPE_CHECKING:
    from chrono.processor.flicker import FlickerSpan
    from chrono.reader.recording_writer import RecordingWriter

MUCH_BYTES = 100_000_000
"""Number of waiting bytes that may fill the memory. No board sends so much in an hour."""


@dataclass(frozen=True)
class LinkLost:
    """
    The link to the board was lost.

    `times` states how often the link was lost. `found_again` states whether the link came back,
    and `reason` why it did not come back.
    """

    port: str
    times: int
    found_again: bool
    reason: str


@dataclass(frozen=True)
class BoardUnused:
    """
    After the time `since_s` [s], the board cannot be used.

    `reason` states why the board's counter cannot measure a shot.
    """

    since_s: float
    reason: str


@dataclass(frozen=True)
class RateUnknown:
    """The rig requires the counter's rate from the beats, but no rate can be computed."""

    reason: str


@dataclass(frozen=True)
class SourceFailed:
    """The program could not read a port or a recording. `reason` contains the cause."""

    place: str
    reason: str
    ended: bool
    """True if the reading failed and ended."""


@dataclass(frozen=True)
class RowCut:
    """
    The last row is incomplete in a recording that another program was writing.

    `size` is the length of this row [bytes].
    """

    path: str
    size: int


@dataclass(frozen=True)
class FileTrouble:
    """A message about the file of a recording, from the code that writes the file."""

    said: str


@dataclass(frozen=True)
class LampSeen:
    """
    The flicker of a lamp tripped a gate.

    `trips` states how often the flicker tripped the gate. `frequency_hz` is the mean frequency
    of the flicker [Hz].
    """

    gate: str
    trips: int
    frequency_hz: float


def lamps_seen(spans: Sequence[FlickerSpan]) -> list[LampSeen]:
    """Add up the flicker of each gate. The result does not contain gates without flicker."""
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
"""If rows wait for the disk for this time, tell the user that shots come late [s]."""


def much_waits(writer: RecordingWriter) -> bool:
    """Return True if so many rows wait for the disk that the memory may become full."""
    return writer.pending_bytes >= MUCH_BYTES
