"""Write sentences about the rate of the counter, which the program computes from the beats."""

from __future__ import annotations

from typing import TYPE_CHECKING

from chrono.units import format_value

if TYPE_CHECKING:
    from chrono.clock.clock_rate import ClockEstimate
    from chrono.session.session import Session

CREEP_S = 20e-3
"""If a delay grows by this time, the report states the false error of the counter's rate."""


def rate_text(estimate: ClockEstimate) -> str:
    """Return the error of the counter's rate with ± (95 %), such as ``120 ± 15 ppm slow``."""
    error, u95 = estimate.rate_error * 1e6, estimate.U95 * 1e6
    return (
        f"{format_value(abs(error), u95)} ± {format_value(u95, u95)} ppm "
        f"{'fast' if error >= 0 else 'slow'}"
    )


def clock_report(estimate: ClockEstimate) -> tuple[str, ...]:
    """Return the measured rate of the counter, with its uncertainty, as lines for the user."""
    parts = ", ".join(
        f"{part.name} {part.u_out * 1e6:.2f} ppm" for part in estimate.uncertainty.contributions
    )
    return (
        f"the counter runs {rate_text(estimate)} (95 % coverage)",
        beats_text(estimate),
        f"standard uncertainties: {parts}",
        *rate_notes(estimate),
        "if the delay of the connection grows slowly, the ± is too small: "
        f"{CREEP_S * 1e3:.0f} ms more delay at the end causes an error of "
        f"{CREEP_S / estimate.span_s * 1e6:.0f} ppm; if in doubt, repeat the measurement on "
        "another port or computer",
    )


def beats_text(estimate: ClockEstimate) -> str:
    """Return as text: the number of beats, their time span, and the parts without a gap."""
    stretches = f"{estimate.segments} part{'' if estimate.segments == 1 else 's'} without a gap"
    return f"from {estimate.beats} beats in {estimate.span_s:.0f} s ({stretches})"


def rate_notes(estimate: ClockEstimate) -> tuple[str, ...]:
    """Return notes for the user about the measured rate of the counter."""
    notes = []
    if estimate.steps_s:
        notes.append(
            "beats that follow each other have similar delays, perhaps because the port "
            f"delivers data at fixed intervals (spread {estimate.steps_s * 1e3:.0f} ms): this "
            "makes the uncertainty larger"
        )
    if estimate.wanders:
        notes.append("the delays of the beats drift: this makes the uncertainty larger")
    if estimate.narrows:
        notes.append("a longer recording makes the uncertainty smaller")
    return tuple(notes)


def remeasured_words(session: Session) -> str:
    """Return a sentence: which clock rate did the program use to compute all shots again?"""
    rate = session.host_rate
    if rate is None:
        return "All shots were computed again with the clock rate that the rig states."
    return (
        f"All shots were computed again. Compared with the computer's clock, the counter runs "
        f"{rate_text(rate)}."
    )
