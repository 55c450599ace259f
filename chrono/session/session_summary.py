"""Summarize a recording: the statistics of its setups and shots, and evidence on its rig."""

from collections.abc import Sequence
from dataclasses import dataclass, field

import numpy as np

from chrono.measuring.energy_results import Motion, motion_of
from chrono.measuring.muzzle_speed import MuzzleSpeed, muzzle_of
from chrono.measuring.scatter import Drift, Scatter, drift_of, scatter_of
from chrono.measuring.series_statistics import (
    Sample,
    Series,
    all_bodies,
    of_several_parts,
    s_within_parts,
    series_of,
)
from chrono.measuring.timing_jitter import (
    BlockedLengths,
)
from chrono.session.operator_records import Setup, common_record
from chrono.session.recording_loader import LoadedRecording
from chrono.session.rig_evidence import (
    GateScatter,
    RecentShots,
    RigEvidence,
    gate_scatter_of,
    rig_evidence,
)
from chrono.session.session import Session


@dataclass(frozen=True)
class SetupSummary:
    """
    The results of the counted shots of one setup.

    Attributes
    ----------
    name : str
    setups : tuple of Setup
        The setups of the counted shots, in the order of entry. If no shot is counted, those of
        all shots.
    series : Series or None
        Statistics of the shots; None if no shot is counted.
    scatter : Scatter or None
        Scatter of the shots; None for fewer than two shots.
    motion : Motion or None
        Motion of the body at the mean speed; None if no shot is counted or `bodies` is above 1.
    mouth : MuzzleSpeed or None
        Mean speed at the launcher's mouth; None if unknown or `bodies` is above 1.
    blocking : BlockedLengths or None
        Body lengths that the gates measured; None if no shot blocked both gates.
    hidden : GateScatter or None
        Scatter that the gates may add to the random part of the shots.
    bodies : int
        Number of different bodies (mass, diameter) of the counted shots.
    conditions : dict of str to (str or None)
        The launch conditions; None for a condition that differs between shots.
    """

    name: str
    setups: tuple[Setup, ...]
    series: Series | None
    scatter: Scatter | None
    motion: Motion | None
    mouth: MuzzleSpeed | None
    blocking: BlockedLengths | None = None
    hidden: GateScatter | None = None
    bodies: int = 1
    conditions: dict[str, str | None] = field(default_factory=dict)


@dataclass(frozen=True)
class SessionTotals:
    """
    The results of all counted shots in a session.

    Attributes
    ----------
    series : Series
        Statistics of all counted shots, see `of_several_parts`.
    slowest, fastest : int
        Numbers of the slowest and the fastest shot.
    drift : Drift or None
        Common drift of the speeds in all setups. Each setup has its own mean.
    s_within_mps : float
        Standard deviation within the setups [m/s]; NaN if no setup has two shots.
    within_dof : int
        Degrees of freedom of `s_within_mps`.
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
    The summary of a recording.

    Attributes
    ----------
    recorded : LoadedRecording
    counted : int
        Number of shots that enter the statistics.
    setups : tuple of SetupSummary
        The setups with shots, in order of first use.
    whole : SessionTotals or None
        Results of all counted shots; None if no shot is counted.
    evidence : RigEvidence
        What the shots say about the rig.
    """

    recorded: LoadedRecording
    counted: int
    setups: tuple[SetupSummary, ...]
    whole: SessionTotals | None
    evidence: RigEvidence


def summary_of(recorded: LoadedRecording) -> Summary:
    """Return the summary of a recording that was read to the end."""
    session = recorded.session
    used = {session.setups.name(int(i)) for i in np.unique(session.log.setup)}
    names = [name for name in session.setups.names if name in used]
    samples = [session.sample(name) for name in names]
    recent = RecentShots.of(session)
    evidence = rig_evidence(recent)
    setups = tuple(
        _setup(recent, name, sample, evidence.lengths.get(name))
        for name, sample in zip(names, samples, strict=True)
    )
    counted = [sample for sample in samples if sample is not None]
    number = sum(len(sample.number) for sample in counted)
    return Summary(recorded, number, setups, _whole(counted), evidence)


def _setup(
    recent: RecentShots, name: str, sample: Sample | None, blocking: BlockedLengths | None
) -> SetupSummary:
    session = recent.session
    flown = session.setups_with_shots(name)
    conditions = common_record(flown)["conditions"]
    series = series_of(sample) if sample is not None else None
    if sample is None or series is None:
        return SetupSummary(name, flown, None, None, None, None, conditions=conditions)
    setup, bodies = last_setup(session, sample), len(sample.bodies)
    return SetupSummary(
        name,
        session.setups_at(session.log.setup[sample.number - 1]),
        series,
        scatter_of(sample),
        motion_of(series, session.rig, setup.body) if bodies == 1 else None,
        muzzle_of(series, session.rig, setup.body) if bodies == 1 else None,
        blocking,
        gate_scatter_of(recent, name, series.mean_mps),
        bodies,
        conditions,
    )


def last_setup(session: Session, sample: Sample) -> Setup:
    """Return the setup of the last shot of a sample."""
    return session.setups.all()[session.log.setup[sample.number[-1] - 1]]


def _whole(samples: Sequence[Sample]) -> SessionTotals | None:
    """Return one result for all setups together; None if no shot is counted."""
    if not samples:
        return None
    every = joined(samples)
    series = series_of(every)
    assert series is not None, "a sample has shots"
    slowest, fastest = (int(every.number[f(every.speed_mps)]) for f in (np.argmin, np.argmax))
    within = s_within_parts([each.speed_mps for each in samples])
    if len(samples) > 1:
        series = of_several_parts(series, *within, every.shared)
    return SessionTotals(series, slowest, fastest, drift_of(samples), *within)


def joined(samples: Sequence[Sample]) -> Sample:
    """Join the samples of a session into one sample, in the order of the shots."""
    if len(samples) == 1:
        return samples[0]
    order = np.argsort(np.concatenate([each.number for each in samples]))
    number, *columns = (
        np.concatenate([getattr(each, name) for each in samples])[order]
        for name in ("number", "speed_mps", "u_random_mps", "u_shared_mps", "U95_mps")
    )
    speed, random, shared, expanded = columns
    return Sample(
        number, speed, random, shared, expanded, samples[0].shared, all_bodies(samples)
    )
