"""Collect the content of a report and of the picture in the report.

In a long session, one dot of the picture shows several consecutive shots of a setup, and the
range of the speeds.
"""

import hashlib
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace
from pathlib import Path

import numpy as np

from chrono.arrays.array_types import Floats, Ints
from chrono.errors import RecordingError
from chrono.measuring.error_budget import Budget
from chrono.measuring.series_statistics import Sample, Series
from chrono.measuring.setup_comparison import Comparison, compare_groups
from chrono.processor.shot_records import NEVER_COUNTED, Flag, flag_words
from chrono.safe_text import shortened
from chrono.session.pooled_samples import (
    RigsTaken,
    damaged_lines,
    groups_from,
    recording_samples,
    rigs_taken,
    samples_of,
)
from chrono.session.recording_loader import LoadedRecording
from chrono.session.session import Session
from chrono.session.session_summary import Summary, summary_of
from chrono.session.shot_log import ShotRow

MOST_DOTS = 240
"""Largest number of dots in a picture. More dots would merge on a page 170 mm wide."""
FEWEST_DOTS = 12
"""Each setup keeps at least this many dots."""


@dataclass(frozen=True, eq=False)
class PlottedSetup:
    """
    The dots that show the counted shots of one setup.

    Attributes
    ----------
    name : str
    series : Series
    number : ndarray of float64, shape (N,)
        Numbers of the shots in the session, counted from 1. If several shots share a dot, the
        mean of their numbers.
    speed_mps, low_mps, high_mps : ndarray of float64, shape (N,)
        Speed and its 95 % interval. If several shots share a dot, the mean and the range of
        their speeds.
    per_dot : int
        Number of shots that share a dot; 1 if each shot has its own dot.
    """

    name: str
    series: Series
    number: Floats
    speed_mps: Floats
    low_mps: Floats
    high_mps: Floats
    per_dot: int


@dataclass(frozen=True, eq=False)
class PlottedSpeeds:
    """
    The speeds of a recording, in the form that a picture needs.

    Attributes
    ----------
    name : str
        Name of the recording.
    unit : str
        Unit in which speeds are shown.
    shots : int
        Number of all shots, counted or not.
    setups : tuple of PlottedSetup
        Setups with counted shots, in order of first use.
    changes : ndarray of int64, shape (M,)
        Numbers of the shots at which another setup begins.
    aside_number : ndarray of int64, shape (K,)
        Numbers of the shots that have a speed but are not counted.
    aside_mps : ndarray of float64, shape (K,)
        Speeds of the shots that have a speed but are not counted.
    """

    name: str
    unit: str
    shots: int
    setups: tuple[PlottedSetup, ...]
    changes: Ints
    aside_number: Ints
    aside_mps: Floats

    @property
    def per_dot(self) -> int:
        """The largest number of shots that one dot shows."""
        return max((setup.per_dot for setup in self.setups), default=1)


