"""The counted shots of sessions by setup, as samples to compare."""

from collections.abc import Sequence

from chrono.measuring.comparison import Group, group_of
from chrono.measuring.statistics import Sample
from chrono.session.recorded import Recorded
from chrono.session.session import Session


def samples_of(session: Session) -> dict[str, Sample]:
    """Return the counted shots of each setup that has any, in order of first use."""
    samples = {name: session.sample(name) for name in session.setups.names}
    return {name: sample for name, sample in samples.items() if sample is not None}


def groups_of(recordings: Sequence[Recorded]) -> list[Group]:
    """Return the setups of recordings, told apart by the recording where there are several."""
    groups: list[Group] = []
    rigs = [recorded.session.rig for recorded in recordings]
    for place, recorded in enumerate(recordings):
        for setup, sample in samples_of(recorded.session).items():
            name = setup or "no setup named"
            name = f"{recorded.name}: {name}" if len(recordings) > 1 else name
            group = group_of(name, sample, place, rigs.index(rigs[place]))
            groups += [group] if group else []
    return groups
