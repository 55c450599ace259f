"""What a report tells of recordings: sums, scatter, picture, what is aside, which file."""

import hashlib
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace
from pathlib import Path

import numpy as np

from chrono.errors import RecordingError
from chrono.measuring.budget import Budget
from chrono.measuring.comparison import Comparison, compare_groups
from chrono.measuring.statistics import Sample
from chrono.plain import shortened
from chrono.processor.table import NEVER_COUNTED, Flag, flag_words
from chrono.session.plotted import Plotted, plotted_of
from chrono.session.recorded import Recorded
from chrono.session.samples import groups_of, samples_of
from chrono.session.session import Session
from chrono.session.shotlog import ShotRow
from chrono.session.summary import Summary, summary_of

LONGEST_NAME = 70
"""Of a setup, its recording before it; a longer one takes more than a line on a phone."""
WITHOUT_TRANSIT = Flag.UNSOUND | Flag.FRAGMENTS | Flag.GAP | Flag.AMBIGUOUS
"""What may leave a shot without a transit."""
NO_SPEED = "no speed"
"""Why a shot without a flag that says so is not counted."""


@dataclass(frozen=True)
class Fingerprint:
    """Size [bytes] and SHA-256 of a file, as 64 hexadecimal digits."""

    size: int
    sha256: str


@dataclass(frozen=True)
class Aside:
    """
    Shots that are not counted for one reason.

    Attributes
    ----------
    reason : str
        What the operator said, else the flags that keep them from counting.
    flags : tuple of str
        Those flags.
    shots : tuple of (int, float)
        Their numbers and their speeds [m/s], NaN where they have none.
    """

    reason: str
    flags: tuple[str, ...]
    shots: tuple[tuple[int, float], ...]


@dataclass(frozen=True, eq=False)
class RecordingReport:
    """
    All that is told of one recording.

    Attributes
    ----------
    summary : Summary
        With the recording and its session.
    plotted : Plotted
    aside : tuple of Aside
        The largest first.
    typical : ShotRow or None
        The shot with the median speed of the setup that has most counted shots; None where
        nothing is counted.
    budget : Budget or None
        Of that shot.
    fingerprint : Fingerprint
    """

    summary: Summary
    plotted: Plotted
    aside: tuple[Aside, ...]
    typical: ShotRow | None
    budget: Budget | None
    fingerprint: Fingerprint

    @property
    def recorded(self) -> Recorded:
        """The recording that was read."""
        return self.summary.recorded

    @property
    def session(self) -> Session:
        """The session of the recording."""
        return self.summary.recorded.session


@dataclass(frozen=True, eq=False)
class Report:
    """
    All that is told of some recordings.

    Attributes
    ----------
    recordings : tuple of RecordingReport
    comparison : Comparison or None
        Of their setups, where there are two and more.
    given_rig : str
        Name of the rig file that all were measured with; empty for the recorded rigs.
    """

    recordings: tuple[RecordingReport, ...]
    comparison: Comparison | None
    given_rig: str = ""


def report_of(recordings: Sequence[Recorded], given_rig: str = "") -> Report:
    """
    Return what is told of recordings that were read whole.

    Parameters
    ----------
    recordings : sequence of Recorded
    given_rig : str, optional
        Name of the rig file that they were measured with, if not with the recorded rigs.

    Raises
    ------
    RecordingError
        If a file cannot be read once more for its checksum.
    """
    groups = [
        replace(group, name=shortened(group.name, LONGEST_NAME))
        for group in groups_of(recordings)
    ]
    comparison = compare_groups(groups) if len(groups) > 1 else None
    told = tuple(_recording(recorded) for recorded in recordings)
    return Report(told, comparison, given_rig)


def fingerprint_of(path: Path) -> Fingerprint:
    """
    Return the checksum (FIPS 180-4) of a file.

    Raises
    ------
    RecordingError
        If the file cannot be read.
    """
    try:
        with path.open("rb") as file:
            digest = hashlib.file_digest(file, "sha256")
            return Fingerprint(file.tell(), digest.hexdigest())
    except OSError as trouble:
        raise RecordingError(
            f"cannot be read: {trouble.strerror or trouble}",
            where=str(path),
            hint="check that the file is still there",
        ) from trouble


def _recording(recorded: Recorded) -> RecordingReport:
    session = recorded.session
    typical = typical_shot(samples_of(session), session)
    return RecordingReport(
        summary_of(recorded),
        plotted_of(recorded),
        _aside(session),
        typical,
        session.budget_of(typical) if typical else None,
        fingerprint_of(recorded.path),
    )


def typical_shot(samples: Mapping[str, Sample], session: Session) -> ShotRow | None:
    """Return the shot with the median speed of the largest sample (the upper of two)."""
    if not samples:
        return None
    largest = max(samples.values(), key=lambda sample: len(sample.number))
    order = np.argsort(largest.speed_mps, kind="stable")
    place = int(largest.number[order[len(order) // 2]]) - 1
    return next(iter(session.rows_of(slice(place, place + 1))))


def _aside(session: Session) -> tuple[Aside, ...]:
    """Return the shots that are not counted, by reason."""
    flags, speed = session.log.shots["flags"], session.measured().speed_mps
    notes = session.notes()
    found: dict[tuple[str, tuple[str, ...]], list[tuple[int, float]]] = {}
    for place in np.flatnonzero(~session.counted()).tolist():
        words = flag_words(int(flags[place]) & int(NEVER_COUNTED))
        if not words and not np.isfinite(speed[place]):
            words = flag_words(int(flags[place]) & int(WITHOUT_TRANSIT)) or (NO_SPEED,)
        reason = notes[place] or ", ".join(words)
        found.setdefault((reason, words), []).append((place + 1, float(speed[place])))
    groups = [Aside(reason, words, tuple(shots)) for (reason, words), shots in found.items()]
    return tuple(sorted(groups, key=lambda group: -len(group.shots)))
