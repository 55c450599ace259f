"""The jitter that shots tell and the lengths that gates see, as lines and for JSON."""

from typing import Any

from chrono.health.timing import blocking_text, hidden_text, jitter_advice, timing_text
from chrono.measuring.timing import Blocking, Timing
from chrono.reports.physical import filled
from chrono.reports.statistics import Detail, detail


def timing_lines(timing: Timing | None) -> list[str]:
    """Return the jitter by the shots beside the rig's, and what to state in its place."""
    if timing is None:
        return []
    lines = filled(f"jitter of an edge by the shots: {timing_text(timing)}")
    if timing.states_too_little:
        lines += filled(f"the rig states too little: {jitter_advice(timing)}", 4)
    return lines + (filled(hidden_text(timing), 4) if hidden_text(timing) else [])


def blocking_details(blocking: Blocking | None) -> list[Detail]:
    """Return the length that each gate sees, none where it is not known."""
    return detail("body", blocking_text(blocking)) if blocking else []


def timing_data(timing: Timing | None) -> dict[str, Any] | None:
    """Return the jitter as an object for JSON, in SI; None where the shots do not tell it."""
    if timing is None:
        return None
    return {
        "shots": timing.shots,
        "dof": timing.dof,
        "jitter_s": timing.jitter_s,
        "jitter_low_s": timing.low_s,
        "jitter_high_s": timing.high_s,
        "stated_jitter_s": timing.stated_s,
        "chords_s": timing.chords_s,
        "states_too_little": timing.states_too_little,
    }


def blocking_data(blocking: Blocking | None) -> dict[str, Any]:
    """Return the lengths as keys of an object for JSON [m], None where not known."""
    return {
        "length_at_a_m": blocking.at_a_m if blocking else None,
        "length_at_b_m": blocking.at_b_m if blocking else None,
        "declared_length_m": blocking.declared_m if blocking else None,
    }
