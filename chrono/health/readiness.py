"""Whether the gates are ready: what was observed, judged item by item.

`Observation` holds plain numbers about a stretch of watching. `judge_readiness` turns it into a
`Readiness` with one line per item, a verdict, and what to do about each trouble. Knows nothing
of ports and screens.
"""

from dataclasses import dataclass, field
from math import floor, inf, isfinite, log10

from chrono.clock.clock_rate import ClockEstimate
from chrono.measuring.timing_jitter import BlockedLengths, TimingJitter

BLOCKED_LIMIT_S = 3.0
"""No body and no passer-by blocks a gate for longer."""

NOISE_PER_MIN = 6.0
"""Lone spikes a minute and gate: at this rate one shot in 150 at 5 m/s meets one."""

CHATTER_PER_MIN = 6.0
LOST_SHARE = 1e-3
"""Lost or damaged lines; a shot has four, so one shot in 250 would be touched."""

FIRST_DAMAGED = 1
"""A port opened in the middle of a line begins with a damaged one."""

FEW_SHOTS = 3
"""So many shots that bounced, and that did not, are needed to speak of chance."""

BEAT_LIMIT_S = 2.5
"""The board sends a beat a second: two in a row are missing."""


@dataclass(frozen=True)
class GateObservation:
    """
    What was seen of one gate.

    Attributes
    ----------
    blocked : bool or None
        Its level now, None while no line has said it.
    blocked_for_s : float
        For how long it has been blocked without a break [s], 0 if it is clear.
    flicker_hz : float
        Frequency of periodic tripping [Hz], 0 without.
    flicker_duty : float
        Blocked part of the period, 0 … 1.
    noise : int
        Lone passages shorter than the fastest body of the rig could make.
    chatter : int
        Times the gate tripped again within the quiet time.
    """

    blocked: bool | None = None
    blocked_for_s: float = 0.0
    flicker_hz: float = 0.0
    flicker_duty: float = 0.0
    noise: int = 0
    chatter: int = 0


@dataclass(frozen=True)
class Observation:
    """
    What was observed in `span_s` seconds of watching.

    Attributes
    ----------
    span_s : float
        Length of the stretch [s].
    gates : tuple of two GateObservation
        Gates A and B.
    lines, damaged, lost_lines, board_lost, restarts : int
        Lines that arrived, those of them unusable, numbers missing in their sequence, edges
        the board dropped, restarts of the board.
    has_beats : bool
        Whether this kind of lines has beats and sequence numbers.
    silence_s : float
        Longest time without a beat [s].
    clock : ClockEstimate or None
        Rate of the counter where it is known.
    rate_error, rate_tolerance : float
        What the rig says of that rate, relative, and the half-width that it allows; infinite
        where the rate is taken from the beats themselves.
    timed, bounced : int
        The last shots with a transit, and those of them of which an edge bounced.
    bounce_s : float
        Standard uncertainty of one edge's time in the median of these [s], 0 without them.
    jitter_s : float
        Standard deviation of one edge's time that the rig states [s].
    """

    span_s: float
    gates: tuple[GateObservation, GateObservation] = (GateObservation(), GateObservation())
    lines: int = 0
    damaged: int = 0
    lost_lines: int = 0
    board_lost: int = 0
    restarts: int = 0
    has_beats: bool = True
    silence_s: float = 0.0
    clock: ClockEstimate | None = None
    rate_error: float = 0.0
    rate_tolerance: float = 50e-6
    timed: int = 0
    bounced: int = 0
    bounce_s: float = 0.0
    jitter_s: float = inf


@dataclass(frozen=True)
class ReadinessItem:
    """One line of the health: what is looked at, its reading, what is wrong, what to do."""

    name: str
    reading: str
    trouble: str = ""
    """A reason for not being ready, empty if all is well."""
    advice: str = ""


