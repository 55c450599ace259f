"""Lamps told from bodies."""

from dataclasses import replace
from math import isclose

import numpy as np
import pytest
from lamp_light import Flight, Lamp, blinks_of, gate_lines
from line_kit import RULES, Line, beats, block, body, events, part, shots_of

from chrono.processor.flicker import WINDOW
from chrono.processor.pipeline import Processor
from chrono.processor.shot_records import NEVER_COUNTED, Flag

ALONE = int(Flag.LONE_A | Flag.LONE_B)


def lamp(
    gate: int, hertz: float, duty: float, begin_s: float, end_s: float, jitter: float = 0.0
) -> list[Line]:
    rng = np.random.default_rng(1)
    lines: list[Line] = []
    for trip in range(int((end_s - begin_s) * hertz)):
        start = begin_s + (trip + jitter * rng.uniform(-1, 1)) / hertz
        lines += block(gate, start, duty / hertz)
    return lines


def processed(lines: list[Line]) -> tuple[Processor, np.ndarray]:
    processor = Processor(RULES)
    shots = np.concatenate([processor.feed(events(lines)), processor.finish()])
    return processor, shots


@pytest.mark.parametrize("hertz", [41.0, 100.0, 120.0, 400.0, 1800.0])
@pytest.mark.parametrize("gate", [0, 1])
def test_a_flickering_lamp_makes_one_span_and_no_shots(gate: int, hertz: float) -> None:
    processor, shots = processed([*beats(5), *lamp(gate, hertz, 0.3, 1.0, 4.0)])
    assert not len(shots)
    (span,) = processor.flicker
    assert span.gate == gate
    assert span.count == round(3 * hertz)
    assert isclose(span.frequency_hz, hertz, rel_tol=1e-3)
    assert isclose(span.duty, 0.3, rel_tol=1e-2)


@pytest.mark.parametrize(("pause_s", "counts"), [(1.0, [400]), (2.5, [200, 200])])
def test_a_lamp_that_pauses_for_two_seconds_at_most_stays_one_span(
    pause_s: float, counts: list[int]
) -> None:
    again_s = 3.0 + pause_s
    flicker = [*lamp(0, 100.0, 0.3, 1.0, 3.0), *lamp(0, 100.0, 0.3, again_s, again_s + 2.0)]
    these, processor = events([*beats(9), *flicker]), Processor(RULES)
    half = len(these) // 2
    for piece in (part(these, 0, half), part(these, half, len(these))):
        processor.feed(piece)
    processor.finish()
    assert [span.count for span in processor.flicker] == counts
    for span in processor.flicker:
        assert isclose(span.frequency_hz, 100.0, rel_tol=1e-3)
        assert isclose(span.duty, 0.3, rel_tol=1e-2)


def test_both_gates_under_one_lamp_make_no_false_shots() -> None:
    lines = [*lamp(0, 100.0, 0.2, 1.0, 4.0), *lamp(1, 100.0, 0.2, 1.003, 4.003)]
    processor, shots = processed([*beats(5), *lines])
    assert not len(shots)
    assert [span.gate for span in processor.flicker] == [0, 1]


@pytest.mark.parametrize("gates", [(0,), (1,), (0, 1)])
@pytest.mark.parametrize("speed", [25.0, 60.0])
def test_a_body_between_the_flicker_is_measured(gates: tuple[int, ...], speed: float) -> None:
    shot = body(2.0, speed)
    between = [
        line
        for gate in gates
        for line in lamp(gate, 100.0, 0.15, shot[2 * gate].at_s - 1.0035, 4.0)
    ]
    _, shots = processed([*beats(5), *shot, *between])
    assert len(shots) == 1
    assert shots["flags"][0] == 0
    lead = int(shot[2].at_s * 16e6) - int(shot[0].at_s * 16e6)
    assert shots["lead"][0] == lead


def test_the_blink_before_one_that_lost_its_leading_edge_makes_no_shot() -> None:
    blinks = lamp(0, 100.0, 0.15, 2.0, 2.3)
    del blinks[2]
    _, shots = processed([*beats(5), *blinks, *block(1, 2.0485, 1.7e-3)])
    assert len(shots) == 1
    assert int(shots["flags"][0]) == int(Flag.LONE_B)


