"""Write whether gates, link and clock are ready, and show both beams as bars for alignment."""

from collections.abc import Sequence
from dataclasses import asdict, dataclass
from math import floor, log10
from typing import Any

from chrono.health.alignment import (
    LEAST_LIGHT_V,
    MOST_LIGHT_V,
    TRIP_SHARE,
    AlignmentVerdict,
    GateAlignment,
)
from chrono.health.readiness import (
    Aspect,
    Observation,
    Readiness,
    ReadinessItem,
    judge_readiness,
)
from chrono.measuring.length_trends import LengthTrend
from chrono.measuring.timing_jitter import BlockedLengths, TimingJitter
from chrono.reports.restart_text import cause_words, restart_advice
from chrono.reports.rig_evidence_text import (
    RATE_ADVICE,
    blocking_text,
    jitter_advice,
    microseconds,
    shot_rate_advice,
    shot_rate_text,
    shot_rate_wrong,
    slope_advice,
    slope_data,
    slope_text,
    slope_wrong,
    timing_text,
    trend_advice,
    trend_data,
    trend_text,
    trend_wrong,
)
from chrono.reports.setup_words import count_text
from chrono.safe_text import plain


@dataclass(frozen=True)
class ItemText:
    """One line of the health report: item, state, problem, and advice."""

    name: str
    reading: str
    trouble: str = ""
    """The reason why the bench is not ready; empty if this item is in order."""
    advice: str = ""


@dataclass(frozen=True)
class HealthText:
    """The items of a health report, in the order in which they are shown."""

    items: tuple[ItemText, ...]

    @property
    def ready(self) -> bool:
        """True if the gates, the link and the clock are ready for measuring."""
        return not self.troubles

    @property
    def troubles(self) -> tuple[ItemText, ...]:
        """The items that make the bench not ready for measuring."""
        return tuple(item for item in self.items if item.trouble)

    @property
    def verdict(self) -> str:
        """The verdict in words: `ready`, or `not ready because` with all reasons."""
        reasons = "; ".join(item.trouble for item in self.troubles)
        return f"not ready because {reasons}" if reasons else "ready"


def health_words(health: Readiness) -> HealthText:
    """Return whether gates, link and clock are ready for measuring."""
    return HealthText(tuple(_item_text(item, health) for item in health.items))


def judged_words(seen: Observation) -> HealthText:
    """Judge whether gates, link and clock are ready for measuring."""
    return health_words(judge_readiness(seen))


def health_text(health: Readiness) -> str:
    """Return the health report: the items, the verdict and the advice, one line each."""
    told = health_words(health)
    width = max(len(item.name) for item in told.items)
    lines = [
        f"{'!' if item.trouble else ' '} {item.name:{width}s}  {item.reading}"
        for item in told.items
    ]
    advice = [f"  do: {item.advice}" for item in told.troubles]
    return "\n".join([*lines, told.verdict, *advice])


def health_line(recording: str, health: Readiness) -> str:
    """Return one line: the name of a recording, and the verdict of its health report."""
    return f"{plain(recording)}: {health_words(health).verdict}"


def health_data(health: Readiness) -> dict[str, Any]:
    """Return the items that `health_text` shows, as an object for JSON."""
    told = health_words(health)
    return {
        "ready": health.ready,
        "verdict": told.verdict,
        "items": tuple(asdict(item) for item in told.items),
        "timing": asdict(health.timing) if health.timing is not None else None,
        "slope": slope_data(health.slope),
        "trends": trend_data(health.trends),
        "lengths": {name: asdict(blocking) for name, blocking in health.lengths.items()},
    }


def _item_text(item: ReadinessItem, health: Readiness) -> ItemText:
    """Return state, problem and advice of one item of the health report."""
    match item.aspect:
        case Aspect.JITTER:
            assert health.timing is not None, "a report on the jitter needs a measured jitter"
            words = _jitter(health.timing)
        case Aspect.SLOPE:
            assert health.slope is not None, "a report on the slope needs a measured slope"
            slope = health.slope
            words = slope_text(slope), slope_wrong(slope), slope_advice(slope)
        case Aspect.GROWTH | Aspect.DRIFT:
            words = _trend(health.trend(item))
        case Aspect.CLOCK if health.rate is not None and health.rate.contradicts:
            rate = health.rate
            words = shot_rate_text(rate), shot_rate_wrong(rate), shot_rate_advice(rate)
        case Aspect.BODY:
            words = _body(item.setup, health.lengths[item.setup])
        case _:
            words = _WORDS[item.aspect](health.seen, item.gate)
    reading, trouble, advice = words
    if not item.troubled:
        return ItemText(item.name, reading)
    return ItemText(item.name, reading, trouble, advice)


