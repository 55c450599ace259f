"""Judge how well each beam meets its sensor: compare its light with both thresholds.

Recordings do not contain these levels. A board sends its present levels only on request. The
limits are valid for the gate in `firmware_notes/gate.md`.
"""

from collections import deque
from collections.abc import Sequence
from dataclasses import dataclass
from enum import Enum

from chrono.reader.line_grammar import GateLevels, SensorLevels

LEAST_LIGHT_V = 0.8
"""With less light, the offset and noise of the comparator matter [V] (gate.md, R2)."""

MOST_LIGHT_V = 2.5
"""More light comes near to 3 V, where the range of an LM393 at 5 V ends [V] (gate.md, R2)."""

TRIP_SHARE = 0.45
"""Share of a clear beam's light at which a gate should trip (gate.md, RV1)."""

TRIP_SHARE_OFF = 0.05
"""Allowed deviation from this share. With a slit of 2 mm it is a tenth of a millimetre, half of
the default `trip_tolerance` of a rig."""

STRAY_SHARE = 0.10
"""Share of a clear beam's light that may reach the sensor of a blocked beam (gate.md)."""

LOWEST_V, HIGHEST_V = 0.05, 2.6
"""A little more than R3 and RV1 can make of 5 V [V]. Above this, no trimmer is connected."""

DISAGREES_AFTER = 3
"""After this many contradictions in a row, the cause is not a moment between two edges."""

BEST_WITHIN_S = 20.0
"""Time for which the largest light is remembered, so that the user can turn back to it [s]."""


class AlignmentVerdict(Enum):
    """The verdict on one beam."""

    GOOD = "good"
    DIM = "dim"
    BRIGHT = "bright"
    TRIPS_EARLY = "trips early"
    """A small loss of light already trips the gate."""
    TRIPS_LATE = "trips late"
    BLOCKED = "blocked"
    STRAY = "stray"
    """The gate is blocked, but light arrives."""
    UNCLEAR = "unclear"
    """The light is between the thresholds: the gate keeps its last state."""
    NO_TRIMMER = "no trimmer"
    CONTRADICTION = "contradiction"
    """The output of the gate contradicts its light."""


@dataclass(frozen=True)
class GateAlignment:
    """
    The present state of one beam.

    Attributes
    ----------
    name : str
        Name of the gate, "A" or "B".
    levels : GateLevels
        Light and thresholds [V].
    best_v : float
        The most light of the last seconds [V].
    verdict : AlignmentVerdict
    """

    name: str
    levels: GateLevels
    best_v: float
    verdict: AlignmentVerdict

    @property
    def margin(self) -> float:
        """Share of the light that can be lost before the gate trips; 0 if it is not clear."""
        light = self.levels.light_v
        return max(1.0 - self.levels.lower_v / light, 0.0) if light > 0.0 else 0.0

    @property
    def trip_share(self) -> float:
        """Share of the light that is left when the gate trips; at most 1."""
        return 1.0 - self.margin


class AlignmentMonitor:
    """Follows the levels of both gates while they are shown."""

    def __init__(self) -> None:
        self._seen: tuple[deque[tuple[int, float]], ...] = (deque(), deque())
        self._contradictions = [0, 0]
        self._before: SensorLevels | None = None

    def follow(
        self, levels: SensorLevels, blocked: Sequence[bool | None], now_us: int
    ) -> tuple[GateAlignment, GateAlignment]:
        """
        Take the levels of this moment; return the state of both beams.

        Parameters
        ----------
        levels : SensorLevels
            The levels; they may be the same as in the call before.
        blocked : sequence of bool or None
            Output of each gate; None if it is not known.
        now_us : int
            Host's clock [us].
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
    """Return the verdict on a beam by its levels alone."""
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
"""Time from one sound to the next for a beam that only just clears its gate, and for a good
beam [s]."""


def tone_period_s(gate: GateAlignment) -> float | None:
    """
    Return the time from one sound to the next [s]; None for silence.

    More margin gives faster sounds. A gate that is not clear makes no sound.
    """
    if gate.levels.light_v <= gate.levels.upper_v:
        return None
    good = 1.0 - TRIP_SHARE
    done = min(gate.margin / good, 1.0)
    return TONE_SLOWEST_S + done * (TONE_FASTEST_S - TONE_SLOWEST_S)


class Tone:
    """Decides when to sound, for the gate that is being aligned."""

    def __init__(self, gate: str = "") -> None:
        self.gate = gate
        """The gate, A or B; empty for silence."""
        self._sounded_s = float("-inf")

    def turn_on(self) -> None:
        """Select the next gate; after the last gate select silence."""
        self.gate = {"": "A", "A": "B"}.get(self.gate, "")

    def is_due(self, gates: Sequence[GateAlignment], now_s: float) -> bool:
        """
        Return True if it is time for a sound; the next sound is then counted from now.

        Parameters
        ----------
        gates : sequence of GateAlignment
            Both gates; empty for silence.
        now_s : float
            A running time [s]; only differences are used.
        """
        period_s = next((tone_period_s(gate) for gate in gates if gate.name == self.gate), None)
        # Sound a little early: the next look would be too late.
        if period_s is None or now_s - self._sounded_s < period_s - 0.01:
            return False
        self._sounded_s = now_s
        return True
