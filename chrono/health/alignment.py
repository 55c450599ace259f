"""Judge how well each light beam hits its sensor.

The module compares the light level at the sensor with the two thresholds of the gate.
Recordings do not contain light levels. A board sends light levels only if the program requests
them. The limits in this module are valid for the gate that `firmware_notes/gate.md` describes.
"""

from collections import deque
from collections.abc import Sequence
from dataclasses import dataclass
from enum import Enum

from chrono.reader.line_grammar import GateLevels, SensorLevels

LEAST_LIGHT_V = 0.8
"""Smallest light level of a good beam [V]. With less light, the offset and the noise of the
comparator matter (gate.md, R2)."""

MOST_LIGHT_V = 2.5
"""Largest light level of a good beam [V]. The range of an LM393 at 5 V ends at 3 V (gate.md,
R2)."""

TRIP_SHARE = 0.45
"""A gate should trip when this fraction of a clear beam's light is left (gate.md, RV1)."""

TRIP_SHARE_OFF = 0.05
"""Allowed deviation from `TRIP_SHARE`. With a slit of 2 mm, this deviation shifts the place
where a gate trips by 0.1 mm. This is half of the default `trip_tolerance` of a rig."""

STRAY_SHARE = 0.10
"""If a beam is blocked, at most this fraction of its light may reach the sensor (gate.md)."""

LOWEST_V, HIGHEST_V = 0.05, 2.6
"""Lowest and highest threshold of a gate with a trimmer [V]. The highest value is a little more
than R3 and RV1 can give at 5 V. If the threshold is outside, no trimmer is connected."""

DISAGREES_AFTER = 3
"""Report a contradiction only after this many contradicting readings in a row. A single reading
may contradict because the gate is just changing its state."""

BEST_WITHIN_S = 20.0
"""Time for which the largest light level is remembered [s]. The user can then turn the sensor
back to this level."""


class AlignmentVerdict(Enum):
    """The result of the alignment check of one light beam."""

    GOOD = "good"
    DIM = "dim"
    BRIGHT = "bright"
    TRIPS_EARLY = "trips early"
    """A small loss of light already trips the gate."""
    TRIPS_LATE = "trips late"
    BLOCKED = "blocked"
    STRAY = "stray"
    """The beam is blocked, but light still reaches the sensor."""
    UNCLEAR = "unclear"
    """The light level is between the two thresholds, so the gate keeps its last state."""
    NO_TRIMMER = "no trimmer"
    CONTRADICTION = "contradiction"
    """The output of the gate does not agree with the light level at its sensor."""


@dataclass(frozen=True)
class GateAlignment:
    """
    The present alignment of one light beam with its sensor.

    Attributes
    ----------
    name : str
        Name of the gate, "A" or "B".
    levels : GateLevels
        Light level at the sensor, and the thresholds of the gate [V].
    best_v : float
        Largest light level of the last seconds [V].
    verdict : AlignmentVerdict
    """

    name: str
    levels: GateLevels
    best_v: float
    verdict: AlignmentVerdict

    @property
    def margin(self) -> float:
        """Fraction of the light that the beam can lose before the gate trips; never below 0."""
        light = self.levels.light_v
        return max(1.0 - self.levels.lower_v / light, 0.0) if light > 0.0 else 0.0

    @property
    def trip_share(self) -> float:
        """Fraction of the light that reaches the sensor when the gate trips; at most 1."""
        return 1.0 - self.margin


