"""Collect one sentence for each problem of the data; a command prints them at its end."""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass, field
from typing import TYPE_CHECKING

from chrono.reports.setup_words import count_text
from chrono.safe_text import plain

if TYPE_CHECKING:
    from chrono.session.recording_loader import LoadedRecording
    from chrono.session.session import Session
    from chrono.session.troubles import Trouble
    from chrono.teaching.error_lab import LabStart


@dataclass
class Findings:
    """Problems of the data, as lines that a command prints at its end."""

    lines: list[str] = field(default_factory=list)

    def add(self, recorded: LoadedRecording) -> None:
        """Add the problems of one recording."""
        self.lines += recording_findings(recorded)

    def take(self, troubles: Iterable[Trouble]) -> None:
        """Add problems that occurred while a command ran to the list `lines`."""
        self.lines += _trouble_lines(troubles)


def recording_findings(recorded: LoadedRecording) -> list[str]:
    """Return the problems of a recording as lines that begin with the recording's path."""
    from chrono.reports.rig_evidence_text import evidence_doubts
    from chrono.session.rig_evidence import RecentShots, rate_of, slope_of, trends_of

    session = recorded.session
    troubles = [recorded.left_out, clock_doubt(recorded)]
    recent = RecentShots.of(session)
    troubles += evidence_doubts(slope_of(recent), trends_of(recent), rate_of(recent))
    troubles += _trouble_lines(session.unusable.boards)
    troubles += _trouble_lines(session.lamps)
    if session.unusable.records:
        troubles.append(unread_line(session))
    if session.unusable.lines and not session.heard:
        troubles.append(_wrong_lines(session))
    return [f"{recorded.path}: {trouble}" for trouble in troubles if trouble]


def start_findings(start: LabStart) -> list[str]:
    """Return the problems of the recording from which the error lab takes its first values."""
    if start.recorded is None:
        return []
    found = recording_findings(start.recorded)
    if not start.shots:
        path = start.recorded.path
        found.append(f"{path}: no shot has a speed, so the lab begins with an example speed")
    return found


def clock_doubt(recorded: LoadedRecording) -> str:
    """
    Return why the program cannot use the computer's clock to correct the counter's rate.

    The text is empty if the correction works, or if the user did not ask for the correction.
    """
    unknown = [recorded.rate_unknown] if recorded.rate_unknown else []
    return "".join(_trouble_lines(unknown))


def unread_line(session: Session) -> str:
    """Return how many setups and marks the program left out, and the first reason for this."""
    count = count_text(session.unusable.records, "record")
    reason = plain(session.unusable.record_reasons[0])
    return f"left out: {count} of setups or marks; the first reason is: {reason}"


def _wrong_lines(session: Session) -> str:
    """Return a note that no line has the stated format; add the right format if known."""
    stated, other = session.rig.lines, session.unusable.other_kind(session.rig.lines)
    what = f"none of the {session.unusable.lines} lines has the format {stated}"
    if other is None:
        return f"{what}: check the value of `lines` in the rig"
    return f'{what}; the lines have the format {other}: write lines = "{other}" in the rig'


def _trouble_lines(troubles: Iterable[Trouble]) -> list[str]:
    from chrono.reports.trouble_text import trouble_line  # a formula does not need it

    return [trouble_line(trouble) for trouble in troubles]
