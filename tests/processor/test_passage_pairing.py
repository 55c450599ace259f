"""Could one body have made these two passages?"""

import math

import numpy as np
import pytest
from line_kit import RULES, UNIT_S

from chrono.processor.passage_pairing import (
    PAIR_DTYPE,
    Relation,
    compare_passages,
    use_only,
)
from chrono.processor.passages import LEAD, PASSAGE_DTYPE, TRAIL, Passages
from chrono.processor.shot_records import EdgesUsed

G_MPS2 = 9.81


def passage(gate: int, first_s: float, last_s: float) -> Passages:
    """Return one whole passage."""
    made = np.zeros(1, PASSAGE_DTYPE)
    for name, at_s in (("first", first_s), ("last", last_s)):
        made[name] = made[f"core_{name}"] = round(at_s / UNIT_S)
    made["lead_from"], made["trail_from"] = made["first"], made["last"]
    made["gate"], made["marks"] = gate, LEAD | TRAIL
    return made


def compared(transit_s: float, block_a_s: float, block_b_s: float) -> np.ndarray:
    """Compare two passages whose middles are a transit apart; nothing is declared."""
    a = passage(0, 1.0 - block_a_s / 2, 1.0 + block_a_s / 2)
    b = passage(1, 1.0 + transit_s - block_b_s / 2, 1.0 + transit_s + block_b_s / 2)
    return compare_passages(a, b, np.array([np.nan]), RULES)[0]


def fallen(path_m: float) -> float:
    """Return the time of a fall from rest [s]."""
    return math.sqrt(2 * path_m / G_MPS2)


@pytest.mark.parametrize("above_m", [0.05, 0.1, 0.3])
def test_a_ball_that_falls_through_both_gates_is_one_body(above_m: float) -> None:
    """40 mm long; its lower end is let go above gate A, gate B is 0.3 m below that."""
    a, b = (
        passage(gate, fallen(way_m), fallen(way_m + 0.04))
        for gate, way_m in ((0, above_m), (1, above_m + 0.3))
    )
    pair = compare_passages(a, b, np.array([np.nan]), RULES)[0]
    assert pair["alike"]
    assert pair["kind"] in (Relation.NORMAL, Relation.SLOW)


@pytest.mark.parametrize(
    ("transit_s", "short", "alike"),
    [
        # 15 m/s2 over 40 ms change 8 % on the way of 0.3 m, beside the 10 % and 20 us
        (40e-3, 0.83, True),
        (40e-3, 0.81, False),
        # over 5 ms next to nothing, but 20 us are 3 % of 0.7 ms
        (5e-3, 0.88, True),
        (5e-3, 0.86, False),
        # half of it at most, however slow
        (0.14, 0.41, True),
        (0.14, 0.39, False),
    ],
)
def test_blocking_times_may_differ_by_what_acceleration_can_change(
    transit_s: float, short: float, alike: bool
) -> None:
    block_s = transit_s * 0.04 / 0.3
    assert compared(transit_s, block_s, short * block_s)["alike"] == alike


@pytest.mark.parametrize("keep", [EdgesUsed.LEAD, EdgesUsed.TRAIL])
def test_only_edges_that_are_sound_are_used_alone(keep: EdgesUsed) -> None:
    reliable = [EdgesUsed.NONE, EdgesUsed.LEAD, EdgesUsed.TRAIL, EdgesUsed.BOTH]
    pairs = np.zeros(5, PAIR_DTYPE)
    pairs["sound"] = [0, 1, 2, 3, 3]
    pairs["used"] = [*reliable, EdgesUsed.BOTH]
    chosen = np.array([True, True, True, True, False])

    use_only(pairs, chosen, keep)

    wanted = [keep if each in (keep, EdgesUsed.BOTH) else EdgesUsed.NONE for each in reliable]
    assert pairs["used"].tolist() == [*wanted, EdgesUsed.BOTH]
