"""Speed at the launcher's mouth: against flights integrated forward, crisis or none."""

import math

import numpy as np
import pytest
from scipy.integrate import solve_ivp

from chrono.measuring.body_in_air import ball_in_air
from chrono.measuring.muzzle_speed import muzzle_of, muzzle_speed
from chrono.measuring.series_statistics import series_statistics
from chrono.physics.air_and_gravity import moist_air_density
from chrono.physics.sphere_drag import sphere_drag_coefficient
from chrono.rigs.rig_file import default_rig, rig_from_record, rig_record

AIR = {"temperature_k": 293.15, "pressure_pa": 101325.0, "humidity": 0.5}
SQUASH_BALL = ball_in_air(0.04, 0.024, 45.0, **AIR)


def gates_speed(muzzle_mps, distance_m, body, coefficient_at):
    """Speed after a distance of a ball whose coefficient follows the Reynolds number."""
    area = math.pi * body.diameter_m**2 / 4

    def slowing(_, v):
        drag = coefficient_at(body.reynolds(v[0])) * body.density_kgpm3 * area * v[0] / 2
        return [-drag / body.mass_kg]

    path = solve_ivp(slowing, (0, distance_m), [muzzle_mps], rtol=1e-9, atol=1e-9)
    return float(path.y[0, -1])


def correlation(reynolds):
    """Clift, Grace and Weber's, and 0.47 where measurements stay below it."""
    found = float(sphere_drag_coefficient(reynolds))
    return min(found, 0.47) if reynolds > 4e4 else found


@pytest.mark.parametrize("muzzle_mps", [0.5, 15.0, 45.0, 74.0])
@pytest.mark.parametrize(("mass_kg", "distance_m"), [(0.024, 1.0), (0.0027, 3.0)])
def test_the_speed_at_the_mouth_is_that_which_the_flight_began_with(
    muzzle_mps, mass_kg, distance_m
):
    body = ball_in_air(0.04, mass_kg, 30.0, **AIR)
    at_gates = gates_speed(muzzle_mps, distance_m, body, correlation)

    found = muzzle_speed(at_gates, 0.0, distance_m, body)

    assert not found.in_crisis
    assert found.speed_mps == pytest.approx(muzzle_mps, rel=1e-4)
    assert found.lowest_mps == found.highest_mps
    assert found.reynolds == pytest.approx(body.reynolds(muzzle_mps), rel=1e-4)


def late_crisis(reynolds):
    """Coefficient of a smooth sphere in calm air, roughly: falls between 3e5 and 4e5."""
    return float(np.interp(math.log(reynolds), np.log([3e5, 4e5]), [0.5, 0.08]))


def early_crisis(reynolds):
    """Of a rough one: fallen when 2e5 is reached, rising slowly beyond."""
    if reynolds < 2e5:
        return correlation(reynolds)
    return float(np.interp(math.log(reynolds), np.log([2e5, 2e6]), [0.1, 0.3]))


@pytest.mark.parametrize("coefficient_at", [late_crisis, early_crisis])
@pytest.mark.parametrize(
    ("diameter_m", "mass_kg", "muzzle_mps"),
    [(0.07, 0.03, 50.0), (0.07, 0.058, 80.0), (0.1, 0.2, 60.0), (0.0427, 0.0459, 100.0)],
)
def test_beyond_re_200000_the_result_holds_both_branches(
    coefficient_at, diameter_m, mass_kg, muzzle_mps
):
    rng, inside = np.random.default_rng(1), []
    body = ball_in_air(diameter_m, mass_kg, muzzle_mps, **AIR)
    truth = gates_speed(muzzle_mps, 3.0, body, coefficient_at)
    for _ in range(40):
        found = muzzle_speed(truth + rng.normal(0, 0.05), 0.05, 3.0, body)
        inside.append(abs(found.speed_mps - muzzle_mps) <= found.U95_mps)

    assert found.in_crisis
    assert found.coefficients == (0.07, 0.52)
    assert np.mean(inside) >= 0.93


def test_a_foam_ball_past_the_crisis_has_a_wide_interval_where_one_coefficient_was_4_off():
    body = ball_in_air(0.07, 0.01, 45.0, **AIR)

    found = muzzle_speed(45.0, 0.05, 1.0, body)

    assert found.highest_mps - found.lowest_mps > 4.0
    assert found.U95_mps > 2.0


def test_uncertainty_is_that_of_a_simulation():
    found = muzzle_speed(45.0, 0.1, 1.0, SQUASH_BALL, distance_tolerance_m=0.02)
    rng, runs = np.random.default_rng(1), 400_000

    def within(half_width):
        return rng.uniform(-half_width, half_width, runs)

    # Cd varies by 0.1 % over this path, so one constant drag is near enough here
    kappa = SQUASH_BALL.drag_per_m * (1 + rng.normal(0, 0.1, runs)) * (1 + within(0.01))
    kappa = kappa * (1 + within(0.005)) ** 2 / (1 + within(0.01))
    simulated = (45.0 + rng.normal(0, 0.1, runs)) * np.exp(kappa * (1.0 + within(0.02)))

    assert found.speed_mps == pytest.approx(simulated.mean(), rel=1e-4)
    assert found.uncertainty.u == pytest.approx(simulated.std(), rel=0.01)
    inside = np.abs(simulated - found.speed_mps) <= found.U95_mps
    assert inside.mean() == pytest.approx(0.95, abs=0.005)


