"""Bodies that fly together and overtake each other: whose edges make the speeds that count?"""

from collections.abc import Callable

import numpy as np
import pytest
from flying_company import Company, from_muzzle, that_meet
from line_kit import RULES, UNIT_S, Line, beats, events, shots_of

from chrono.processor.pipeline import Rules
from chrono.processor.shot_records import NEVER_COUNTED, EdgesUsed

Draw = Callable[[np.random.Generator, float, float, float], Company]

RIGS = {
    "40 mm in 300 mm": (0.3, 0.04, 2.0),
    "20 mm in 150 mm": (0.15, 0.02, 2.0),
    "40 mm in 600 mm": (0.6, 0.04, 3.5),
    "70 mm in 500 mm": (0.5, 0.07, 2.0),
    "8 mm in 300 mm": (0.3, 0.008, 2.0),
}
"""Spacing and length of the body [m], slowest speed [m/s]."""
LAUNCHES = 700
APART_S = 1.7
"""Between launches: more than the slowest transit, a launch and all that lasts."""
TOLERANCE = 0.005


def _rules(rig: str) -> Rules:
    spacing_m, length_m, slowest_mps = RIGS[rig]
    return Rules(
        RULES.unit_s, RULES.counter_bits, spacing_m, slowest_mps, 200.0, RULES.quiet_s, length_m
    )


def _session(
    rules: Rules, draw: Draw, seed: int
) -> tuple[list[Company], list[tuple[int, float]]]:
    """Return launches drawn, and each counted shot with the place of its launch."""
    rng, at_s = np.random.default_rng(seed), 2.0
    launches, starts, lines = [], [], list[Line]()
    low, high = np.log(2.5 * rules.slowest_mps), np.log(100.0)
    for _ in range(LAUNCHES):
        speed = float(np.exp(rng.uniform(low, high)))
        launches.append(draw(rng, rules.spacing_m, rules.body_length_m, speed))
        starts.append(at_s)
        lines += launches[-1].lines(rules.spacing_m, at_s)
        at_s = lines[-1].at_s + APART_S + float(rng.uniform())
    shots = shots_of(events([*lines, *beats(int(at_s) + 2)]), rules=rules)
    counted = shots[(shots["used"] > 0) & (shots["flags"] & int(NEVER_COUNTED) == 0)]
    owner = np.searchsorted(np.array(starts) - 0.1, counted["key"] * UNIT_S) - 1
    return launches, [
        (int(place), rules.spacing_m / (_transit(shot) * UNIT_S))
        for place, shot in zip(owner, counted, strict=True)
    ]


def _transit(shot: np.void) -> float:
    lead, trail = int(shot["lead"]), int(shot["trail"])
    used = EdgesUsed(shot["used"])
    return {EdgesUsed.BOTH: (lead + trail) / 2, EdgesUsed.LEAD: lead, EdgesUsed.TRAIL: trail}[
        used
    ]


@pytest.mark.parametrize("rig", RIGS)
@pytest.mark.parametrize(
    ("draw", "apart", "right", "wrong"),
    [(from_muzzle, 0.7, 0.86, 0.004), (that_meet, 0.1, 0.7, 0.02)],
)
def test_of_bodies_seen_apart_hardly_a_speed_is_made_of_two(
    rig: str, draw: Draw, apart: float, right: float, wrong: float
) -> None:
    """No rule tells bodies from each other that all fit within a tenth of a length."""
    rules = _rules(rig)
    launches, counted = _session(rules, draw, 20270)
    is_apart = [each.are_apart(rules.spacing_m, 1.5 * rules.quiet_s) for each in launches]
    off = [
        np.abs(speed / launches[place].speeds(rules.spacing_m / 2) - 1)
        for place, speed in counted
        if is_apart[place]
    ]
    assert np.mean(is_apart) > apart
    assert sum(each[0] < TOLERANCE for each in off) > right * sum(is_apart)
    assert sum(each.min() > TOLERANCE for each in off) <= wrong * sum(is_apart)