def _link(seen: Observation, _: str) -> tuple[str, str, str]:
    return (
        f"no line received in {seen.span_s:.0f} s",
        "no line has come from the board",
        "check the port, the baud rate, the board's power, and the rig's key `lines`",
    )


def _beam(seen: Observation, name: str) -> tuple[str, str, str]:
    gate = seen.gate(name)
    reading = "clear" if not gate.blocked else f"blocked for {gate.blocked_for_s:.1f} s"
    return (
        "not known yet" if gate.blocked is None else reading,
        f"gate {name} is blocked",
        f"align the lamp and the sensor of gate {name}; check for an obstacle or sunlight",
    )


def _flicker(seen: Observation, name: str) -> tuple[str, str, str]:
    gate = seen.gate(name)
    hertz = f"{gate.flicker_hz:.0f} Hz"
    reading = f"{hertz}, blocked {100 * gate.flicker_duty:.0f} % of the time"
    return (
        reading if gate.flicker_hz else "none",
        f"a lamp makes gate {name} flicker at {hertz}",
        f"switch off or cover the lamp that shines on gate {name}, or use direct current for "
        "this lamp",
    )


def _noise(seen: Observation, name: str) -> tuple[str, str, str]:
    count = seen.gate(name).noise
    return (
        _count(count, seen),
        f"gate {name} trips without a body ({seen.per_min(count):.0f} times a minute)",
        f"shade gate {name}, keep cables and motors away from its sensor, and set the sensor "
        "to a smaller gain",
    )


def _chatter(seen: Observation, name: str) -> tuple[str, str, str]:
    count = seen.gate(name).chatter
    return (
        _count(count, seen),
        f"gate {name} chatters at its threshold ({seen.per_min(count):.0f} times a minute)",
        f"make the hysteresis of the comparator at gate {name} larger, or set window.quiet in "
        "the rig to a larger value",
    )


def _count(count: int, seen: Observation) -> str:
    return f"{count} in {seen.span_s:.0f} s" if count else "none"


def _lines(seen: Observation, _: str) -> tuple[str, str, str]:
    when = f"in the last {seen.span_s:.0f} s"
    share = 100 * seen.bad_lines / max(seen.lines, seen.bad_lines)
    return (
        f"{seen.lines} {when}, {seen.damaged} damaged, {seen.lost_lines} lost",
        f"{share:.1f} % of the lines are damaged or lost",
        "check the cable, its ground wire, the baud rate on both sides, and the rig's key "
        "`lines`",
    )


def _board(seen: Observation, _: str) -> tuple[str, str, str]:
    lost = count_text(seen.board_lost, "edge")
    reading = f"{lost} dropped, {count_text(seen.restarts, 'restart')}"
    if seen.board_lost:
        return (
            reading,
            f"the board dropped {lost}",
            "remove the cause of the many edges, or use a faster baud rate",
        )
    times = "once" if seen.restarts == 1 else f"{seen.restarts} times"
    causes = cause_words(seen.causes)
    return (
        f"{reading}: {causes}" if causes else reading,
        f"the board restarted {times}" + (f" ({causes})" if causes else ""),
        restart_advice(seen.causes),
    )


def _beats(seen: Observation, _: str) -> tuple[str, str, str]:
    return (
        f"longest silence {seen.silence_s:.1f} s",
        f"the board was silent for {seen.silence_s:.1f} s",
        "check that the firmware sends a beat every second, and that the link works",
    )


def _clock(seen: Observation, _: str) -> tuple[str, str, str]:
    if not seen.has_beats:
        return "counter's rate not known: this line format has no beats", "", ""
    if seen.clock is None or not seen.knows_rate:
        return "counter's rate not known: some minutes of beats are needed", "", ""
    return (
        f"rate error {1e6 * seen.clock.rate_error:+.0f} ± {1e6 * seen.clock.U95:.0f} ppm",
        f"the counter's rate is wrong by {1e6 * seen.rate_off:+.0f} ppm, but the rig states"
        f" only ± {1e6 * seen.rate_tolerance:.0f} ppm",
        RATE_ADVICE,
    )


def _bounce(seen: Observation, _: str) -> tuple[str, str, str]:
    if not seen.bounced and all(gate.blocked is None for gate in seen.gates):
        return "not known: no line says whether a gate is dark", "", ""
    timed = count_text(seen.timed, "shot")
    if not seen.bounced:
        return (f"none in {timed}" if seen.timed else "no shots"), "", ""
    return (
        f"in {seen.bounced} of {timed}",
        f"in {count_text(seen.hidden, 'shot')}, no edge bounced, but noise may shift the edges "
        "by more than the jitter in the rig",
        f'set jitter = "{_rounded_up(seen.bounce_s) * 1e6:g} us" under [clock] in the rig, or '
        "make the hysteresis of the comparators larger",
    )