@dataclass(frozen=True)
class Readiness:
    """All items in order; ready if none has a trouble."""

    items: tuple[ReadinessItem, ...]
    timing: TimingJitter | None = None
    """What the shots tell of the jitter, where they do."""
    lengths: dict[str, BlockedLengths] = field(default_factory=dict)
    """What the gates saw of the bodies, by setup."""

    @property
    def ready(self) -> bool:
        """Whether nothing stands against clocking."""
        return not self.troubles

    @property
    def troubles(self) -> tuple[ReadinessItem, ...]:
        """The items that stand against it."""
        return tuple(item for item in self.items if item.trouble)

    @property
    def verdict(self) -> str:
        """`ready`, or `not ready because` with all reasons."""
        reasons = "; ".join(item.trouble for item in self.troubles)
        return f"not ready because {reasons}" if reasons else "ready"


def judge_readiness(seen: Observation) -> Readiness:
    """Return the health of the gates, the link and the clock from what was observed."""
    if not seen.lines:
        return Readiness((_nothing_came(seen),))
    gates = (
        item
        for name, gate in zip("AB", seen.gates, strict=True)
        for item in _gate_items(name, gate, seen.span_s)
    )
    link = (_lines(seen), _board(seen), _beats(seen)) if seen.has_beats else (_lines(seen),)
    return Readiness((*gates, *link, _clock(seen), _bounce(seen)))


def _nothing_came(seen: Observation) -> ReadinessItem:
    return ReadinessItem(
        "link",
        f"no line in {seen.span_s:.0f} s",
        "no line has come from the board",
        "check the port, the baud rate, the board's power, and the rig's kind of lines",
    )


def _gate_items(name: str, gate: GateObservation, span_s: float) -> tuple[ReadinessItem, ...]:
    return (
        _beam(name, gate),
        _flicker(name, gate),
        _rate(
            f"noise {name}",
            gate.noise,
            span_s,
            NOISE_PER_MIN,
            f"gate {name} trips on its own",
            f"shade gate {name}, keep cables and motors away from its sensor, lower its gain",
        ),
        _rate(
            f"chatter {name}",
            gate.chatter,
            span_s,
            CHATTER_PER_MIN,
            f"gate {name} chatters at its threshold",
            f"give the comparator of gate {name} more hysteresis, or raise window.quiet",
        ),
    )


def _beam(name: str, gate: GateObservation) -> ReadinessItem:
    label = f"beam {name}"
    if gate.blocked is None:
        return ReadinessItem(label, "not known yet")
    if not gate.blocked:
        return ReadinessItem(label, "clear")
    reading = f"blocked for {gate.blocked_for_s:.1f} s"
    if gate.blocked_for_s <= BLOCKED_LIMIT_S:
        return ReadinessItem(label, reading)
    return ReadinessItem(
        label,
        reading,
        f"gate {name} is blocked",
        f"align the lamp and the sensor of gate {name}, look for an obstacle or sunlight",
    )


def _flicker(name: str, gate: GateObservation) -> ReadinessItem:
    if not gate.flicker_hz:
        return ReadinessItem(f"flicker {name}", "none")
    hertz = f"{gate.flicker_hz:.0f} Hz"
    return ReadinessItem(
        f"flicker {name}",
        f"{hertz}, blocked {100 * gate.flicker_duty:.0f} % of the time",
        f"a lamp makes gate {name} flicker at {hertz}",
        f"switch off or screen the lamp that shines on gate {name}, or feed it direct current",
    )


def _rate(
    label: str, count: int, span_s: float, limit: float, trouble: str, advice: str
) -> ReadinessItem:
    """Judge events a minute; one alone is no rate."""
    per_min = 60 * count / span_s if span_s > 0 else 0.0
    reading = f"{count} in {span_s:.0f} s" if count else "none"
    if count < 2 or per_min <= limit:
        return ReadinessItem(label, reading)
    return ReadinessItem(label, reading, f"{trouble} ({per_min:.0f} a minute)", advice)


