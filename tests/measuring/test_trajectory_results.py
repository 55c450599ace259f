"""Falls, flights, stops, energies: uncertainty carried through; what went in comes back."""

import math

import numpy as np
import pytest
from falling import dropped
from hypothesis import given, settings
from hypothesis import strategies as st
from launch_kit import IN_VACUUM, SITE, SQUASH_BALL, aim, clocked, stated

from chrono.errors import OptionError
from chrono.measuring.body_in_air import (
    SMOOTH_SPHERE,
    TERMINAL,
    MovingBody,
    deceleration_of,
    given_diameter,
    given_mass,
    weight_per_mass,
)
from chrono.measuring.energy_results import (
    DISTANCE,
    elastic_store,
    energy_result,
    gas_store,
    tube_store,
)
from chrono.measuring.launch import Launch, RefusedLaunch, each_launch
from chrono.measuring.propagation import known
from chrono.measuring.trajectory_results import (
    Landing,
    fall_result,
    fit_drag,
    flight_result,
    stop_result,
)
from chrono.physics.stopping import EXPONENTS, stop_within
from chrono.physics.trajectory import fly, speed_along

G = SITE.gravity_mps2
LAWS = st.sampled_from(sorted(EXPONENTS))


def values_of(launch, *more):
    return {q.name: q.value for q in (*launch.quantities, *more)}


def simulated(quantities, evaluate, runs=400, seed=2):
    """Draw every quantity and evaluate: the results, shape (runs,)."""
    from chrono.measuring.monte_carlo import draw

    rng = np.random.default_rng(seed)
    drawn = {q.name: q.value + draw(q.input, rng, runs) for q in quantities}
    return np.array([evaluate({n: float(v[i]) for n, v in drawn.items()}) for i in range(runs)])


# -- falls ----------------------------------------------------------------------------------


@pytest.mark.parametrize(
    "height", [3.0, *(pytest.param(h, marks=pytest.mark.long) for h in (0.2, 0.9, 12.0, 40.0))]
)
def test_height_time_and_speed_of_a_fall_lead_back_to_each_other(height):
    falling = Launch("", 0, (), SQUASH_BALL, SITE)
    first = fall_result(falling, "height", known("height", height))
    by_time = fall_result(falling, "time", known("time", first.time.value))
    by_speed = fall_result(falling, "speed", known("speed", first.speed.value))

    assert by_time.height.value == pytest.approx(height, rel=1e-6)
    assert by_speed.height.value == pytest.approx(height, rel=1e-6)


def test_in_a_vacuum_the_drop_for_a_speed_is_that_of_the_elementary_formula():
    result = fall_result(stated(20.0, 0.4, IN_VACUUM))

    assert result.height.value == pytest.approx(400 / (2 * G))
    assert result.height.uncertainty.u == pytest.approx(
        result.height.value * 2 * 0.02 / 1.96, rel=1e-2
    )
    assert math.isinf(result.terminal.value)


def test_the_drop_like_clocked_shots_carries_their_scatter_and_the_drag():
    launch = clocked([15.0, 15.4, 14.7, 15.2, 15.1])
    result = fall_result(launch)
    parts = {c.name for c in result.height.uncertainty.contributions}

    assert {"shot to shot", "drag coefficient", "mass", "air density"} <= parts
    assert result.speed.value == pytest.approx(15.08)
    assert result.height.u_random > 0 < result.height.u_shared


def test_of_several_setups_one_that_no_fall_reaches_stops_no_other():
    slow, fast = clocked([12.0, 12.2]), clocked([40.0, 40.2])
    results = each_launch([slow, fast], fall_result)

    assert results[0].height.value > 7
    assert isinstance(results[1], RefusedLaunch)
    assert "terminal speed" in results[1].reason
    with pytest.raises(OptionError):
        each_launch([fast], fall_result)


def test_buoyancy_slows_the_fall_of_a_light_ball():
    """A ball as heavy as the air it displaces does not fall (Archimedes)."""
    air_kg = SITE.density_kgpm3 * math.pi * 0.04**3 / 6
    values = values_of(Launch("", 0, (), SQUASH_BALL, SITE))

    hardly = weight_per_mass(SQUASH_BALL, values | {"mass": air_kg * (1 + 1e-9)})
    assert hardly == pytest.approx(0.0, abs=1e-7)
    with pytest.raises(OptionError, match="takes the place of"):
        weight_per_mass(SQUASH_BALL, values | {"mass": air_kg * (1 - 1e-9)})