def test_it_names_what_it_rests_on():
    found = muzzle_speed(45.0, 0.1, 1.0, SQUASH_BALL, dof=8)

    assert found.gates_mps == 45.0
    assert [part.name for part in found.uncertainty.contributions] == [
        "speed at the gates",
        "distance to the mouth",
        "drag coefficient",
        "air density",
        "mass",
        "diameter",
    ]
    assert found.uncertainty.dof < 40
    assert "Clift, Grace and Weber" in found.source


def test_at_the_mouth_itself_nothing_is_added_and_never_less_than_at_the_gates():
    found = muzzle_speed(45.0, 0.1, 0.0, SQUASH_BALL, U95_mps=0.4, distance_tolerance_m=0.0)
    away = muzzle_speed(45.0, 0.1, 2.0, SQUASH_BALL, U95_mps=0.4)

    assert found.speed_mps == 45.0
    assert found.uncertainty.u == pytest.approx(0.1)
    assert found.U95_mps == pytest.approx(0.4)
    assert away.U95_mps > 0.4


@pytest.mark.parametrize("n", [1, 2, 3, 20])
def test_the_mean_at_the_mouth_is_never_narrower_than_at_the_gates(n):
    rng = np.random.default_rng(n)
    for speed_mps in (0.5, 8.0, 45.0, 120.0):
        speeds = rng.normal(speed_mps, 0.01 * speed_mps, n)
        series = series_statistics(speeds, np.full(n, 0.01), np.full(n, 0.002 * speed_mps))
        for own in ({}, {"mass_kg": 0.0027}, {"diameter_m": 0.004, "mass_kg": 0.0005}):
            found = muzzle_of(series, default_rig(), own)
            assert found.U95_mps >= series.U95_mean_mps, (speed_mps, own)


def test_so_light_a_body_or_so_far_a_launcher_has_no_speed_at_the_mouth():
    assert muzzle_speed(45.0, 0.1, 10e3, SQUASH_BALL) is None


def test_a_flat_ended_body_is_slowed_by_its_own_drag_and_not_by_a_ball_s():
    record = rig_record(default_rig())
    record["body"] |= {"shape": "flat", "mass_kg": 0.02, "diameter_m": 0.03}
    rig, ball_rig = rig_from_record(record), default_rig()
    speeds = np.random.default_rng(2).normal(40, 0.1, 20)
    series = series_statistics(speeds, np.full(20, 0.01), np.full(20, 0.05))

    found = muzzle_of(series, rig, {})
    ball = muzzle_of(series, ball_rig, {"mass_kg": 0.02, "diameter_m": 0.03})

    # κ = ρ·Cd·A/(2m) with Cd 0.95 (Hoerner 1965), v = v₀·exp(−κx), by hand
    air = moist_air_density(*(getattr(rig.site, k) for k in AIR))
    kappa = air * 0.95 * math.pi * 0.015**2 / (2 * 0.02)
    growth = math.exp(kappa * rig.site.muzzle_distance_m)
    assert found.speed_mps == pytest.approx(series.mean_mps * growth, rel=1e-6)
    assert found.coefficients == (0.95, 0.95)
    assert found.speed_mps - series.mean_mps > 1.8 * (ball.speed_mps - series.mean_mps)
    assert not found.in_crisis
    assert "flat" in found.source
    by_drag = next(
        p for p in found.uncertainty.contributions if p.name == "drag coefficient"
    ).u_out
    assert by_drag == pytest.approx(
        0.12 * kappa * rig.site.muzzle_distance_m * found.speed_mps, rel=0.01
    )


@pytest.mark.parametrize("pull_mps2", [9.81, -4.0])
def test_on_a_slope_gravity_and_drag_are_taken_out(pull_mps2):
    """A light ball that leaves the mouth with 6 m/s, integrated forward for 1 m."""
    body = ball_in_air(0.04, 0.0027, 6.0, **AIR)
    area = math.pi * 0.04**2 / 4

    def gaining(_, v):
        drag = correlation(body.reynolds(v[0])) * body.density_kgpm3 * area * v[0] / 2
        return [pull_mps2 / v[0] - drag / 0.0027]

    at_gates = float(solve_ivp(gaining, (0, 1), [6.0], rtol=1e-9, atol=1e-9).y[0, -1])
    found = muzzle_speed(at_gates, 0.0, 1.0, body, acceleration_mps2=pull_mps2)
    assert found.speed_mps == pytest.approx(6.0, rel=1e-3)


def test_a_pull_that_is_not_known_moves_the_speed_at_the_mouth_as_free_fall_does():
    """By hand: v₀ = √(v² − 2·a·d), so dv₀/da = −d/v₀ = −0.5 at 2 m/s and 1 m."""
    heavy = ball_in_air(0.01, 100.0, 5.0, **AIR)
    pull = {"acceleration_mps2": 9.81, "acceleration_u_mps2": 0.1}
    found = muzzle_speed(math.sqrt(4 + 2 * 9.81), 0.0, 1.0, heavy, **pull)
    (slope,) = (c for c in found.uncertainty.contributions if c.name == "slope")

    assert found.speed_mps == pytest.approx(2.0, rel=1e-3)
    assert slope.sensitivity == pytest.approx(-0.5, rel=0.01)