def plotted_speeds(recorded: LoadedRecording, most_dots: int = MOST_DOTS) -> PlottedSpeeds:
    """Prepare the speeds of a recording for a picture with about `most_dots` dots."""
    session = recorded.session
    measured = session.measured()
    counted = session.are_counted(session.log.shots, measured.speed_mps)
    setups = []
    per_dot = -(-int(np.count_nonzero(counted)) // most_dots)
    for name in session.setups.names:
        series = session.series(name)
        places = (counted & session.setups.named(name)[session.log.setup]).nonzero()[0]
        if series is not None:
            speed, half = measured.speed_mps[places], measured.U95_mps[places]
            setups.append(_dots(name, series, places + 1, speed, half, per_dot))
    aside = (~counted & np.isfinite(measured.speed_mps)).nonzero()[0]
    return PlottedSpeeds(
        recorded.name,
        session.rig.speed_unit,
        len(session.log),
        tuple(setups),
        _changes(session),
        aside.astype(np.int64) + 1,
        measured.speed_mps[aside],
    )


def _changes(session: Session) -> Ints:
    """Return the number of each shot that has another setup name than the shot before."""
    used, place = np.unique(session.log.setup, return_inverse=True)
    codes = {name: code for code, name in enumerate(session.setups.names)}
    of_shot = np.array([codes[session.setups.name(int(i))] for i in used])[place]
    return np.flatnonzero(np.diff(of_shot)).astype(np.int64) + 2


def _dots(
    name: str, series: Series, number: Ints, speed: Floats, half: Floats, wanted: int
) -> PlottedSetup:
    """Return a setup's dots: each dot is one shot, or the mean and range of several shots."""
    per_dot = min(wanted, -(-len(speed) // FEWEST_DOTS))
    if per_dot == 1:
        low, high = speed - half, speed + half
        return PlottedSetup(name, series, number.astype(np.float64), speed, low, high, 1)
    starts = np.arange(0, len(speed), per_dot)
    sizes = np.diff(np.append(starts, len(speed)))
    return PlottedSetup(
        name,
        series,
        np.add.reduceat(number, starts) / sizes,
        np.add.reduceat(speed, starts) / sizes,
        np.minimum.reduceat(speed, starts),
        np.maximum.reduceat(speed, starts),
        per_dot,
    )


LONGEST_NAME = 70
"""Largest length of a name of a setup with its recording [characters]. The name must fit on one
line of a phone."""
WITHOUT_TRANSIT = Flag.UNSOUND | Flag.FRAGMENTS | Flag.GAP | Flag.AMBIGUOUS
"""A shot with one of these flags may have no transit."""
NO_SPEED = "no speed"
"""The reason that is shown for a shot without a speed if no flag gives a reason."""


@dataclass(frozen=True)
class Fingerprint:
    """The size of a file [bytes], and its SHA-256 checksum as 64 hexadecimal digits."""

    size: int
    sha256: str


@dataclass(frozen=True)
class UncountedShots:
    """
    A group of shots that are not counted for the same reason.

    Attributes
    ----------
    reason : str
        The operator's words, or the flags that keep the shots from counting.
    flags : tuple of str
        The flags that keep the shots from counting.
    shots : tuple of (int, float)
        Number and speed of each shot [m/s]; NaN if a shot has no speed.
    """

    reason: str
    flags: tuple[str, ...]
    shots: tuple[tuple[int, float], ...]


@dataclass(frozen=True, eq=False)
class RecordingReport:
    """
    The content of a report about one recording.

    Attributes
    ----------
    summary : Summary
        The summary; it includes the recording and its session.
    plotted : PlottedSpeeds
    aside : tuple of UncountedShots
        The groups of uncounted shots, the largest group first.
    typical : ShotRow or None
        The shot with the median speed in the setup with the most counted shots; None if no
        shot is counted.
    budget : Budget or None
        The error budget of the typical shot.
    fingerprint : Fingerprint
    """

    summary: Summary
    plotted: PlottedSpeeds
    aside: tuple[UncountedShots, ...]
    typical: ShotRow | None
    budget: Budget | None
    fingerprint: Fingerprint

    @property
    def recorded(self) -> LoadedRecording:
        """The recording that was read."""
        return self.summary.recorded

    @property
    def session(self) -> Session:
        """The session of the recording."""
        return self.summary.recorded.session


@dataclass(frozen=True, eq=False)
class Report:
    """
    The content of a report about one or more recordings.

    Attributes
    ----------
    recordings : tuple of RecordingReport
    comparison : Comparison or None
        Comparison of the setups, if there are two or more setups.
    rigs : RigsTaken
        States which recordings were made with the same rig.
    damaged_lines : int
        Number of damaged lines in all recordings.
    given_rig : str
        Name of the rig file for all recordings; empty if the recorded rigs were used.
    """

    recordings: tuple[RecordingReport, ...]
    comparison: Comparison | None
    rigs: RigsTaken
    damaged_lines: int
    given_rig: str = ""


def report_of(
    recordings: Sequence[LoadedRecording], given_rig: str = "", one_rig: bool | None = None
) -> Report:
    """
    Return the report's content for recordings that were read to the end.

    Parameters
    ----------
    recordings : sequence of LoadedRecording
    given_rig : str, optional
        Name of the rig file for all recordings; empty if the recorded rigs were used.
    one_rig : bool, optional
        True: all recordings have the same rig. False: each recording has a different rig. See
        `rigs_taken`.

    Raises
    ------
    RecordingError
        If a file cannot be read again for its checksum.
    """
    samples = [recording_samples(recorded) for recorded in recordings]
    rigs = rigs_taken(samples, one_rig)
    groups = [
        replace(group, name=shortened(group.name, LONGEST_NAME))
        for group in groups_from(samples, rigs)
    ]
    comparison = compare_groups(groups) if len(groups) > 1 else None
    told = tuple(_recording(recorded) for recorded in recordings)
    return Report(told, comparison, rigs, damaged_lines(samples), given_rig)


def fingerprint_of(path: Path) -> Fingerprint:
    """
    Return the size and the checksum (FIPS 180-4) of a file.

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
            f"this file cannot be read: {trouble.strerror or trouble}",
            where=str(path),
            hint="check that the file is still there",
        ) from trouble


def _recording(recorded: LoadedRecording) -> RecordingReport:
    session = recorded.session
    typical = typical_shot(samples_of(session), session)
    return RecordingReport(
        summary_of(recorded),
        plotted_speeds(recorded),
        _aside(session),
        typical,
        session.budget_of(typical) if typical else None,
        fingerprint_of(recorded.path),
    )


def typical_shot(samples: Mapping[str, Sample], session: Session) -> ShotRow | None:
    """
    Return the shot with the median speed in the largest sample.

    If the number of shots is even, return the faster of the two middle shots.
    """
    if not samples:
        return None
    largest = max(samples.values(), key=lambda sample: len(sample.number))
    order = np.argsort(largest.speed_mps, kind="stable")
    place = int(largest.number[order[len(order) // 2]]) - 1
    return next(iter(session.rows_of(slice(place, place + 1))))


def _aside(session: Session) -> tuple[UncountedShots, ...]:
    """Return the uncounted shots, grouped by the reason why they are not counted."""
    flags, speed = session.log.shots["flags"], session.measured().speed_mps
    notes = session.notes()
    found: dict[tuple[str, tuple[str, ...]], list[tuple[int, float]]] = {}
    for place in np.flatnonzero(~session.counted()).tolist():
        words = flag_words(int(flags[place]) & int(NEVER_COUNTED))
        if not words and not np.isfinite(speed[place]):
            words = flag_words(int(flags[place]) & int(WITHOUT_TRANSIT)) or (NO_SPEED,)
        reason = notes[place] or ", ".join(words)
        found.setdefault((reason, words), []).append((place + 1, float(speed[place])))
    groups = [
        UncountedShots(reason, words, tuple(shots)) for (reason, words), shots in found.items()
    ]
    return tuple(sorted(groups, key=lambda group: -len(group.shots)))