@pytest.mark.parametrize("height_m", [0.05, 0.3, 2.0])
def test_a_light_ball_takes_air_along_when_it_falls(height_m):
    """Against steps of a fall with measured drag, buoyancy and half the air's mass."""
    site, mass_kg, diameter_m = SITE, 5e-3, 70e-3
    columns = {
        "diameter_m": np.array([diameter_m]),
        "mass_kg": np.array([mass_kg]),
        "density": site.density_kgpm3,
        "viscosity": site.viscosity_pas,
        "gravity": site.gravity_mps2,
        "drag_scale": 1.0,
        "added_mass": 0.5,
    }
    ((truth_s,),) = dropped(columns, np.array([[height_m]]), 2.0)
    ball = MovingBody(given_mass(mass_kg), given_diameter(diameter_m), SMOOTH_SPHERE)
    result = fall_result(Launch("", 0, (), ball, site), "height", known("height", height_m))
    assert result.time.value == pytest.approx(truth_s, abs=result.time.U95)
    assert 0.02 * truth_s > result.time.U95


# -- flights --------------------------------------------------------------------------------


def test_a_flight_without_air_lands_where_the_parabola_does():
    result = flight_result(stated(20.0, 0.0, IN_VACUUM), aim(30.0))

    assert result.range.value == pytest.approx(400 * math.sin(math.radians(60)) / G)
    assert result.range.value == pytest.approx(result.vacuum_m)
    assert math.degrees(result.best_rad) == pytest.approx(45, abs=0.01)
    assert result.impact_angle.value == pytest.approx(math.radians(30))


@pytest.mark.long
def test_a_flight_of_clocked_shots_is_that_of_a_simulation():
    launch = clocked(np.random.default_rng(8).normal(22.0, 0.45, 200), 0.1)
    aimed = aim(30.0, 1.0, angle_u95_deg=2.0)
    result = flight_result(launch, aimed)

    def land(values):
        drag = deceleration_of(launch.body, SITE, values)
        weight = weight_per_mass(launch.body, values)
        speed = values["speed"] + values["shot to shot"]
        path = fly(speed, values["angle"], drag, weight, height_m=1.0, points=2)
        return path.range_m

    ranges = simulated((*launch.quantities, *aimed.quantities), land, runs=1000)
    assert result.range.value == pytest.approx(ranges.mean(), abs=0.2)
    assert result.range.uncertainty.u == pytest.approx(ranges.std(), rel=0.08)
    inside = np.abs(ranges - result.range.value) <= result.range.U95
    assert inside.mean() == pytest.approx(0.95, abs=0.02)


def test_the_scatter_of_landings_is_random_and_the_drag_is_shared():
    result = flight_result(clocked([22.0, 22.4, 21.7, 22.2]), aim())
    natures = {c.name: c.input.nature for c in result.range.uncertainty.contributions}

    assert natures["shot to shot"] == "random"
    assert natures["drag coefficient"] == natures["air density"] == "shared"
    mean = result.range.of_mean(4)
    assert mean.u_random == pytest.approx(result.range.u_random / math.sqrt(5))
    assert mean.u_shared == result.range.u_shared


def test_beyond_the_drag_crisis_the_range_holds_both_branches():
    """A ball of 74 mm and 145 g at 90 m/s is at Re 4.4e5."""
    ball = MovingBody(known("mass", 0.145), known("diameter", 0.074), SQUASH_BALL.drag)
    launch = stated(90.0, 0.0, ball)
    result, ends = flight_result(launch, aim(35.0)), []
    for branch in (0.0, 1.0):
        values = values_of(launch) | {"drag crisis": branch}
        drag = deceleration_of(ball, SITE, values)
        end = fly(90.0, math.radians(35), drag, weight_per_mass(ball, values)).range_m

        assert abs(end - result.range.value) <= result.range.U95
        ends.append(end)
    assert ends[0] > 1.5 * ends[1]


@settings(max_examples=3, deadline=None)
@given(
    speed=st.floats(8.0, 60.0),
    angle=st.floats(12.0, 65.0),
    coefficient=st.floats(0.1, 1.2),
    height=st.floats(0.0, 5.0),
)
def test_the_drag_coefficient_that_landings_tell_is_the_one_they_were_made_with(
    speed, angle, coefficient, height
):
    launch = stated(speed)
    values = values_of(launch)
    drag = MovingBody(
        SQUASH_BALL.mass, SQUASH_BALL.diameter, known("drag coefficient", 1), False
    )
    law = deceleration_of(drag, SITE, values | {"drag coefficient": coefficient})
    aimed = aim(angle, height)
    weight = weight_per_mass(launch.body, values)
    end = fly(speed, math.radians(angle), law, weight, height_m=height).range_m

    fit = fit_drag(launch, aimed, [Landing(0, speed, 0.0, end, 0.0)])

    assert fit.coefficient.value == pytest.approx(coefficient, rel=1e-6)
    assert fit.terminal.value == pytest.approx(math.sqrt(weight / fit.kappa.value))