def _bounce(seen: Observation) -> ReadinessItem:
    """Judge whether shots that bounced by chance tell of noise that the others hide."""
    if not seen.bounced and all(gate.blocked is None for gate in seen.gates):
        return ReadinessItem("bounce", "not told by lines without a level")
    if not seen.bounced:
        return ReadinessItem(
            "bounce", f"none in {_shots(seen.timed)}" if seen.timed else "no shots"
        )
    reading = f"in {seen.bounced} of {_shots(seen.timed)}"
    hidden = seen.timed - seen.bounced
    wanted_s = _rounded_up(seen.bounce_s)
    if min(seen.bounced, hidden) < FEW_SHOTS or seen.bounce_s <= seen.jitter_s:
        return ReadinessItem("bounce", reading)
    return ReadinessItem(
        "bounce",
        reading,
        f"{_shots(hidden)} met that noise without a bounce, and the rig's jitter is too small "
        "for it",
        f'state jitter = "{wanted_s * 1e6:g} us" under [clock], or give the comparators more '
        "hysteresis",
    )


def _shots(count: int) -> str:
    return "1 shot" if count == 1 else f"{count} shots"


def _rounded_up(value: float) -> float:
    """Return the next number with two digits."""
    step = 10.0 ** (floor(log10(value)) - 1)
    return -floor(-value / step + 1e-9) * step


def _lines(seen: Observation) -> ReadinessItem:
    when = f"in the last {seen.span_s:.0f} s"
    reading = f"{seen.lines} {when}, {seen.damaged} damaged, {seen.lost_lines} lost"
    bad = max(seen.damaged, seen.lost_lines)
    if bad <= FIRST_DAMAGED or bad <= LOST_SHARE * seen.lines:
        return ReadinessItem("lines", reading)
    share = 100 * bad / max(seen.lines, bad)
    return ReadinessItem(
        "lines",
        reading,
        f"{share:.1f} % of the lines are damaged or lost",
        "check the cable, the ground, the baud rate on both sides, and the rig's kind of lines",
    )


def _board(seen: Observation) -> ReadinessItem:
    reading = f"{seen.board_lost} edges dropped, {seen.restarts} restarts"
    if seen.board_lost:
        return ReadinessItem(
            "board",
            reading,
            f"the board dropped {seen.board_lost} edges",
            "remove what trips the gates so often, or use a faster baud rate",
        )
    if seen.restarts:
        return ReadinessItem(
            "board",
            reading,
            f"the board restarted {_times(seen.restarts)}",
            "check the board's supply and its reset line",
        )
    return ReadinessItem("board", reading)


def _beats(seen: Observation) -> ReadinessItem:
    reading = f"longest silence {seen.silence_s:.1f} s"
    if seen.silence_s <= BEAT_LIMIT_S:
        return ReadinessItem("beats", reading)
    return ReadinessItem(
        "beats",
        reading,
        f"the board was silent for {seen.silence_s:.1f} s",
        "check that the firmware sends its beat each second and that the link is alive",
    )


def _clock(seen: Observation) -> ReadinessItem:
    if not seen.has_beats:
        return ReadinessItem("clock", "rate not known: lines of this kind bring no beats")
    if seen.clock is None or not isfinite(seen.clock.U95):
        return ReadinessItem("clock", "rate not known: it needs some minutes of beats")
    error, allowed = seen.clock.rate_error, seen.rate_tolerance
    reading = f"rate error {1e6 * error:+.0f} ± {1e6 * seen.clock.U95:.0f} ppm"
    off = error - seen.rate_error
    if abs(off) <= allowed + seen.clock.U95:
        return ReadinessItem("clock", reading)
    return ReadinessItem(
        "clock",
        reading,
        f"the counter's rate is off by {1e6 * off:+.0f} ppm, the rig allows"
        f" ± {1e6 * allowed:.0f} ppm",
        "run chrono calibrate clock, or state the clock.rate_tolerance of this board",
    )


def _times(count: int) -> str:
    return "once" if count == 1 else f"{count} times"
