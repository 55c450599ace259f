"""Collect the counted shots of each setup from recordings, to compare or join the setups."""

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from enum import Enum, auto

import numpy as np

from chrono.errors import OptionError
from chrono.measuring.series_statistics import (
    Sample,
    Series,
    pooled_sample,
    pooled_series,
    series_of,
)
from chrono.measuring.setup_comparison import (
    Group,
    RigShare,
    differing_p,
    group_of,
)
from chrono.rigs.rig_model import Rig
from chrono.session.recording_loader import LoadedRecording
from chrono.session.session import Session


def samples_of(session: Session) -> dict[str, Sample]:
    """
    Return the counted shots of each setup, in order of first use.

    The result does not contain setups without counted shots.
    """
    samples = {name: session.sample(name) for name in session.setups.names}
    return {name: sample for name, sample in samples.items() if sample is not None}


@dataclass(frozen=True)
class RecordingSamples:
    """
    The counted shots of a recording, separated by setup.

    Attributes
    ----------
    name : str
        Name of the recording.
    rig : Rig
        The rig with which the shots were measured.
    samples : dict of str to Sample
        The shots of each setup, in order of first use.
    damaged_lines : int
        Number of damaged or lost lines.
    """

    name: str
    rig: Rig
    samples: dict[str, Sample]
    damaged_lines: int = 0


def recording_samples(recorded: LoadedRecording) -> RecordingSamples:
    """Return the counted shots of a recording that was read to its end."""
    session = recorded.session
    return RecordingSamples(
        recorded.name, session.rig, samples_of(session), damaged_lines_of(session)
    )


def damaged_lines_of(session: Session) -> int:
    """Count the damaged or lost lines of a session."""
    # a damaged line is among the lost lines too: it must not count twice
    return max(session.unusable.lines, session.processor.tally.lost_lines)


def damaged_lines(recordings: Sequence[RecordingSamples]) -> int:
    """Count the damaged or lost lines of all recordings."""
    return sum(each.damaged_lines for each in recordings)


class RigBasis(Enum):
    """The reason why the program assumes that several recordings have the same rig."""

    ALONE = auto()
    """There is only one recording of this rig."""
    IDENTITY = auto()
    """The rigs of the recordings have the same identity."""
    DESCRIPTION = auto()
    """The rigs have equal gates, clock and calibration, so they are assumed to be the same."""
    GIVEN = auto()
    """The user states that the rigs are the same."""


@dataclass(frozen=True)
class RigsTaken:
    """
    States which recordings were made with the same rig.

    Attributes
    ----------
    places : tuple of int
        The number of the rig of each recording, counted from 0.
    recordings : tuple of tuple of str
        The names of the recordings of each rig.
    basis : tuple of RigBasis
        For each rig, the reason why its recordings belong together.
    given : bool
        True if the user stated whether the rigs are the same.
    """

    places: tuple[int, ...]
    recordings: tuple[tuple[str, ...], ...]
    basis: tuple[RigBasis, ...]
    given: bool


def rigs_taken(
    recordings: Sequence[RecordingSamples], one_rig: bool | None = None
) -> RigsTaken:
    """
    Decide which recordings were made with the same rig.

    Parameters
    ----------
    recordings : sequence of RecordingSamples
    one_rig : bool, optional
        The user's statement. True: all recordings have the same rig. False: each recording has
        a different rig. If left out, identities or descriptions of the rigs are compared, see
        `is_same_rig`.
    """
    places: list[int] = []
    first: list[Rig] = []
    for each in recordings:
        if one_rig is None:
            place = next((i for i, rig in enumerate(first) if is_same_rig(rig, each.rig)), None)
        else:
            place = 0 if one_rig and first else None
        if place is None:
            place = len(first)
            first.append(each.rig)
        places.append(place)
    own = [
        [each for each, its in zip(recordings, places, strict=True) if its == place]
        for place in range(len(first))
    ]
    return RigsTaken(
        tuple(places),
        tuple(tuple(each.name for each in group) for group in own),
        tuple(_basis([each.rig for each in group], one_rig) for group in own),
        one_rig is not None,
    )


def _basis(rigs: Sequence[Rig], one_rig: bool | None) -> RigBasis:
    if len(rigs) == 1:
        return RigBasis.ALONE
    if one_rig is not None:
        return RigBasis.GIVEN
    return RigBasis.IDENTITY if all(rig.identity for rig in rigs) else RigBasis.DESCRIPTION


def is_same_rig(one: Rig, other: Rig) -> bool:
    """
    Return True if two descriptions describe the same rig.

    If both rigs have an identity, the function compares only the identities. If a rig has no
    identity, the function compares the gates, the clock and the calibration. The function never
    compares the names of rigs, because two different rigs may both have the default name.
    """
    if one.identity and other.identity:
        return one.identity == other.identity
    parts = ("gates", "clock", "calibration")
    return all(getattr(one, part) == getattr(other, part) for part in parts)


