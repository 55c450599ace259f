"""The counted shots of sessions by setup, as samples to compare."""

from collections.abc import Sequence
from dataclasses import dataclass

from chrono.measuring.comparison import Group, group_of
from chrono.measuring.statistics import Sample
from chrono.rigs.model import Rig
from chrono.session.recorded import Recorded
from chrono.session.session import Session


def samples_of(session: Session) -> dict[str, Sample]:
    """Return the counted shots of each setup that has any, in order of first use."""
    samples = {name: session.sample(name) for name in session.setups.names}
    return {name: sample for name, sample in samples.items() if sample is not None}


@dataclass(frozen=True)
class Sampled:
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


def sampled(recorded: Recorded) -> Sampled:
    """Return the counted shots of a recording that was read whole."""
    session = recorded.session
    return Sampled(recorded.name, session.rig, samples_of(session))


def groups_of(recordings: Sequence[Recorded]) -> list[Group]:
    """Return the setups of recordings, told apart by the recording where there are several."""
    return groups_from([sampled(recorded) for recorded in recordings])


def groups_from(recordings: Sequence[Sampled]) -> list[Group]:
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
