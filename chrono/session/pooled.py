"""The counted shots of several recordings, put together setup by setup."""

from collections.abc import Sequence
from dataclasses import dataclass

from chrono.measuring.anova import OneWay, one_way
from chrono.measuring.comparison import Group
from chrono.measuring.pooling import pooled_sample
from chrono.measuring.statistics import Sample, Series, series_of
from chrono.rigs.model import Rig
from chrono.session.samples import Sampled

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
    between : OneWay or None
        Do the recordings differ? None for one, or where no scatter is known.
    """

    name: str
    counted: dict[str, int]
    rigs: tuple[int, ...]
    sample: Sample
    series: Series
    between: OneWay | None

    @property
    def differ(self) -> bool:
        """Whether the recordings differ by more than their shots scatter."""
        return self.between is not None and self.between.p_value < DIFFER_BELOW


@dataclass(frozen=True, eq=False)
class Pooled:
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


def pooled_of(recordings: Sequence[Sampled]) -> Pooled:
    """Put recordings together, at least one."""
    rigs: list[Rig] = []
    rig_of = [_place_of(recording.rig, rigs) for recording in recordings]
    names = dict.fromkeys(name for each in recordings for name in each.samples)
    setups = tuple(_pooled_setup(name, recordings, rig_of) for name in names)
    return Pooled(
        tuple(recording.name for recording in recordings),
        tuple(rig.name for rig in rigs),
        setups,
        recordings[0].rig.speed_unit,
    )


def pooled_groups(pooled: Pooled) -> list[Group]:
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
    name: str, recordings: Sequence[Sampled], rig_of: Sequence[int]
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
