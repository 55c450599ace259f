"""The speed midway of bodies that gravity pulls along: by the plain law of a steady pull."""

import math

import numpy as np
import pytest
from speed_rigs import HEAVY_ROD, exact_gates, make_rig, make_shots

from chrono.measuring.measured_slope import MeasuredSlope, measured_slope
from chrono.measuring.speed import SpeedModel, measure, shot_budget
from chrono.processor.body_matching import are_alike
from chrono.processor.passage_pairing import level_blocks
from chrono.processor.rig_rules import Rules
from chrono.processor.shot_records import ABSENT, EdgesUsed

HZ = 1e9
USED = (EdgesUsed.BOTH, EdgesUsed.LEAD, EdgesUsed.TRAIL)


def heavy(spacing_m: float, length_m: float = 1e-3, **keys):
    """A rig without any uncertainty, for a body that no air slows, straight down."""
    rig = {"gates__spacing_m": spacing_m, "gates__slope_rad": math.pi / 2}
    body = {"body__length_m": length_m, "clock__frequency_hz": HZ}
    return exact_gates(**(rig | body | keys))


def edges_s(fallen_to_middle_m: float, spacing_m: float, length_m: float, gravity: float):
    """When the front and the back of a body pass gates A and B, released at rest at 0 s."""
    middle = fallen_to_middle_m + np.array([-spacing_m / 2, spacing_m / 2])
    return np.stack(
        [np.sqrt(2 * (middle + end) / gravity) for end in (-length_m / 2, length_m / 2)]
    )


def ticks(seconds):
    return np.rint(np.asarray(seconds) * HZ).astype(np.int64)


@pytest.mark.parametrize(
    ("spacing_m", "height_m", "transit_ms", "speed_mps"),
    [  # computed from t = √(2h/g), g = 9.81 m/s²
        (0.1, 0.5, 31.9676, 3.13209),
        (0.3, 0.5, 96.9050, 3.13209),
        (0.3, 1.0, 67.9209, 4.42945),
        (0.6, 0.5, 201.9275, 3.13209),
    ],
)
@pytest.mark.parametrize("used", USED)
def test_a_falling_point_has_the_speed_of_the_plain_law(
    spacing_m, height_m, transit_ms, speed_mps, used
) -> None:
    model = SpeedModel.from_rig(heavy(spacing_m))
    # the rig's own gravity is 1e-4 from the table's
    scale = math.sqrt(model.motion.free_mps2 / 9.81)
    found = model.speed(transit_ms * 1e-3 / scale, used)
    # the ends of a body of 1 mm are half a millimetre from its middle
    tolerance = 5e-6 if used == EdgesUsed.BOTH else 6e-4
    assert found == pytest.approx(speed_mps * scale, rel=tolerance)


@pytest.mark.parametrize("used", USED)
def test_no_drag_leaves_the_steady_pull_s_formula_alone(used) -> None:
    table = SpeedModel.from_rig(heavy(0.6, 0.04)).motion.tables[used]
    assert np.abs(table.bend).max() < 1e-7


@pytest.mark.parametrize("height_m", [0.13, 0.5, 2.0])
def test_two_pairs_of_edges_need_not_know_the_length(height_m) -> None:
    """The mean of both v² is free of it; the mean of both transits is not."""
    model = SpeedModel.from_rig(heavy(0.1, length_m=0.04))
    gravity = model.motion.free_mps2
    begin, end = edges_s(height_m, 0.1, 0.02, gravity)  # half as long as stated
    shots = make_shots(ticks([begin[1] - begin[0]]), ticks([end[1] - end[0]]))
    shots["block_a"], shots["block_b"] = ticks(end - begin)
    found = measure(shots, model)
    true = math.sqrt(2 * gravity * height_m)
    assert found.speed_mps[0] == pytest.approx(true, rel=1e-6)
    assert found.length_a_m[0] == pytest.approx(0.02, rel=2e-3)
    assert found.length_b_m[0] == pytest.approx(0.02, rel=2e-3)


@pytest.mark.parametrize("used", USED)
@pytest.mark.parametrize("slope_deg", [-60.0, 0.0, 90.0])
def test_a_speed_s_transit_gives_that_speed_again(slope_deg, used) -> None:
    model = SpeedModel.from_rig(make_rig(gates__slope_rad=math.radians(slope_deg)))
    for speed in (2.5, 4.0, 30.0):
        assert model.speed(model.board_transit(speed, used), used) == pytest.approx(speed)


@pytest.mark.parametrize("used", USED)
@pytest.mark.parametrize("slope_deg", [-60.0, 0.0, 90.0])
def test_the_budget_of_a_shot_is_what_the_table_has(slope_deg, used) -> None:
    rig = make_rig(gates__slope_rad=math.radians(slope_deg), body__mass_kg=0.004)
    model = SpeedModel.from_rig(rig)
    lead, trail = (round(16e6 * model.board_transit(3.0, each)) for each in USED[1:])
    shots = make_shots([lead], [trail], used)
    shots["block_a"] = shots["block_b"] = 200_000 if used == EdgesUsed.BOTH else ABSENT
    found = measure(shots, model)
    budget = shot_budget(model, found.transit_s[0], used, skew_s=found.skew_s[0])
    assert budget.speed_mps == pytest.approx(found.speed_mps[0], rel=1e-12)
    assert budget.u_mps == pytest.approx(found.u_mps[0], rel=1e-9)
    assert budget.U95_mps == pytest.approx(found.U95_mps[0], rel=1e-9)