@pytest.mark.parametrize(("pause_s", "count"), [(0.108, 24), (0.112, 0)])
def test_a_flicker_goes_on_over_a_pause_of_a_tenth_of_a_second_but_no_longer(
    pause_s: float, count: int
) -> None:
    """Twelve passages are none, and neither are twice twelve with too long a pause between."""
    lines = [
        *lamp(0, 100.0, 0.2, 1.0, 1.1201),
        *lamp(0, 100.0, 0.2, 1.11 + pause_s, 1.2301 + pause_s),
    ]
    processor, _ = processed([*beats(5), *lines])
    assert sum(span.count for span in processor.flicker) == count


def test_two_lamps_one_after_the_other_are_each_judged_by_their_own_steps() -> None:
    """Thirteen passages each, 0.12 s apart."""
    first, second = lamp(0, 100.0, 0.2, 1.0, 1.1301), lamp(0, 250.0, 0.2, 1.24, 1.2921)
    processor, shots = processed([*beats(5), *first, *second])
    assert sum(span.count for span in processor.flicker) == 26
    assert not len(shots)


def test_a_body_right_before_a_flicker_is_not_in_step_with_what_is_far_behind_it() -> None:
    """A lone passage 0.3 s before a lamp's, and one 0.3 s after, are no part of its stretch."""
    lines = lamp(0, 100.0, 0.2, 2.0, 2.4001)
    around = [*block(0, 1.7, 2e-3), *block(0, 2.692, 2e-3)]
    processor, shots = processed([*beats(5), *lines, *around])
    (span,) = processor.flicker
    assert span.count == 40
    assert len(shots) == 2


def test_fewer_passages_than_a_window_are_no_flicker() -> None:
    few = lamp(0, 100.0, 0.2, 1.0, 1.0 + (WINDOW - 1) / 100)
    processor, shots = processed([*beats(5), *few])
    assert not processor.flicker
    assert (shots["flags"] & ALONE).any()


def test_irregular_tripping_is_no_flicker() -> None:
    processor, shots = processed([*beats(5), *lamp(0, 40.0, 0.1, 1.0, 4.0, jitter=0.45)])
    assert sum(span.count for span in processor.flicker) < 40
    assert len(shots)


def test_slow_regular_tripping_is_no_flicker() -> None:
    processor, _ = processed([*beats(12), *lamp(0, 8.0, 0.1, 1.0, 11.0)])
    assert not processor.flicker


def test_a_pause_of_two_seconds_parts_spans() -> None:
    lines = [*lamp(0, 100.0, 0.2, 1.0, 2.0), *lamp(0, 100.0, 0.2, 3.5, 4.5)]
    processor, _ = processed([*beats(10), *lines])
    assert len(processor.flicker) == 1
    lines = [*lamp(0, 100.0, 0.2, 1.0, 2.0), *lamp(0, 100.0, 0.2, 5.5, 6.5)]
    processor, _ = processed([*beats(10), *lines])
    assert len(processor.flicker) == 2


@pytest.mark.parametrize(("period_s", "is_lamp"), [(24e-3, True), (26e-3, False)])
def test_periodic_tripping_slower_than_25_ms_is_no_lamp(period_s: float, is_lamp: bool) -> None:
    processor, shots = processed([*beats(5), *lamp(0, 1 / period_s, 0.1, 1.0, 3.0)])
    assert bool(processor.flicker) == is_lamp
    assert bool(len(shots)) != is_lamp


def test_a_body_that_hides_a_blink_and_begins_shortly_before_it_is_measured() -> None:
    """Its edge is in step by less than a tenth, but the steps of this lamp are all alike."""
    blinks = lamp(1, 100.0, 0.08, 1.0, 4.0)
    start_s = blinks[2 * 100].at_s - 0.3e-3
    shot = body(start_s - 0.3 / 30.0, 30.0)
    _, shots = processed([*beats(5), *shot, *blinks[:200], *blinks[202:]])
    assert [int(flags) for flags in shots["flags"]] == [0]


def test_a_body_that_stands_between_two_blinks_is_not_covered() -> None:
    """It comes shortly before a blink of a lamp whose steps are not all alike."""
    blinks = lamp(1, 100.0, 0.15, 1.0, 4.0, jitter=0.02)
    shot = body(blinks[200].at_s - 0.9e-3 - 0.3 / 60.0, 60.0)
    _, shots = processed([*beats(5), *shot, *blinks])
    assert [int(flags) for flags in shots["flags"]] == [0]


