"""Fast series and flickering lamps: every clean shot is found, and no lamp is taken for one.

Bodies and lamps darken the gates at true times (`lamp_light`); the counter quantises.
"""

import numpy as np
import pytest
from lamp_light import GATES, Flight, Lamp, blinks_of, gate_lines, ticking
from line_kit import RULES, UNIT_S, events, shots_of
from trial_kit import trials

from chrono.processor.shot_records import NEVER_COUNTED, EdgesUsed, Shots

DARKNESS: list[np.ndarray] = [np.zeros((0, 2)) for _ in GATES]
BLINK_TOLERANCE = 0.1
"""Blinks that jitter hide edges up to this part of a period beside them, too."""


def found(shots: Shots, flights: list[Flight]) -> tuple[set[int], int]:
    """Return which flights were counted with their transit, and how many false shots were."""
    counted = shots[(shots["used"] > 0) & (shots["flags"] & int(NEVER_COUNTED) == 0)]
    right, false = set[int](), 0
    for shot in counted:
        lead, trail = int(shot["lead"]) * UNIT_S, int(shot["trail"]) * UNIT_S
        transit_s = {EdgesUsed.BOTH: (lead + trail) / 2, EdgesUsed.LEAD: lead}.get(
            EdgesUsed(shot["used"]), trail
        )
        own = [
            place
            for place, flight in enumerate(flights)
            if abs(flight.at_s - shot["key"] * UNIT_S) < 0.02
            and abs(flight.transit_s - transit_s) < 2 * UNIT_S
        ]
        right |= set(own)
        false += not own
    return right, false


@pytest.mark.parametrize(("speed_mps", "shortest_s"), [(30.0, 0.03), (3.0, 0.15)])
@trials(0.05, 0.005, "step_s")
def test_twenty_shots_at_any_period_are_found(
    speed_mps: float, shortest_s: float, step_s: float
) -> None:
    for period_s in np.arange(shortest_s, 1.0 + step_s / 2, step_s):
        flights = [Flight(1.0 + place * period_s, speed_mps) for place in range(20)]
        lines = [*gate_lines(flights, DARKNESS), *ticking(flights[-1].at_s + 1)]
        shots = shots_of(events(lines))
        assert found(shots, flights) == (set(range(20)), 0), period_s
        assert not shots["flags"].any()
        assert len(shots) == 20


def series(rng: np.random.Generator, count: int) -> list[Flight]:
    """Return bodies at nearly one speed and period, some of them while lamps are on."""
    speed_mps = float(np.exp(rng.uniform(np.log(3.3), np.log(100.0))))
    period_s = max(float(rng.choice([0.05, 0.1, 0.2, 0.5])), 0.34 / speed_mps + 0.05)
    start_s = 1.5 + rng.uniform(0, 0.2)
    return [
        Flight(
            start_s + place * period_s + rng.uniform(0, 3e-3),
            speed_mps * float(rng.uniform(0.98, 1.02)),
        )
        for place in range(count)
    ]


@trials(60, 1200)
def test_lamps_make_no_shots_and_hide_none_that_is_clear_of_them(count: int) -> None:
    rng = np.random.default_rng(220)
    clear = clear_and_found = false = missed = alone = 0
    for _ in range(count):
        hertz, jitter = float(rng.choice([100.0, 120.0])), float(rng.choice([0, 0, 0.005]))
        begins_s = 2.0 + rng.uniform(0, 1 / hertz, 2)
        lamps = [
            Lamp(gate, hertz, float(rng.uniform(0.05, 0.6)), begins_s[gate], 5.0, jitter)
            for gate in ((0,), (1,), (0, 1))[rng.integers(3)]
        ]
        blinks = blinks_of(lamps, rng)
        flights = series(rng, 0 if rng.random() < 0.2 else 20)
        end_s = max([6.0, *(flight.at_s + 1 for flight in flights)])
        shots = shots_of(events([*gate_lines(flights, blinks), *ticking(end_s)]))
        right, wrong = found(shots, flights)
        margin_s = max(RULES.quiet_s, bool(jitter) * BLINK_TOLERANCE / hertz) + 2 * UNIT_S
        is_clear = {i for i, x in enumerate(flights) if x.is_clear_of(blinks, margin_s)}
        false += wrong
        clear += len(is_clear)
        clear_and_found += len(is_clear & right)
        missed += bool(is_clear - right)
        alone += not flights and len(shots) > 0
    assert not false
    assert not alone, "a lamp alone shows no shot at all"
    assert clear > 10 * count / 2
    assert clear_and_found >= 0.997 * clear, "what meets the first blink may be in its step"