def test_where_both_gates_trip_moves_midway_in_a_fall() -> None:
    """A trip position t moves midway by t/2, where the speed is another by g·t/(2v)."""
    rig = heavy(0.6, gates__trip_tolerance_m=1e-3)
    model = SpeedModel.from_rig(rig)
    parts = model.contributions(model.board_transit(3.0, EdgesUsed.BOTH), EdgesUsed.BOTH)
    at_a, at_b = (p.sensitivity for p in parts if p.name.startswith("trip position"))
    assert at_b - at_a == pytest.approx(model.motion.free_mps2 / 3.0, rel=1e-6)


@pytest.mark.parametrize("height_m", [0.32, 1.0])
def test_the_edges_tell_the_pull_exactly(height_m) -> None:
    gravity = 9.81
    begin, end = edges_s(height_m, 0.3, 0.04, gravity)
    lead, (a, b) = begin[1] - begin[0], end - begin
    told = measured_slope(
        *(np.full(3, value) for value in (lead, a, b)),
        np.zeros(3),
        spacing_m=0.3,
        ratio_u=0.01,
        stated=(0.0, 0.0, gravity),
    )
    assert told is not None
    assert told.pull_mps2 == pytest.approx(gravity, rel=1e-6)
    assert told.contradicts
    assert told.slope_rad == pytest.approx(math.pi / 2)


def test_blocking_times_of_a_fall_are_alike_by_the_slope_alone() -> None:
    falling = Rules.from_rig(make_rig(**HEAVY_ROD, gates__slope_rad=math.pi / 2))
    level = Rules.from_rig(make_rig(**HEAVY_ROD))
    begin, end = edges_s(0.3, 0.3, 0.04, 9.81)
    block_a, block_b = (np.rint((end - begin) * 16e6).astype(np.int64)).tolist()
    transit = round(float(np.mean([begin[1] - begin[0], end[1] - end[0]])) * 16e6)
    assert block_a > 1.5 * block_b
    assert are_alike(block_a, block_b, transit, falling.gain, falling.unit_s)
    assert not are_alike(block_a, block_b, transit, level.gain, level.unit_s)
    one, other = level_blocks(np.array([block_a]), np.array([block_b]), transit, falling)
    assert one[0] == pytest.approx(other[0], rel=0.01)


def pull_of(rng, noise, shots=6, ratio_u=0.0):
    """Slide rods of 40 mm at 1 m/s² and unlike speeds; the blocking times at A are noisy."""
    at_a = np.linspace(0.6, 3.0, shots)

    def taken_s(way_m):
        return np.sqrt(at_a**2 + 2 * way_m) - at_a

    off = 1 + noise * rng.standard_normal(shots)
    blocked_b_s = taken_s(0.34) - taken_s(0.3)
    found = measured_slope(
        taken_s(0.3),
        taken_s(0.04) * off,
        blocked_b_s,
        np.zeros(shots),
        spacing_m=0.3,
        ratio_u=ratio_u,
        stated=(1.0, 0.0, 9.81),
    )
    return found.pull_mps2, found.U_mps2, taken_s(0.3)


def test_a_pull_is_as_uncertain_as_the_slow_shots_leave_it() -> None:
    """
    An error ε of the ratio of blocking times moves the pull by about ε·d/Δ².

    The best mean of such pulls has the standard deviation ε/√Σ(Δ²/d)².
    """
    rng = np.random.default_rng(5)
    pulls, half_widths, leads = zip(*(pull_of(rng, 2e-3) for _ in range(1500)), strict=True)
    best = 2e-3 / math.sqrt(np.sum((leads[0] ** 2 / 0.3) ** 2))

    assert np.std(pulls) == pytest.approx(best, rel=0.2)
    assert np.mean(np.abs(np.array(pulls) - 1) > half_widths) == pytest.approx(0.005, abs=0.005)
    # the 0.25 % point of Student's t with 5 degrees of freedom is 4.773
    assert np.sqrt(np.mean(np.square(half_widths))) == pytest.approx(4.773 * best, rel=0.2)


def test_what_all_shots_have_in_common_stays_in_the_uncertainty_of_a_pull() -> None:
    """By hand: 0.01 · 0.3 m / (0.1 s)² = 0.3 m/s², times 2.6."""
    lead_s, blocked_s = np.full(4, 0.1), np.full(4, 0.013)
    known = {"spacing_m": 0.3, "stated": (0.0, 0.0, 9.81)}
    found = measured_slope(lead_s, blocked_s, blocked_s, np.zeros(4), ratio_u=0.01, **known)

    assert found.U_mps2 == pytest.approx(0.78)


@pytest.mark.parametrize(
    ("pull_mps2", "slope_deg"), [(0.1, 0.0), (4.905, 30.0), (-4.905, -30.0), (9.7, 90.0)]
)
def test_a_pull_tells_the_slope_level_or_vertical_if_it_may_be_so(pull_mps2, slope_deg) -> None:
    found = MeasuredSlope(5, pull_mps2, 0.2, 0.0, 0.0, 9.81)
    assert math.degrees(found.slope_rad) == pytest.approx(slope_deg, abs=1e-9)
