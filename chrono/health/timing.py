"""What the shots tell of timing and bodies, as items of the health."""

from collections.abc import Mapping
from dataclasses import replace

from chrono.health.readiness import Readiness, ReadinessItem
from chrono.measuring.timing_jitter import BlockedLengths, TimingJitter
from chrono.processor.passage_pairing import LENGTH_TOLERANCE
from chrono.safe_text import plain
from chrono.units import format_value


def with_shots(
    health: Readiness, timing: TimingJitter | None, lengths: Mapping[str, BlockedLengths]
) -> Readiness:
    """
    Return a health with what the shots tell added.

    Parameters
    ----------
    health : Readiness
    timing : TimingJitter or None
        None where they do not tell it.
    lengths : mapping of str to BlockedLengths
        What the gates saw of each setup's bodies, by the setup's name.
    """
    items = [*health.items]
    if timing is not None:
        items.append(_jitter(timing))
    items += [_length(name, blocking) for name, blocking in lengths.items()]
    return replace(health, items=tuple(items), timing=timing, lengths=dict(lengths))


def _jitter(timing: TimingJitter) -> ReadinessItem:
    reading = timing_text(timing)
    if not timing.states_too_little:
        return ReadinessItem("jitter", reading)
    return ReadinessItem(
        "jitter",
        reading,
        f"edges scatter by {microseconds(timing.jitter_s)} µs, "
        f"the rig states {microseconds(timing.stated_s)} µs",
        jitter_advice(timing),
    )


def _length(name: str, blocking: BlockedLengths) -> ReadinessItem:
    reading = blocking_text(blocking) + (f" ({plain(name)})" if name else "")
    if not blocking.is_off(LENGTH_TOLERANCE):
        return ReadinessItem("body", reading)
    return ReadinessItem(
        "body",
        reading,
        "bodies block the gates for another length than declared",
        "check body.length and gates.spacing in the rig, and the alignment of both beams",
    )


def microseconds(seconds: float) -> str:
    """Return a time to two digits, without its unit."""
    return f"{1e6 * seconds:.2g}"


def timing_text(timing: TimingJitter) -> str:
    """Return what the shots tell of the jitter, beside what the rig states."""
    rig = f"the rig states {microseconds(timing.stated_s)} µs"
    dof = f"{timing.dof} degrees of freedom"
    if timing.is_upper_limit:
        return f"at most {microseconds(timing.high_s)} µs, {dof}; {rig}"
    span = f"({microseconds(timing.low_s)} … {microseconds(timing.high_s)})"
    return f"{microseconds(timing.jitter_s)} µs {span}, {dof}; {rig}"


def hidden_text(timing: TimingJitter) -> str:
    """Return what else may scatter so, empty where the rig's jitter explains it."""
    suspected = timing.scatters_more and timing.chords_s > timing.stated_s
    if not timing.is_upper_limit or not suspected:
        return ""
    return (
        "that is more than the rig states, but bodies that cross the beams off their middle "
        f"scatter edges too, by {microseconds(timing.chords_s)} µs where gates.off_centre is "
        "right: a flat rod, or a smaller off_centre where the aim is better, tells more"
    )


def jitter_advice(timing: TimingJitter) -> str:
    """Return what to state where the rig states too little."""
    return f'state clock.jitter = "{microseconds(timing.high_s)} us" in the rig'


def blocking_text(blocking: BlockedLengths) -> str:
    """Return the length that each gate sees, beside the declared one."""
    seen = lengths_text(1e3 * blocking.at_a_m, 1e3 * blocking.at_b_m)
    return f"{seen}, declared {1e3 * blocking.declared_m:.4g} mm"


def lengths_text(at_a_mm: float, at_b_mm: float) -> str:
    """Return what each gate sees of a body, a dash where it does not."""
    at_a, at_b = (format_value(mm, abs(mm) / 100) for mm in (at_a_mm, at_b_mm))
    return f"{at_a} mm at A, {at_b} mm at B"