class AlignmentMonitor:
    """Watches the light levels of both gates while a screen shows these levels."""

    def __init__(self) -> None:
        self._seen: tuple[deque[tuple[int, float]], ...] = (deque(), deque())
        self._contradictions = [0, 0]
        self._before: SensorLevels | None = None

    def follow(
        self, levels: SensorLevels, blocked: Sequence[bool | None], now_us: int
    ) -> tuple[GateAlignment, GateAlignment]:
        """
        Return the alignment of both beams, computed from the light levels.

        Parameters
        ----------
        levels : SensorLevels
            The light levels. They may be the same object as in the previous call.
        blocked : sequence of bool or None
            For each gate, True if its output reports a blocked beam; None if unknown.
        now_us : int
            Present time on the computer's clock [us].
        """
        is_news = levels is not self._before
        self._before = levels
        a, b = (self._gate(n, levels[n], blocked[n], now_us, is_news=is_news) for n in range(2))
        return a, b

    def _gate(
        self, n: int, levels: GateLevels, blocked: bool | None, now_us: int, *, is_news: bool
    ) -> GateAlignment:
        if is_news:
            self._seen[n].append((now_us, levels.light_v))
            contradicts = _contradicts(levels, blocked)
            self._contradictions[n] = self._contradictions[n] + 1 if contradicts else 0
        while self._seen[n] and now_us - self._seen[n][0][0] > BEST_WITHIN_S * 1e6:
            self._seen[n].popleft()
        best_v = max((light_v for _, light_v in self._seen[n]), default=levels.light_v)
        if self._contradictions[n] >= DISAGREES_AFTER:
            verdict = AlignmentVerdict.CONTRADICTION
        else:
            verdict = judge_alignment(levels)
        return GateAlignment("AB"[n], levels, best_v, verdict)


def judge_alignment(levels: GateLevels) -> AlignmentVerdict:
    """Judge the alignment of a beam from its light level and the thresholds of its gate."""
    light, lower, upper = levels
    if not LOWEST_V <= lower <= HIGHEST_V:
        return AlignmentVerdict.NO_TRIMMER
    if light < lower:
        is_stray = light > STRAY_SHARE / TRIP_SHARE * lower
        return AlignmentVerdict.STRAY if is_stray else AlignmentVerdict.BLOCKED
    if light <= upper:
        return AlignmentVerdict.UNCLEAR
    if light < LEAST_LIGHT_V:
        return AlignmentVerdict.DIM
    if light > MOST_LIGHT_V:
        return AlignmentVerdict.BRIGHT
    share = lower / light
    if share > TRIP_SHARE + TRIP_SHARE_OFF:
        return AlignmentVerdict.TRIPS_EARLY
    if share < TRIP_SHARE - TRIP_SHARE_OFF:
        return AlignmentVerdict.TRIPS_LATE
    return AlignmentVerdict.GOOD


def _contradicts(levels: GateLevels, blocked: bool | None) -> bool:
    if blocked is None:
        return False
    return levels.light_v > levels.upper_v if blocked else levels.light_v < levels.lower_v


TONE_SLOWEST_S, TONE_FASTEST_S = 1.0, 0.15
"""Time between two sounds [s]: first for a beam that is only just clear, then for a beam with
good alignment."""


def tone_period_s(gate: GateAlignment) -> float | None:
    """
    Return the time between two sounds [s]; None for silence, if the beam is not clear.

    The time is shorter if the beam can lose more light before the gate trips.
    """
    if gate.levels.light_v <= gate.levels.upper_v:
        return None
    good = 1.0 - TRIP_SHARE
    done = min(gate.margin / good, 1.0)
    return TONE_SLOWEST_S + done * (TONE_FASTEST_S - TONE_SLOWEST_S)


class Tone:
    """Decides when the program makes a sound while the user aligns a gate."""

    def __init__(self, gate: str = "") -> None:
        self.gate = gate
        """The gate that the user aligns, A or B; empty for silence."""
        self._sounded_s = float("-inf")

    def turn_on(self) -> None:
        """Change the gate that makes the sound: first gate A, then gate B, then silence."""
        self.gate = {"": "A", "A": "B"}.get(self.gate, "")

    def is_due(self, gates: Sequence[GateAlignment], now_s: float) -> bool:
        """
        Return True if it is time for a sound.

        The function expects that the caller then makes this sound.

        Parameters
        ----------
        gates : sequence of GateAlignment
            The alignment of both gates; if it is empty, there is no sound.
        now_s : float
            The present time [s]. Only differences of times are used, so any clock is suitable.
        """
        period_s = next((tone_period_s(gate) for gate in gates if gate.name == self.gate), None)
        # Sound a little early, because the next call would come too late.
        if period_s is None or now_s - self._sounded_s < period_s - 0.01:
            return False
        self._sounded_s = now_s
        return True
