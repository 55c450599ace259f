"""The counted shots of recordings by setup, as samples to compare or to pool."""

from collections.abc import Sequence
from dataclasses import dataclass

from chrono.measuring.series_statistics import Sample, Series, pooled_sample, series_of
from chrono.measuring.setup_comparison import Group, OneWayAnalysis, group_of, one_way
from chrono.rigs.rig_model import Rig
from chrono.session.recording_loader import LoadedRecording
from chrono.session.session import Session


def samples_of(session: Session) -> dict[str, Sample]:
    """Return the counted shots of each setup that has any, in order of first use."""
    samples = {name: session.sample(name) for name in session.setups.names}
    return {name: sample for name, sample in samples.items() if sample is not None}


@dataclass(frozen=True)
class RecordingSamples:
    """
    The counted shots of a recording by setup.

    Attributes
    ----------
    name : str
        Of the recording.
    rig : Rig
        What they were measured with.
    samples : dict of str to Sample
        In order of first use.
    """

    name: str
    rig: Rig
    samples: dict[str, Sample]


def recording_samples(recorded: LoadedRecording) -> RecordingSamples:
    """Return the counted shots of a recording that was read whole."""
    session = recorded.session
    return RecordingSamples(recorded.name, session.rig, samples_of(session))


def groups_of(recordings: Sequence[LoadedRecording]) -> list[Group]:
    """Return the setups of recordings, told apart by the recording where there are several."""
    return groups_from([recording_samples(recorded) for recorded in recordings])


def groups_from(recordings: Sequence[RecordingSamples]) -> list[Group]:
    """Return the setups of recordings, told apart by the recording where there are several."""
    groups: list[Group] = []
    rigs = [recording.rig for recording in recordings]
    for place, recording in enumerate(recordings):
        for setup, sample in recording.samples.items():
            name = setup or "no setup named"
            name = f"{recording.name}: {name}" if len(recordings) > 1 else name
            group = group_of(name, sample, place, rigs.index(rigs[place]))
            groups += [group] if group else []
    return groups


DIFFER_BELOW = 0.05
"""Recordings whose means differ this much by chance so rarely are said to differ."""


@dataclass(frozen=True, eq=False)
class PooledSetup:
    """
    The counted shots of all recordings with one setup.

    Attributes
    ----------
    name : str
    counted : dict of str to int
        Shots from each recording, by its name.
    rigs : tuple of int
        Which rigs measured them.
    sample : Sample
    series : Series
        Its statistics.
    between : OneWayAnalysis or None
        Do the recordings differ? None for one, or where no scatter is known.
    """

    name: str
    counted: dict[str, int]
    rigs: tuple[int, ...]
    sample: Sample
    series: Series
    between: OneWayAnalysis | None

    @property
    def differ(self) -> bool:
        """Whether the recordings differ by more than their shots scatter."""
        return self.between is not None and self.between.p_value < DIFFER_BELOW


@dataclass(frozen=True, eq=False)
class PooledRecordings:
    """
    Recordings put together.

    Attributes
    ----------
    recordings : tuple of str
        Their names.
    rigs : tuple of str
        The names of the rigs, each once.
    setups : tuple of PooledSetup
        Those with counted shots, in order of first use.
    unit : str
        Of speeds, the first rig's.
    """

    recordings: tuple[str, ...]
    rigs: tuple[str, ...]
    setups: tuple[PooledSetup, ...]
    unit: str


def pooled_of(recordings: Sequence[RecordingSamples]) -> PooledRecordings:
    """Put recordings together, at least one."""
    rigs: list[Rig] = []
    rig_of = [_place_of(recording.rig, rigs) for recording in recordings]
    names = dict.fromkeys(name for each in recordings for name in each.samples)
    setups = tuple(_pooled_setup(name, recordings, rig_of) for name in names)
    return PooledRecordings(
        tuple(recording.name for recording in recordings),
        tuple(rig.name for rig in rigs),
        setups,
        recordings[0].rig.speed_unit,
    )


def pooled_groups(pooled: PooledRecordings) -> list[Group]:
    """Return the setups to be compared; what several rigs measured shares a rig with none."""
    several = len(pooled.rigs)
    return [
        Group(
            setup.name or "no setup named",
            place,
            setup.rigs[0] if len(setup.rigs) == 1 else several + place,
            setup.sample,
            setup.series,
        )
        for place, setup in enumerate(pooled.setups)
    ]


def is_same_rig(one: Rig, other: Rig) -> bool:
    """
    Tell whether two descriptions are of one rig.

    They are if they have one name, or the same gates, clock and calibration. If that is wrong,
    a shared part is counted once that should be averaged: the ± is too wide, not too narrow.
    """
    return one.name == other.name or all(
        getattr(one, part) == getattr(other, part) for part in ("gates", "clock", "calibration")
    )


def _place_of(rig: Rig, known: list[Rig]) -> int:
    """Return the place of a rig among those that are known, and take in a new one."""
    for place, each in enumerate(known):
        if is_same_rig(rig, each):
            return place
    known.append(rig)
    return len(known) - 1


def _pooled_setup(
    name: str, recordings: Sequence[RecordingSamples], rig_of: Sequence[int]
) -> PooledSetup:
    each_with_rig = zip(recordings, rig_of, strict=True)
    own = [(each, rig) for each, rig in each_with_rig if name in each.samples]
    samples = [each.samples[name] for each, _ in own]
    sample = pooled_sample(samples, [rig for _, rig in own])
    series = series_of(sample)
    assert series is not None, "a sample has shots"
    return PooledSetup(
        name,
        {each.name: len(each.samples[name].number) for each, _ in own},
        tuple(dict.fromkeys(rig for _, rig in own)),
        sample,
        series,
        one_way([each.speed_mps for each in samples]),
    )