@pytest.mark.parametrize("edge", ["leading", "trailing"])
def test_a_body_with_an_edge_that_a_lamp_covers_is_shown_and_flagged(edge: str) -> None:
    blinks = lamp(1, 100.0, 0.15, 1.0, 4.0)
    begin, end = blinks[200].at_s, blinks[201].at_s
    nose_s = end - 0.1e-3 if edge == "leading" else begin - 1.2e-3
    shot = body(nose_s - 0.01, 30.0)
    merged = [min(begin, nose_s), max(end, shot[3].at_s)]
    at_b = block(1, merged[0], merged[1] - merged[0])
    _, shots = processed([*beats(5), *shot[:2], *at_b, *blinks[:200], *blinks[202:]])
    assert len(shots) == 1
    assert int(shots["flags"][0]) & int(Flag.FLICKER)
    assert int(Flag.FLICKER) & int(NEVER_COUNTED)


def test_a_lamp_that_comes_on_before_a_slow_body_covers_its_leading_edge() -> None:
    """The body hides the second blink too: only the third one shows whose edge it is."""
    flight = Flight(2.0, 3.0)
    dark = blinks_of([Lamp(1, 100.0, 0.2, flight.shadow(1)[0] - 1e-3, 4.0)], np.random)
    _, shots = processed([*beats(5), *gate_lines([flight], dark)])
    assert [bool(int(flags) & int(Flag.FLICKER)) for flags in shots["flags"]] == [True]


def test_two_passages_that_two_bodies_left_beside_a_lamp_do_not_count() -> None:
    """The lamp swallowed the first body at gate B and the second one at gate A."""
    lights = [*lamp(0, 100.0, 0.3, 1.0, 4.0), *lamp(1, 100.0, 0.3, 1.0, 4.0)]
    first, second = body(2.0045, 40.0), body(2.107, 40.0)
    _, shots = processed([*beats(5), *first[:2], *second[2:], *lights])
    assert not (shots["used"] > 0)[shots["flags"] & int(NEVER_COUNTED) == 0].any()
    assert len(shots)


def test_a_lamp_in_steps_of_a_coarse_counter_is_a_lamp() -> None:
    """120 Hz in steps of 1 ms: eight, eight, nine."""
    rules = replace(RULES, step_s=1e-3)
    lines = [
        replace(line, at_s=round(line.at_s * 1e3) * 1e-3)
        for gate in (0, 1)
        for line in lamp(gate, 120.0, 0.3, 1.0 + 0.004 * gate, 4.0)
    ]
    processor = Processor(rules)
    shots = np.concatenate([processor.feed(events([*beats(5), *lines])), processor.finish()])
    assert not len(shots)
    assert sum(span.count for span in processor.flicker) == len(lines) / 2


def test_flicker_for_a_long_time_is_carried_in_little_memory() -> None:
    these = events([*beats(60), *lamp(0, 100.0, 0.2, 1.0, 59.0)])
    processor = Processor(RULES)
    for begin in range(0, len(these), 500):
        processor.feed(part(these, begin, begin + 500))
        assert len(processor._watched[0].passages) < 40
        assert len(processor._queue.passages) < 40


def test_flicker_hides_no_shot_before_or_after_it() -> None:
    lines = [*body(0.5, 20.0), *lamp(0, 100.0, 0.2, 1.0, 3.0), *body(3.5, 30.0)]
    shots = shots_of(events([*beats(5), *lines]))
    assert (shots["flags"] == 0).sum() == 2


@pytest.mark.parametrize(
    ("steps_ms", "count"),
    [([7, 13, 7.5, 14, 15, *[10] * 7], 8), ([7, 13, 7.5, 14, 15, 6.5, *[10] * 6], 0)],
    ids=["seven steps", "six steps"],
)
def test_seven_of_twelve_steps_alike_are_flicker_and_six_are_not(
    steps_ms: list[float], count: int
) -> None:
    """Of the thirteen passages those are flicker that are in step with one beside them."""
    starts = 2.0 + np.cumsum([0.0, *steps_ms]) * 1e-3
    processor, _ = processed([*beats(5), *(e for at in starts for e in block(0, at, 2e-3))])
    assert sum(span.count for span in processor.flicker) == count
