"""Write problems with link, board, clock, disk or file in words, one sentence each."""

from __future__ import annotations

from typing import TYPE_CHECKING

from chrono.reports.setup_words import count_text
from chrono.safe_text import plain
from chrono.session.troubles import (
    LONG_WAIT_S,
    BoardUnused,
    FileTrouble,
    LampSeen,
    LinkLost,
    RateUnknown,
    RowCut,
    SourceFailed,
    Trouble,
    much_waits,
)

if TYPE_CHECKING:
    from chrono.reader.recording_writer import RecordingWriter


def trouble_line(trouble: Trouble) -> str:
    """Return a problem and its consequence in one sentence."""
    match trouble:
        case LampSeen():
            return f"{lamp_text(trouble)}; keep the lamp's light out of the gate"
        case LinkLost():
            return _link_line(trouble)
        case BoardUnused(since_s, reason):
            return (
                f"from {since_s:.3f} s on, the program ignores all lines until the board sends "
                f"a new hello line. Reason: {reason}"
            )
        case RateUnknown(reason):
            return (
                f"the counter's rate cannot be computed from the beats ({reason}); "
                "speeds are computed with the rate that the rig states"
            )
        case SourceFailed(place, reason, ended):
            return f"{place}: reading ended: {reason}" if ended else f"{place}: {reason}"
        case RowCut(path, size):
            return f"{path}: the last row is incomplete ({size} bytes) and is left out"
        case FileTrouble(said):
            return said


def lamp_text(lamp: LampSeen) -> str:
    """Return how often a gate tripped in the rhythm of a lamp; these trips are not shots."""
    hertz = f" ({lamp.frequency_hz:.0f} Hz)" if lamp.frequency_hz > 0 else ""
    trips = count_text(lamp.trips, "time")
    return (
        f"gate {lamp.gate} tripped {trips} in the rhythm of a lamp{hertz}; "
        "these trips are not shots"
    )


def _link_line(lost: LinkLost) -> str:
    times = "once" if lost.times == 1 else f"{lost.times} times"
    line = f"{plain(lost.port)}: the link was lost {times}"
    if lost.found_again:
        return f"{line}; the lines that the board sent meanwhile are missing"
    return (
        f"{line}; the lines that the board sent meanwhile are missing, and the link is still "
        f"lost: {plain(lost.reason)}"
    )


def restarts_words(restarts: int) -> str:
    """Return how often a board restarted."""
    times = "once" if restarts == 1 else f"{restarts} times"
    return f"board restarted {times}"


def waiting_words(waiting_s: float) -> str:
    """Return a note if new rows wait too long for a slow disk; otherwise an empty text."""
    if waiting_s < LONG_WAIT_S:
        return ""
    return f"waiting {waiting_s:.1f} s for the disk; shots are shown after they are saved"


def disk_line(writer: RecordingWriter) -> str:
    """Return the disk's problem, or that the program changed to another file, or ``""``."""
    if writer.trouble is None:
        return plain(writer.moves[-1]) if writer.moves else ""
    waits = f"{plain(writer.trouble)}, {writer.pending_bytes:,} bytes wait in memory"
    more = (
        ", TOO MANY BYTES: memory may fill up and data may be lost"
        if much_waits(writer)
        else ""
    )
    return waits + more