def _jitter(timing: TimingJitter) -> tuple[str, str, str]:
    return (
        timing_text(timing),
        f"the times of the edges scatter by {microseconds(timing.jitter_s)} µs, "
        f"but the rig states {microseconds(timing.stated_s)} µs",
        jitter_advice(timing),
    )


def _trend(trend: LengthTrend) -> tuple[str, str, str]:
    return trend_text(trend), trend_wrong(trend), trend_advice(trend)


def _body(setup: str, blocking: BlockedLengths) -> tuple[str, str, str]:
    return (
        blocking_text(blocking) + (f" ({plain(setup)})" if setup else ""),
        "the gates measure a body length that differs from the length in the rig",
        "check body.length and gates.spacing in the rig, and the alignment of both beams",
    )


def _rounded_up(value: float) -> float:
    """Round a number upwards to two significant digits."""
    step = 10.0 ** (floor(log10(value)) - 1)
    return -floor(-value / step + 1e-9) * step


_WORDS = {
    Aspect.LINK: _link,
    Aspect.BEAM: _beam,
    Aspect.FLICKER: _flicker,
    Aspect.NOISE: _noise,
    Aspect.CHATTER: _chatter,
    Aspect.LINES: _lines,
    Aspect.BOARD: _board,
    Aspect.BEATS: _beats,
    Aspect.CLOCK: _clock,
    Aspect.BOUNCE: _bounce,
}


BAR_CELLS = 20
BAR_V = MOST_LIGHT_V
"""Voltage that a full bar shows [V]."""

_FULL, _EMPTY, _THRESHOLD = "█", "·", "|"
_EIGHTHS = " ▏▎▍▌▋▊▉"


def _percent(share: float) -> str:
    return f"{100 * share:.0f} %"


_WANTED = _percent(TRIP_SHARE)
_ADVICE = {
    AlignmentVerdict.GOOD: "good: the gate trips at {share} of full light",
    AlignmentVerdict.DIM: (f"too dim, below {LEAST_LIGHT_V:g} V: turn D1 to get a longer bar"),
    AlignmentVerdict.BRIGHT: f"too bright, above {MOST_LIGHT_V:g} V: use a smaller resistor R2",
    AlignmentVerdict.TRIPS_EARLY: (
        f"gate trips at {{share}} of full light: turn RV1 to {_WANTED}"
    ),
    AlignmentVerdict.TRIPS_LATE: (
        f"gate trips at {{share}} of full light: turn RV1 to {_WANTED}"
    ),
    AlignmentVerdict.BLOCKED: "the gate is blocked: turn D1, or take the card away",
    AlignmentVerdict.STRAY: "blocked gate still gets light: turn D1 or shade D2",
    AlignmentVerdict.UNCLEAR: "light is not clearly on: turn D1 to get more light",
    AlignmentVerdict.NO_TRIMMER: "no threshold is measured: check the wire from RV1",
    AlignmentVerdict.CONTRADICTION: "light and gate signals differ: check analog wires",
}


def alignment_lines(gates: Sequence[GateAlignment]) -> list[str]:
    """Return two lines for each gate: a bar that shows the light, and a verdict in words."""
    lines = []
    for gate in gates:
        light_v, best_v = gate.levels.light_v, gate.best_v
        lines.append(
            f"  {gate.name} {bar_text(gate)} {light_v:4.2f} V, max. {best_v:4.2f}, "
            f"margin {_percent(gate.margin)}"
        )
        lines.append(f"{_sign(gate)}   {verdict_words(gate)}")
    return lines


def verdict_words(gate: GateAlignment) -> str:
    """Return in words whether one beam is well aligned, and what the user should do."""
    return _ADVICE[gate.verdict].format(share=_percent(gate.trip_share))


def bar_text(gate: GateAlignment) -> str:
    """Return the light at a gate as a bar of characters, with a stroke at each threshold."""
    full, eighths = divmod(round(_cells(gate.levels.light_v) * 8), 8)
    cells = [_FULL] * full + [_EMPTY] * (BAR_CELLS - full)
    if eighths:
        cells[full] = _EIGHTHS[eighths]
    for threshold_v in gate.levels[1:]:
        cells[min(int(_cells(threshold_v)), BAR_CELLS - 1)] = _THRESHOLD
    return "".join(cells)


def _cells(volt: float) -> float:
    return min(max(volt / BAR_V, 0.0), 1.0) * BAR_CELLS


def _sign(gate: GateAlignment) -> str:
    return " " if gate.verdict is AlignmentVerdict.GOOD else "!"
