"""Plans, the highest speed within an error, and what to improve first."""

import math

import numpy as np
import pytest
from speed_rigs import exact_gates, make_rig

from chrono.errors import OptionError
from chrono.measuring.improvements import GROUPS, farther_gates, group_shares, improvements
from chrono.measuring.measurement_plan import (
    CLOCKS,
    SPACINGS_M,
    TICKS_S,
    error_curve,
    highest_speed,
    plan_options,
    round_values,
)
from chrono.measuring.speed import SpeedModel
from chrono.processor.shot_records import EdgesUsed
from chrono.reports.budget_text import advice_text

MODEL = SpeedModel.from_rig(make_rig())


def test_a_plan_holds_every_combination_those_that_reach_it_first() -> None:
    options = plan_options(MODEL, 60.0, 0.005)
    assert len(options) == len(SPACINGS_M) * len(TICKS_S) * len(CLOCKS)
    reached = [option.reaches for option in options]
    assert reached == sorted(reached, reverse=True)
    assert any(reached)
    assert not all(reached)
    for option in options:
        assert option.reaches == (option.U95_relative <= 0.005)
        assert option.leading in GROUPS


def test_an_option_is_what_a_rig_built_so_reaches() -> None:
    option = next(
        o
        for o in plan_options(MODEL, 60.0, 0.005)
        if (o.spacing_m, o.tick_s, o.clock) == (0.5, 4e-6, "ceramic")
    )
    rig = make_rig(
        lines="plain", gates__spacing_m=0.5, clock__step_s=4e-6, clock__rate_tolerance=5e-3
    )
    assert option.U95_relative == pytest.approx(SpeedModel.from_rig(rig).U95(60.0) / 60)
    assert option.leading == "clock rate"


def test_wider_gates_and_finer_ticks_never_do_worse() -> None:
    table = {
        (o.spacing_m, o.tick_s, o.clock): o.U95_relative for o in plan_options(MODEL, 60, 0.01)
    }
    for clock in CLOCKS:
        for tick_s in TICKS_S:
            errors = [table[spacing_m, tick_s, clock] for spacing_m in SPACINGS_M]
            assert errors == sorted(errors, reverse=True)
        for spacing_m in SPACINGS_M:
            errors = [table[spacing_m, tick_s, clock] for tick_s in TICKS_S]
            assert errors == sorted(errors)


@pytest.mark.parametrize("within", [0.003, 0.01, 0.1])
def test_the_highest_speed_is_where_the_error_is_reached(within: float) -> None:
    highest = highest_speed(MODEL, within)
    assert highest is not None
    assert MODEL.U95(highest) / highest == pytest.approx(within, rel=1e-6)
    assert MODEL.U95(1.01 * highest) / (1.01 * highest) > within


def test_the_highest_speed_of_ticks_alone_has_a_closed_form() -> None:
    # one pair: U95/v = (1 − √0.05)·tick·v/d, so v = within·d/(tick·(1 − √0.05))
    model = SpeedModel.from_rig(exact_gates())
    expected = 0.01 * 0.3 / (62.5e-9 * (1 - math.sqrt(0.05)))
    assert highest_speed(model, 0.01, EdgesUsed.LEAD) == pytest.approx(expected, rel=1e-4)


def test_a_rig_whose_lengths_alone_are_worse_has_no_such_speed() -> None:
    assert highest_speed(MODEL, 0.001) is None


def test_a_wanted_error_of_nothing_or_everything_is_no_goal() -> None:
    for within in (0.0, -1.0, 1.0, math.nan):
        with pytest.raises(OptionError):
            highest_speed(MODEL, within)
        with pytest.raises(OptionError):
            plan_options(MODEL, 60.0, within)


def test_the_curve_grows_with_the_speed_where_the_slope_is_known() -> None:
    model = SpeedModel.from_rig(make_rig(gates__slope_tolerance_rad=0.0))
    curve = error_curve(model, np.geomspace(2.0, 2e4, 30))
    assert curve.speed_mps[[0, -1]] == pytest.approx([2.0, 2e4])
    assert (np.diff(curve.U95_relative) > -1e-7).all()
    assert curve.U95_relative[-1] > 2 * curve.U95_relative[0]


