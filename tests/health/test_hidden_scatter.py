"""When the shots scatter more than the rig says, and balls off their middle may be why."""

import pytest

from chrono.measuring.timing_jitter import TimingJitter
from chrono.reports.rig_evidence_text import hidden_text


def timing(jitter_us: float, *, dof: int = 50, low_us: float = 0.0, chords_us: float = 12.0):
    return TimingJitter(
        shots=dof + 2,
        dof=dof,
        jitter_s=jitter_us * 1e-6,
        low_s=low_us * 1e-6,
        high_s=1.3 * jitter_us * 1e-6,
        stated_s=0.1e-6,
        chords_s=chords_us * 1e-6,
    )


@pytest.mark.parametrize(
    "found",
    [
        timing(0.09),
        # χ²: with 8 degrees of freedom 0.14 is within what 0.1 gives, with 50 it is not
        timing(0.14, dof=8),
        timing(0.4, low_us=0.2),
        timing(0.4, chords_us=0.05),
    ],
)
def test_nothing_is_said_where_chance_the_rig_or_the_edges_explain_it(
    found: TimingJitter,
) -> None:
    assert hidden_text(found) == ""


@pytest.mark.parametrize("found", [timing(0.14), timing(0.4, dof=8)])
def test_balls_off_their_middle_are_named_where_they_may_be_why(found: TimingJitter) -> None:
    text = hidden_text(found)
    assert text.startswith("the shots show more jitter than the rig states")
    assert "If gates.off_centre in the rig is right, this causes at most 12 µs" in text