@pytest.mark.long
def test_the_interval_of_a_fitted_drag_holds_the_truth_in_95_of_100_cases():
    """Six landings each: speeds known to 0.5 %, tape read to 10 cm, an angle off by 0.5°."""
    rng, launch, inside, cases = np.random.default_rng(4), clocked([22.0, 22.3]), 0, 40
    truth = 0.45
    law_body = MovingBody(
        SQUASH_BALL.mass, SQUASH_BALL.diameter, known("drag coefficient", 1), False
    )
    law = deceleration_of(law_body, SITE, values_of(launch) | {"drag coefficient": truth})
    weight = weight_per_mass(SQUASH_BALL, values_of(launch))
    for _ in range(cases):
        off, landings = math.radians(rng.normal(0, 0.5)), []
        for shot in range(6):
            speed = rng.normal(22.0, 0.5)
            reach = fly(speed, math.radians(30) + off, law, weight, points=2).range_m
            seen = speed * (1 + rng.normal(0, 0.005)), reach + rng.normal(0, 0.1)
            landings.append(Landing(shot + 1, seen[0], 0.11, seen[1], 0.1))
        fit = fit_drag(launch, aim(30.0, angle_u95_deg=0.98), landings)
        inside += abs(fit.coefficient.value - truth) <= fit.coefficient.U95

    assert inside >= 34  # fewer of 40 has a chance of 2 % at 95 %


def test_a_landing_beyond_the_vacuum_range_is_refused_and_one_near_it_tells_nothing():
    launch, aimed = stated(20.0), aim(45.0)
    with pytest.raises(OptionError, match="without air"):
        fit_drag(launch, aimed, [Landing(0, 20.0, 0.0, 45.0, 0.0)])

    near = fit_drag(launch, aimed, [Landing(0, 20.0, 1.0, 40.0, 0.5)])
    assert math.isinf(near.coefficient.U95)


def test_without_mass_or_diameter_landings_tell_the_terminal_speed_alone():
    unknown = MovingBody(None, None, SQUASH_BALL.drag)
    fit = fit_drag(stated(27.0, 0.0, unknown), aim(), [Landing(0, 27.0, 0.1, 40.0, 0.1)])

    assert math.isnan(fit.coefficient.value)
    assert 20 < fit.terminal.value < 40
    assert fit.terminal.U95 > 0


# -- stops ----------------------------------------------------------------------------------


@settings(max_examples=25, deadline=None)
@given(law=LAWS, speed=st.floats(2.0, 120.0), distance=st.floats(0.02, 4.0))
def test_what_a_stop_tells_leads_back_to_its_way(law, speed, distance):
    launch = stated(speed)
    first = stop_result(launch, law, "distance", known("distance", distance))
    backwards = {
        "peak": first.peak.value,
        "mean": first.mean.value,
        "force": first.force.value,
        "time": first.time.value,
    }

    for goal, value in backwards.items():
        again = stop_result(launch, law, goal, known(goal, value))
        assert again.distance.value == pytest.approx(distance, rel=1e-6)
    assert first.energy.value == pytest.approx(0.024 * speed**2 / 2)


def test_on_the_way_it_must_give_95_of_100_shots_stay_under_the_limit():
    rng, under = np.random.default_rng(6), []
    for _ in range(300):
        launch = clocked(rng.normal(22.0, 0.5, 8), 1e-3)
        enough = stop_result(launch, "spring", "peak", known("limit", 50 * 9.80665)).enough_m
        next_mps = rng.normal(22.0, 0.5)
        under.append(stop_within(next_mps, enough, "spring").peak_mps2 <= 50 * 9.80665)

    assert np.mean(under) == pytest.approx(0.975, abs=0.025)


def test_an_energy_stands_for_its_speed():
    body = MovingBody(known("mass", 0.05), None, SQUASH_BALL.drag)
    launch = Launch("", 0, (known("kinetic energy", 10.0),), body, SITE)
    result = stop_result(launch, "constant", "distance", known("distance", 0.5))

    assert launch.mean_mps == pytest.approx(20.0)
    assert result.force.value == pytest.approx(10.0 / 0.5)


def test_drag_on_the_way_to_the_catch_slows_the_body():
    launch = stated(30.0)
    near = stop_result(launch, "spring", "distance", known("distance", 1.0))
    far = stop_result(launch, "spring", "distance", known("distance", 1.0), known("path", 10.0))
    drag = deceleration_of(launch.body, SITE, values_of(launch))

    assert far.speed.value == pytest.approx(speed_along(30.0, 10.0, drag))
    assert far.speed.value < near.speed.value == 30.0


def test_shots_that_scatter_more_than_their_mean_give_results_of_unknown_uncertainty():
    launch = clocked([20.0, 2.0])
    stop = stop_result(launch, "spring", "distance", known("distance", 1.0), known("path", 2.0))
    energy = energy_result(launch, (), known(DISTANCE, 1.0))
    fall = fall_result(launch)

    for found in (stop.speed, energy.speed, fall.height):
        assert found.value > 0
        assert math.isinf(found.U95)


