"""Passages that fit the main body better than those that were paired with it first."""

from collections.abc import Sequence
from dataclasses import replace

import numpy as np
import pytest
from line_kit import (
    LENGTH_M,
    RULES,
    SPACING_M,
    UNIT_S,
    A,
    B,
    Line,
    beats,
    block,
    body,
    cut,
    events,
    feed,
    shots_of,
)

from chrono.processor.pipeline import Processor, Rules
from chrono.processor.shot_records import EdgesUsed, Flag, Shots

AT_S, SPEED = 2.3, 20.0
BALL = body(AT_S, SPEED)


def shots(lines: Sequence[Line], rules: Rules = RULES) -> Shots:
    return shots_of(events([*lines, *beats(4)]), rules=rules)


def speeds(found: Shots) -> list[float]:
    """Return the speeds of the shots that have one, from both pairs of edges."""
    timed = found[found["used"] > 0]
    return [2 * SPACING_M / (int(x["lead"] + x["trail"]) * UNIT_S) for x in timed]


def overtaken(part: float, ratio: float, length_m: float) -> list[Line]:
    """Return the edges of a slower body that the ball meets at a part of the way to gate B."""
    ahead_s = part * SPACING_M / SPEED * (1 / ratio - 1)
    return body(AT_S - ahead_s, ratio * SPEED, length_m)


WADS = {
    "early": overtaken(0.35, 0.64, 0.023),
    "midway": overtaken(0.5, 0.6, 0.0225),
    "late, and much slower": overtaken(0.7, 0.48, 0.018),
}


@pytest.mark.parametrize("wad", WADS)
def test_a_ball_that_overtakes_its_wad_is_not_paired_with_it(wad: str) -> None:
    """They block the gates for like times: the declared length alone tells them apart."""
    (shot,) = shots([*BALL, *WADS[wad]])
    assert shot["flags"] == Flag.AMBIGUOUS | Flag.COMPANION
    assert shot["used"] == EdgesUsed.NONE
    assert np.isnan(shot["companion"])


def test_without_a_declared_length_nothing_tells() -> None:
    (shot,) = shots([*BALL, *WADS["midway"]], replace(RULES, body_length_m=None))
    assert shot["used"] == EdgesUsed.BOTH
    assert not shot["flags"] & Flag.AMBIGUOUS


@pytest.mark.parametrize("apart", [0.995, 1.0, 1.005])
def test_two_balls_a_spacing_apart_are_no_flash_between_two_ends_of_one(apart: float) -> None:
    """The second enters gate A as the first enters gate B: so do both gates at a flash."""
    second = body(AT_S + apart * SPACING_M / SPEED, SPEED)
    found = shots([*BALL, *second])
    assert all(speed == pytest.approx(SPEED, rel=1e-3) for speed in speeds(found))


def test_a_flash_while_a_ball_is_between_the_gates_leaves_its_speed() -> None:
    at_s = AT_S + 0.4 * SPACING_M / SPEED
    found = shots([*BALL, *block(A, at_s, 1.0e-3), *block(B, at_s + 5e-6, 1.0e-3)])
    assert speeds(found) == [pytest.approx(SPEED, rel=1e-4)]
    assert sum(found["flags"] & int(Flag.FLASH) > 0) == 1


FOLLOWERS = {
    "a wad behind": body(AT_S + 3e-3, 14.0, 0.020),
    "a cup behind": body(AT_S + 4e-3, 15.0, 0.070),
    "a ball behind": body(AT_S + 4e-3, 19.0),
    "a faster wad ahead": body(AT_S - 3e-3, 26.0, 0.015),
    "a cup that touches it at A": body(AT_S + 1.6e-3, 14.0, 0.070),
}


@pytest.mark.parametrize("declared", [0.92, 1.0, 1.08])
@pytest.mark.parametrize("what", FOLLOWERS)
def test_bodies_that_keep_their_order_keep_their_speeds(what: str, declared: float) -> None:
    """Even if the length declared is not quite the body's."""
    rules = replace(RULES, body_length_m=declared * LENGTH_M)
    found = shots([*BALL, *FOLLOWERS[what]], rules)
    assert found["used"][0] > 0
    assert not found["flags"][0] & int(Flag.AMBIGUOUS)
    if found["used"][0] == EdgesUsed.BOTH:
        assert speeds(found)[0] == pytest.approx(SPEED, rel=1e-3)


def merged(*blocks: list[Line]) -> list[Line]:
    """Return the edges of shadows that touch at one gate."""
    times = [line.at_s for each in blocks for line in each]
    return block(blocks[0][0].gate, min(times), max(times) - min(times))


def test_a_rival_that_hides_no_edge_beats_a_pair_that_hides_one() -> None:
    """
    A cup ahead, with something in its shadow at A: paired with the ball's passage at B.

    The ball's own passage at A and that at B hide nothing.
    """
    cup = block(A, AT_S - 3.2e-3, 2.7e-3)
    found = shots([*cup, *BALL])
    assert all(speed == pytest.approx(SPEED, rel=1e-3) for speed in speeds(found))


def test_where_shadows_touch_at_a_gate_bodies_are_taken_to_keep_their_order() -> None:
    """The edges are those of a ball that overtakes its wad there as well: told in the flag."""
    wad = body(AT_S + 1.2e-3, 15.0, 0.014)
    lines = [*merged(BALL[:2], wad[:2]), *BALL[2:], *wad[2:]]
    (shot,) = shots(lines)
    assert shot["used"] == EdgesUsed.LEAD
    assert shot["flags"] == Flag.COMPANION | Flag.LEAD_ONLY
    assert SPACING_M / (shot["lead"] * UNIT_S) == pytest.approx(SPEED, rel=1e-4)


@pytest.mark.parametrize("wad", WADS)
def test_so_it_is_however_the_stream_is_cut(wad: str) -> None:
    lines = [*BALL, *WADS[wad], *body(AT_S + 0.3, 30.0), *beats(4)]
    these = events(lines)
    whole = shots_of(these)
    assert whole["used"].tolist() == [EdgesUsed.NONE, EdgesUsed.BOTH]
    for place in range(1, len(these)):
        processor = Processor(RULES)
        pieces = [feed(processor, piece) for piece, _ in cut(these, [], [place])]
        found = np.concatenate([*pieces, processor.finish()])
        assert found.tobytes() == whole.tobytes()


def test_every_launch_of_a_session_is_judged_by_its_own_passages() -> None:
    wad = WADS["early"]
    sessions = [[*BALL], [*BALL, *wad], [*BALL, *FOLLOWERS["a cup behind"]], [*BALL, *wad]]
    lines = [
        replace(line, at_s=line.at_s + 0.7 * n)
        for n, each in enumerate(sessions)
        for line in each
    ]
    found = shots_of(events([*lines, *beats(6)]))
    assert (found["flags"] & int(Flag.AMBIGUOUS) > 0).tolist() == [False, True, False, True]
    assert (found["used"] > 0).tolist() == [True, False, True, False]
