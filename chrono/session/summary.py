"""What the shots of a recording come to, setup by setup and in all."""

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from chrono.measuring.motion import Motion, motion_of
from chrono.measuring.muzzle import MuzzleSpeed, muzzle_of
from chrono.measuring.scatter import Drift, Scatter, drift_of, pooled_s, scatter_of
from chrono.measuring.statistics import Sample, Series, of_several_setups, series_of
from chrono.measuring.timing import Blocking, Timing
from chrono.session.marks import Setup
from chrono.session.recorded import Recorded
from chrono.session.session import Session
from chrono.session.timing import lengths_of, timing_of


@dataclass(frozen=True)
class SetupSummary:
    """
    The counted shots of one setup.

    Attributes
    ----------
    setup : Setup
        What was stated last under its name.
    series : Series or None
        None without counted shots.
    scatter : Scatter or None
        None for one shot or none.
    motion : Motion or None
        Of their mean, None without counted shots.
    mouth : MuzzleSpeed or None
        Their mean at the launcher's mouth, None where that is not known.
    blocking : Blocking or None
        The lengths that the gates saw, None where no shot blocked both.
    """

    setup: Setup
    series: Series | None
    scatter: Scatter | None
    motion: Motion | None
    mouth: MuzzleSpeed | None
    blocking: Blocking | None = None


@dataclass(frozen=True)
class Whole:
    """
    All counted shots of a session.

    Attributes
    ----------
    series : Series
        Of all of them, see `of_several_setups`.
    slowest, fastest : int
        Numbers of these shots.
    drift : Drift or None
        Slope common to the setups, each with a mean of its own.
    s_within_mps : float
        Standard deviation within the setups [m/s], NaN where none has two shots.
    within_dof : int
        Its degrees of freedom.
    """

    series: Series
    slowest: int
    fastest: int
    drift: Drift | None
    s_within_mps: float
    within_dof: int


@dataclass(frozen=True, eq=False)
class Summary:
    """
    A recording summed up.

    Attributes
    ----------
    recorded : Recorded
    counted : int
        Shots that enter the statistics.
    setups : tuple of SetupSummary
        Of the setups with shots, in order of first use.
    whole : Whole or None
        None without counted shots.
    timing : Timing or None
        The jitter of an edge as the shots tell it, None where they do not.
    """

    recorded: Recorded
    counted: int
    setups: tuple[SetupSummary, ...]
    whole: Whole | None
    timing: Timing | None


def summary_of(recorded: Recorded) -> Summary:
    """Sum up a recording that was read whole."""
    session = recorded.session
    used = {session.setups.name(int(i)) for i in np.unique(session.log.setup)}
    names = [name for name in session.setups.names if name in used]
    samples = [session.sample(name) for name in names]
    lengths = lengths_of(session)
    setups = tuple(
        _setup(session, name, sample, lengths.get(name))
        for name, sample in zip(names, samples, strict=True)
    )
    counted = [sample for sample in samples if sample is not None]
    number = sum(len(sample.number) for sample in counted)
    return Summary(recorded, number, setups, _whole(counted), timing_of(session))


def _setup(
    session: Session, name: str, sample: Sample | None, blocking: Blocking | None
) -> SetupSummary:
    setup = session.setups.last(name)
    series = series_of(sample) if sample is not None else None
    if sample is None or series is None:
        return SetupSummary(setup, None, None, None, None)
    return SetupSummary(
        setup,
        series,
        scatter_of(sample),
        motion_of(series, session.rig, setup.body),
        muzzle_of(series, session.rig, setup.body),
        blocking,
    )


def _whole(samples: Sequence[Sample]) -> Whole | None:
    """Sum up all setups' samples."""
    if not samples:
        return None
    every = joined(samples)
    series = series_of(every)
    assert series is not None, "a sample has shots"
    slowest, fastest = (int(every.number[f(every.speed_mps)]) for f in (np.argmin, np.argmax))
    within = pooled_s(samples)
    series = of_several_setups(series, *within, every.shared)
    return Whole(series, slowest, fastest, drift_of(samples), *within)


def joined(samples: Sequence[Sample]) -> Sample:
    """Return samples of one session as one, in the order of its shots."""
    if len(samples) == 1:
        return samples[0]
    order = np.argsort(np.concatenate([each.number for each in samples]))
    number, *columns = (
        np.concatenate([getattr(each, name) for each in samples])[order]
        for name in ("number", "speed_mps", "u_random_mps", "u_shared_mps", "U95_mps")
    )
    speed, random, shared, expanded = columns
    return Sample(number, speed, random, shared, expanded, samples[0].shared)