def test_a_force_without_a_mass_is_refused():
    launch = stated(20.0, body=MovingBody(None, None, SQUASH_BALL.drag))
    with pytest.raises(OptionError, match="mass"):
        stop_result(launch, "spring", "force", known("force", 10.0))


# -- energies -------------------------------------------------------------------------------


def test_energy_and_momentum_carry_speed_and_mass():
    launch = stated(20.0, 0.4)
    result = energy_result(launch)

    u_mass = 0.01 / math.sqrt(3)
    assert result.energy.value == pytest.approx(4.8)
    assert result.energy.uncertainty.u / 4.8 == pytest.approx(
        math.hypot(2 * 0.02 / 1.96, u_mass), rel=1e-3
    )
    assert result.momentum.value == pytest.approx(0.48)
    assert result.mach == pytest.approx(20.0 / SITE.sound_mps)


def test_at_the_mouth_it_was_as_fast_as_drag_says():
    launch = stated(30.0)
    result = energy_result(launch, distance=known("distance to the mouth", 2.0))
    drag = deceleration_of(launch.body, SITE, values_of(launch))

    assert speed_along(result.speed.value, 2.0, drag) == pytest.approx(30.0, rel=1e-8)


def test_the_part_of_the_stored_energy_is_that_of_a_simulation():
    launch = clocked(np.random.default_rng(9).normal(30.0, 0.4, 200))
    volume, gauge = known("volume", 5e-4, 1e-5), known("gauge pressure", 2e5, 1e4)
    store = gas_store(volume, gauge, 101325.0)
    found = energy_result(launch, (store,)).bounds[1]

    def part(values):
        speed = values["speed"] + values["shot to shot"]
        return values["mass"] * speed**2 / 2 / store.energies(values)[1]

    parts = simulated((*launch.quantities, *store.quantities), part, runs=20_000)
    assert found.part.value == pytest.approx(parts.mean(), rel=5e-3)
    assert found.part.uncertainty.u == pytest.approx(parts.std(), rel=0.03)


def test_more_than_was_stored_is_told_and_as_much_within_its_uncertainty_is_not():
    draw, force = np.array([0.0, 0.1, 0.2]), np.array([0.0, 25.0, 50.0])
    store = elastic_store(draw, force)

    assert energy_result(stated(20.0, 0.1), (store,)).exceeded == ()
    assert energy_result(stated(20.45, 0.5), (store,)).exceeded == ()
    assert energy_result(stated(22.0, 0.1), (store,)).exceeded == ("work of drawing",)


def test_a_tube_has_two_bounds_and_two_limiting_speeds():
    launch = stated(100.0, body=MovingBody(known("mass", 0.0027), None, SQUASH_BALL.drag))
    tube = tube_store(
        known("bore", 0.04), known("length", 2.0), known("residual pressure", 0.0), 101325.0
    )
    result = energy_result(launch, (tube,))

    assert result.bounds[0].energy.value > result.bounds[1].energy.value
    assert [name for name, _ in result.limits] == ["at the tube's end", "of any tube"]
    end, limit = (found.value for _, found in result.limits)
    assert 100 < end < limit < SITE.sound_mps


def test_a_body_that_is_wider_than_the_tube_is_refused_with_both_diameters():
    def shot_from(diameter):
        body = MovingBody(known("mass", 0.05), diameter, SQUASH_BALL.drag)
        tube = tube_store(
            known("bore", 0.041, 0.5e-3), known("length", 0.001), known("left", 0.0), 101325.0
        )
        return energy_result(stated(3.0, body=body), (tube,))

    assert shot_from(known("diameter", 0.042, 0.6e-3)).bounds
    with pytest.raises(OptionError, match=r"42 mm .* tube .* 41 mm"):
        shot_from(known("diameter", 0.042, 0.4e-3))


# -- the body -------------------------------------------------------------------------------


def test_a_known_terminal_speed_is_the_one_that_is_reached():
    body = MovingBody(None, None, SQUASH_BALL.drag, terminal=known(TERMINAL, 31.3, 0.5))
    result = fall_result(Launch("", 0, (), body, SITE), "height", known("height", 500.0))

    assert result.speed.value == pytest.approx(31.3, rel=1e-3)
    assert pytest.approx(0.5, rel=1e-3) == result.terminal.U95


def test_a_setups_own_body_is_the_one_that_flies():
    light = clocked([22.0, 22.1], own={"mass_kg": 0.0027})
    heavy = clocked([22.0, 22.1])

    assert light.body.mass.value == 0.0027
    assert flight_result(light, aim()).range.value < flight_result(heavy, aim()).range.value