@pytest.mark.parametrize(
    ("rig", "group"),
    [
        (make_rig(), "gate spacing"),
        (make_rig(gates__trip_tolerance_m=5e-3), "trip position"),
        (make_rig(gates__tilt_limit_rad=0.17), "tilt"),
        (make_rig(clock__rate_tolerance=0.01), "clock rate"),
        (make_rig(gates__latency_mismatch_s=1e-4), "latency"),
        (make_rig(lines="plain", clock__step_s=5e-4), "tick"),
        (make_rig(clock__jitter_s=1e-4), "jitter"),
    ],
)
def test_what_dominates_is_to_be_improved_first_and_the_way_helps(
    rig: object, group: str
) -> None:
    model = SpeedModel.from_rig(rig)  # type: ignore[arg-type]
    now = model.U95(45.0)
    first = improvements(model, 45.0)[0]
    shares = group_shares(model.contributions(model.board_transit(45.0), EdgesUsed.BOTH))
    assert first.group == group == next(iter(shares))
    assert sum(shares.values()) == pytest.approx(1)
    assert first.U95_halved_mps < 0.8 * now
    assert first.U95_mps < 0.8 * now


def test_what_one_pair_adds_is_improved_by_aim_or_by_the_other_pair() -> None:
    for keys, group in (
        ({"gates__off_centre_m": 15e-3}, "chords"),
        ({"gates__off_centre_m": 0.0, "body__mass_kg": 1e-4}, "drag"),
    ):
        model = SpeedModel.from_rig(make_rig(**keys))
        first = improvements(model, 20.0, EdgesUsed.TRAIL)[0]
        assert first.group == group
        assert first.U95_mps < 0.8 * model.U95(20.0, EdgesUsed.TRAIL)


def test_improvements_are_ordered_by_what_halving_brings() -> None:
    halved = [i.U95_halved_mps for i in improvements(MODEL, 45.0)]
    assert halved == sorted(halved)
    of_one_pair = {i.group for i in improvements(MODEL, 45.0, EdgesUsed.LEAD)}
    of_a_fall = {"gravity", "buoyancy", "body length"}
    assert of_one_pair == set(GROUPS) - of_a_fall
    assert {i.group for i in improvements(MODEL, 45.0)} == of_one_pair - {"chords"}
    falling = SpeedModel.from_rig(make_rig(gates__slope_rad=math.pi / 2))
    of_falling = {i.group for i in improvements(falling, 5.0, EdgesUsed.LEAD)}
    assert of_falling == of_one_pair | of_a_fall


def test_twice_the_spacing_halves_what_the_lengths_leave() -> None:
    assert farther_gates(MODEL, 45.0).U95_mps == pytest.approx(MODEL.U95(45.0) / 2, rel=0.01)
    assert advice_text(farther_gates(MODEL, 45.0).advice) == "place the gates 600 mm apart"


def test_a_doubled_spacing_is_a_round_one() -> None:
    model = SpeedModel.from_rig(make_rig(gates__spacing_m=0.3002))
    assert advice_text(farther_gates(model, 45.0).advice) == "place the gates 600 mm apart"


def test_a_spacing_found_through_the_gates_is_not_to_be_measured_by_a_ruler() -> None:
    spacing = {"spacing_m": 0.3, "spacing_u_m": 0.4e-3, "covers_trip": True}
    model = SpeedModel.from_rig(make_rig(calibration__spacing=spacing))
    first = improvements(model, 45.0)[0]
    assert "drop a ball" in advice_text(first.advice)
    assert first.U95_mps == first.U95_halved_mps < 0.6 * model.U95(45.0)


@pytest.mark.parametrize(
    ("u", "way"),
    [(2887e-6, "crystal"), (29e-6, "calibrate clock"), (9e-6, "very accurate clock")],
)
def test_a_clock_is_not_promised_to_become_better_than_the_host_s(u: float, way: str) -> None:
    clock = {"rate_error": 0.0, "rate_error_u": u}
    model = SpeedModel.from_rig(make_rig(calibration__clock=clock))
    found = next(i for i in improvements(model, 45.0) if i.group == "clock rate")
    assert way in advice_text(found.advice)
    assert found.U95_mps <= model.U95(45.0)