def groups_from(
    recordings: Sequence[RecordingSamples], rigs: RigsTaken | None = None
) -> list[Group]:
    """
    Return the setups of recordings as groups of shots.

    If there are several recordings, the name of each group also contains the recording's name.
    """
    groups: list[Group] = []
    rigs = rigs or rigs_taken(recordings)
    for place, recording in enumerate(recordings):
        for setup, sample in recording.samples.items():
            name = setup or "no setup named"
            name = f"{recording.name}: {name}" if len(recordings) > 1 else name
            group = group_of(name, sample, place, rigs.places[place])
            groups += [group] if group else []
    return groups


MOST_GROUPS = 50
"""Largest number of setups to compare. More setups give more than a thousand differences."""


def groups_to_compare(
    recordings: Sequence[RecordingSamples], one_rig: bool | None = None, *, pool: bool = False
) -> tuple[list[Group], RigsTaken]:
    """
    Return the setups to compare, and state which recordings have the same rig.

    Parameters
    ----------
    recordings : sequence of RecordingSamples
    one_rig : bool, optional
        See `rigs_taken`.
    pool : bool, optional
        Join setups with the same name.

    Raises
    ------
    OptionError
        If there are more setups than `MOST_GROUPS`.
    """
    taken = rigs_taken(recordings, one_rig)
    if pool:
        groups = pooled_groups(pooled_of(recordings, one_rig))
    else:
        groups = groups_from(recordings, taken)
    if len(groups) > MOST_GROUPS:
        raise OptionError(
            f"there are too many setups to compare with each other: {len(groups)} setups in "
            f"{len(recordings)} recordings",
            hint="name fewer recordings"
            if pool
            else "name fewer recordings, or combine them with --pool",
        )
    return groups, taken


DIFFER_BELOW = 0.05
"""Recordings are reported as different if the p-value of the test is smaller than this."""


@dataclass(frozen=True, eq=False)
class PooledSetup:
    """
    The counted shots of one setup from all recordings.

    Attributes
    ----------
    name : str
    counted : dict of str to int
        Number of shots from each recording, by the name of the recording.
    rigs : mapping of int to RigShare
        The rigs with which the shots were measured.
    sample : Sample
    series : Series
        Statistics of the sample. The random part comes from the scatter within each rig.
    differing_p : float
        p-value of the test whether any recording differs from the others, NaN if unknown.
    """

    name: str
    counted: dict[str, int]
    rigs: Mapping[int, RigShare]
    sample: Sample
    series: Series
    differing_p: float

    @property
    def differ(self) -> bool:
        """True if the recordings differ: the p-value of the test is below `DIFFER_BELOW`."""
        return self.differing_p < DIFFER_BELOW


@dataclass(frozen=True, eq=False)
class PooledRecordings:
    """
    Several recordings whose shots the program has joined by setup.

    Attributes
    ----------
    recordings : tuple of str
        Names of the recordings.
    rigs : RigsTaken
    setups : tuple of PooledSetup
        Setups with counted shots, in order of first use.
    unit : str
        Unit in which speeds are shown, from the first rig.
    """

    recordings: tuple[str, ...]
    rigs: RigsTaken
    setups: tuple[PooledSetup, ...]
    unit: str


def pooled_of(
    recordings: Sequence[RecordingSamples], one_rig: bool | None = None
) -> PooledRecordings:
    """Join the shots of one or more recordings by setup. For `one_rig`, see `rigs_taken`."""
    rigs = rigs_taken(recordings, one_rig)
    names = dict.fromkeys(name for each in recordings for name in each.samples)
    setups = tuple(_pooled_setup(name, recordings, rigs.places) for name in names)
    return PooledRecordings(
        tuple(recording.name for recording in recordings),
        rigs,
        setups,
        recordings[0].rig.speed_unit,
    )


def pooled_groups(pooled: PooledRecordings) -> list[Group]:
    """
    Return the setups of the joined recordings as groups of shots to compare.

    Shots of different recordings have no common order and no common numbers, so a comparison
    cannot report suspicious shots.
    """
    return [
        Group(
            setup.name or "no setup named",
            place,
            setup.rigs,
            setup.sample,
            setup.series,
        )
        for place, setup in enumerate(pooled.setups)
    ]


def _pooled_setup(
    name: str, recordings: Sequence[RecordingSamples], places: Sequence[int]
) -> PooledSetup:
    each_with_rig = zip(recordings, places, strict=True)
    own = [(each, rig) for each, rig in each_with_rig if name in each.samples]
    samples, rigs = [each.samples[name] for each, _ in own], [rig for _, rig in own]
    sample = pooled_sample(samples, rigs)
    each_series = [series for each in samples if (series := series_of(each)) is not None]
    return PooledSetup(
        name,
        {each.name: len(each.samples[name].number) for each, _ in own},
        {rig: _rig_share(samples, rigs, rig) for rig in dict.fromkeys(rigs)},
        sample,
        pooled_series(samples, rigs),
        differing_p(each_series, rigs),
    )


def _rig_share(samples: Sequence[Sample], rigs: Sequence[int], rig: int) -> RigShare:
    own = np.concatenate(
        [each.u_shared_mps for each, its in zip(samples, rigs, strict=True) if its == rig]
    )
    return RigShare(len(own) / sum(len(each.number) for each in samples), float(own.mean()))