def test_round_values_are_both_ends_and_ones_twos_and_fives_between() -> None:
    assert round_values(2.0, 200.0) == pytest.approx([2, 5, 10, 20, 50, 100, 200])
    assert round_values(0.03, 0.7) == pytest.approx([0.03, 0.05, 0.1, 0.2, 0.5, 0.7])
    assert round_values(3.0, 4.0) == pytest.approx([3, 4])


def test_a_frequency_standard_is_taken_to_make_the_clock_five_times_as_sure():
    model = SpeedModel.from_rig(exact_gates(clock__rate_tolerance=20e-6))
    first, *_ = improvements(model, 1.0)

    assert advice_text(first.advice) == "compare the counter with a very accurate clock"
    # of a rectangular distribution 95 % lie within 0.95 of its half-width
    assert first.U95_mps == pytest.approx(0.95 * 20e-6 / 5, rel=1e-3)


BALL = {"body__shape": "round", "body__diameter_m": 0.04, "body__length_m": 0.04}


@pytest.mark.parametrize(
    ("group", "keys"),
    [
        ("gate spacing", {"gates__spacing_tolerance_m": 1e-3}),
        ("trip position", {"gates__trip_tolerance_m": 1e-3}),
        ("tilt", {"gates__tilt_limit_rad": 0.1}),
        ("chords", {"gates__off_centre_m": 4e-3, **BALL}),
        ("clock rate", {"clock__rate_tolerance": 1e-3}),
        ("latency", {"gates__latency_mismatch_s": 1e-4}),
        ("tick", {"lines": "plain", "clock__step_s": 1e-4}),
        ("jitter", {"clock__jitter_s": 1e-4}),
    ],
)
def test_half_the_uncertainty_of_the_only_input_is_half_the_uncertainty(group, keys):
    model = SpeedModel.from_rig(exact_gates(**keys))
    first = improvements(model, 10.0, EdgesUsed.LEAD)[0]

    assert first.group == group
    assert first.U95_halved_mps == pytest.approx(model.U95(10.0, EdgesUsed.LEAD) / 2, rel=0.01)


@pytest.mark.parametrize(
    ("key", "value"),
    [
        ("gates__spacing_tolerance_m", 1e-3),
        ("gates__trip_tolerance_m", 1e-3),
        ("gates__tilt_limit_rad", 0.1),
        ("gates__off_centre_m", 4e-3),
    ],
)
def test_an_improvement_promises_what_a_rig_built_so_reaches(key, value):
    first = improvements(
        SpeedModel.from_rig(exact_gates(**BALL, **{key: value})), 10.0, EdgesUsed.LEAD
    )[0]
    built = SpeedModel.from_rig(exact_gates(**BALL, **{key: first.advice.reach}))

    assert first.advice.reach == pytest.approx(value / 2)
    assert first.U95_mps == pytest.approx(built.U95(10.0, EdgesUsed.LEAD), rel=1e-3)


@pytest.mark.parametrize(
    ("tolerance", "way"), [(150e-6, "crystal"), (50e-6, "very accurate clock")]
)
def test_a_crystal_is_offered_to_boards_without_beats_whose_clock_is_worse(tolerance, way):
    model = SpeedModel.from_rig(exact_gates(clock__rate_tolerance=tolerance))
    first = improvements(model, 10.0, beats=False)[0]

    assert way in advice_text(first.advice)
    assert first.U95_mps < 0.5 * model.U95(10.0)


def test_a_length_s_share_of_the_curve_is_the_same_at_any_speed():
    """By hand: 95 % of a rectangular distribution lie within 0.95 · 3 mm, of 300 mm."""
    model = SpeedModel.from_rig(exact_gates(gates__spacing_tolerance_m=3e-3))
    curve = error_curve(model, np.array([0.5, 2.0, 8.0]))

    assert curve.U95_relative == pytest.approx([0.0095] * 3, rel=2e-3)
