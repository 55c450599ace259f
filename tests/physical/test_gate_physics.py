"""The simulated gates against closed forms derived by hand and against scipy's integrator."""

import doctest
from dataclasses import replace

import gate_physics
import numpy as np
import pytest
from crccheck.crc import Crc16CcittFalse
from gate_board import CAPTURE, EDGE, Board, counted, edges_of, served, ticks_of
from gate_comparator import (
    Band,
    Transitions,
    band_noise,
    noisy_transitions,
    response,
    schmitt,
    trip_times,
)
from gate_lines import framed, framed_lines, interval_lines, plain_lines, recording_rows
from gate_physics import (
    FOAM,
    SQUASH,
    Body,
    covering_times,
    directions,
    draw_rigs,
    fly,
    rod,
    speed_at,
    time_at,
)
from scipy.integrate import solve_ivp
from scipy.optimize import brentq, minimize_scalar
from scipy.stats import kstest, norm

EXACT = {
    "spacing_tolerance_m": 0.0,
    "trip_tolerance_m": 0.0,
    "tilt_limit_rad": 0.0,
    "latency_mismatch_s": 0.0,
    "delay_s": (0.0, 0.0),
    "off_centre_m": 0.0,
    "rate_tolerance": 0.0,
}


def rng_of(seed=7):
    return np.random.default_rng(seed)


def exact_rigs(n=1, **changes):
    return draw_rigs(rng_of(), n, **(EXACT | changes))


def test_the_example_in_the_module_holds():
    assert doctest.testmod(gate_physics).failed == 0


@pytest.mark.parametrize(
    ("kappa", "gravity"), [(0, 0), (0.3, 0), (0, 9.81), (0.05, 9.81), (3, 9.81)]
)
def test_motion_agrees_with_scipys_integrator(kappa, gravity):
    speed = np.array([3.0, 12.0])
    for each in speed:
        run = solve_ivp(
            lambda _, y: [y[1], gravity - kappa * y[1] ** 2],
            (0, 0.05),
            [0, each],
            rtol=1e-12,
            atol=1e-14,
        )
        path, end = run.y[:, -1]
        motion = np.array([each]), np.array([float(kappa)]), np.array([float(gravity)])
        assert time_at(path, *motion) == pytest.approx(0.05, rel=1e-9)
        assert speed_at(path, *motion) == pytest.approx(end, rel=1e-9)


def test_the_front_is_faster_by_the_drag_over_half_the_body():
    shot = fly(exact_rigs(), FOAM, 30.0, drag_coefficient=0.5, air_density_kgpm3=1.2)
    kappa = 0.5 * 1.2 * 0.5 * np.pi * 0.035**2 / 0.012
    assert shot.kappa_per_m == pytest.approx(kappa, rel=1e-12)
    assert shot.front_speed_mps == pytest.approx(30 * np.exp(kappa * 0.035), rel=1e-12)
    assert shot.back_speed_mps == pytest.approx(30 * np.exp(-kappa * 0.035), rel=1e-12)


def test_a_leading_edges_transit_is_that_of_the_front_through_the_air():
    shot = fly(exact_rigs(), FOAM, 30.0, drag_coefficient=0.5)
    lead = np.diff(covering_times(shot, 0.0)[0, :, 0])[0]
    kappa = shot.kappa_per_m[0]  # ∫dx/v with v = 30·e^(−κx), from −d/2 − R to d/2 − R
    ends = np.array([-0.15, 0.15]) - 0.035
    assert lead == pytest.approx(np.diff(np.exp(kappa * ends))[0] / (30 * kappa), rel=1e-12)


def test_a_ball_off_centre_shows_its_chord():
    off = np.array([[3e-3, -12e-3]])
    shot = fly(replace(exact_rigs(), off_centre_m=off), SQUASH, 25.0)
    blocked = np.diff(covering_times(shot, 0.0), axis=-1)[0, :, 0]
    assert blocked * 25 == pytest.approx(2 * np.sqrt(0.02**2 - off[0] ** 2), rel=1e-12)


def test_a_ball_beside_a_beam_makes_no_edge_there():
    shot = fly(replace(exact_rigs(), off_centre_m=np.array([[0.0, 21e-3]])), SQUASH, 25.0)
    assert edges_of(rng_of(), shot)["gate"].tolist() == [0, 0]


def test_a_tilted_ball_covers_a_beam_while_the_line_is_within_its_radius():
    rigs = replace(
        draw_rigs(rng_of(3), 20), direction=directions(np.full(20, 0.2), np.arange(20))
    )
    shot = fly(rigs, SQUASH, 1.0)
    got = covering_times(shot, 0.0)
    for i in range(20):
        for gate in (0, 1):
            u, x = rigs.direction[i], rigs.beam_x_m[i, gate]
            z = x / u[0] * u[2] - rigs.off_centre_m[i, gate]
            for edge, far in ((0, -0.05), (1, 0.05)):
                met = brentq(
                    lambda s, u=u, x=x, z=z: np.hypot(s * u[0] - x, s * u[2] - z) - 0.02,
                    x / u[0] + far,
                    x / u[0],
                    xtol=1e-14,
                )
                assert got[i, gate, edge] == pytest.approx(met, abs=1e-12)


def test_a_rod_blocks_for_its_length_over_its_speed():
    shot = fly(replace(exact_rigs(), off_centre_m=np.array([[0.0, 3e-3]])), rod(0.12), 4.0)
    assert np.diff(covering_times(shot, 0.0), axis=-1).ravel() * 4 == pytest.approx([0.12] * 2)


def test_a_rod_tilted_along_the_beams_blocks_longer_by_its_face():
    tilt = directions(0.1)
    shot = fly(replace(exact_rigs(), direction=tilt, lean=tilt), rod(0.12, 0.01), 4.0)
    shadow = 0.12 * np.cos(0.1) + 0.01 * np.sin(0.1)
    blocked = np.diff(covering_times(shot, 0.0), axis=-1).ravel()
    assert blocked * 4 * np.cos(0.1) == pytest.approx([shadow] * 2, rel=1e-12)


def test_a_leaning_rod_covers_a_beam_while_the_line_goes_through_its_solid():
    u, a = directions(0.04, 1.0)[0], directions(0.07, -0.6)[0]
    rigs = replace(exact_rigs(), direction=u[None], lean=a[None])
    rigs = replace(rigs, off_centre_m=np.array([[1e-3, -2e-3]]))
    got = covering_times(fly(rigs, rod(0.12, 0.02), 1.0), 0.0)[0]

    def outside(s, x, z):
        """Above 0 while the whole line stays out of the cylinder (convex along the line)."""

        def point(y):
            from_centre = np.array([x, y, z]) - s * u
            along = from_centre @ a
            return max(abs(along) - 0.06, np.linalg.norm(from_centre - along * a) - 0.01)

        return minimize_scalar(point, bounds=(-0.05, 0.05), options={"xatol": 1e-12}).fun

    for gate in (0, 1):
        x = rigs.beam_x_m[0, gate]
        z = x / u[0] * u[2] - rigs.off_centre_m[0, gate]
        for edge, far in ((0, -0.1), (1, 0.1)):
            met = brentq(outside, x + far, x, args=(x, z), xtol=1e-12)
            assert got[gate, edge] == pytest.approx(met, abs=2e-8)


def test_draws_are_rectangular_within_what_is_stated():
    rigs = draw_rigs(rng_of(), 4000, threshold=0.6, slit_m=3e-3)
    trip = (rigs.threshold - 0.6) * 3e-3
    mismatch = np.diff(rigs.delay_s[:, :, 0], axis=1).ravel()
    tilt = np.arccos(rigs.direction[:, 0])
    for draw, low, width in (
        (rigs.spacing_m, 0.2995, 1e-3),
        (trip[:, 1], -0.2e-3, 0.4e-3),
        (mismatch, -1e-6, 2e-6),
        (rigs.off_centre_m[:, 0], -5e-3, 10e-3),
        (tilt, 0.0, np.radians(1)),
        (rigs.rate_error, -5e-3, 1e-2),
    ):
        assert kstest(draw, "uniform", (low, width)).pvalue > 1e-3


def test_a_threshold_above_half_trips_later_at_both_ends_of_the_slit():
    shot = fly(exact_rigs(slit_m=4e-3, threshold=0.75), SQUASH, 10.0)
    late = trip_times(shot) - covering_times(shot, 0.0)
    # The front has 1 mm more to go; the back lets in a quarter of the light 1 mm sooner.
    assert late[0] * 10 == pytest.approx(np.array([[1e-3, -1e-3]] * 2), rel=1e-6)


def test_hysteresis_and_delays_move_each_edge_by_their_own_amount():
    rigs = exact_rigs(slit_m=4e-3, hysteresis=0.1)
    rigs = replace(rigs, delay_s=np.array([[[1e-6, 2e-6], [3e-6, 4e-6]]]))
    shot = fly(rigs, SQUASH, 10.0)
    late = trip_times(shot) - covering_times(shot, 0.0)
    assert late[0] == pytest.approx(np.array([[21e-6, 22e-6], [23e-6, 24e-6]]), rel=1e-6)


def test_a_slow_sensor_answers_a_step_by_its_time_constant():
    shot = fly(exact_rigs(slit_m=0.0, threshold=0.4, response_s=20e-6), SQUASH, 10.0)
    late = (trip_times(shot) - covering_times(shot, 0.0))[0]
    step = 20e-6 * np.array([-np.log(0.6), -np.log(0.4)])
    assert late == pytest.approx(np.array([step, step]), abs=1e-9)


def test_a_slow_sensor_answers_a_ramp_as_its_equation_says():
    ramp, tau = 30e-6, 12e-6
    run = solve_ivp(
        lambda t, y: (min(t / ramp, 1.0) - y) / tau, (0, 80e-6), [0.0], rtol=1e-9, max_step=2e-7
    )
    got = response(run.t, np.array(ramp), np.array(tau))
    assert got == pytest.approx(run.y[0], abs=1e-5)


@pytest.mark.parametrize("apart", [1e-4, 1.0])  # slow against the passage, and fast
def test_noise_crosses_a_level_as_often_as_rice_says(apart):
    """Rice (1944): upward crossings per second of a flat band are B/√3·exp(−u²/2σ²)."""
    grid = np.arange(1000) / (16 * 1e5)
    begin = np.broadcast_to([0.0, apart], (250, 2, 2))
    noise = band_noise(rng_of(), Band(0.2, 1e5), begin, grid)
    assert np.std(noise) == pytest.approx(0.2, rel=0.01)
    for level in (0.0, 1.0):
        ups = np.sum((noise[..., 1:] > 0.2 * level) & (noise[..., :-1] <= 0.2 * level))
        expected = 1000 * grid[-1] * 1e5 / np.sqrt(3) * np.exp(-(level**2) / 2)
        assert ups == pytest.approx(expected, rel=0.025)


@pytest.mark.parametrize("apart", [1e-4, 4e-4, 5e-3])
def test_noise_keeps_its_correlation_from_leading_to_trailing_edge(apart):
    """A flat band's autocorrelation is sin(2πBτ)/(2πBτ)."""
    begin = np.broadcast_to([0.0, apart], (8000, 2, 2))
    noise = band_noise(rng_of(), Band(1.0, 1e3), begin, np.array([0.0, 1e-6]))[..., 0]
    got = np.mean(noise[..., 0] * noise[..., 1])
    assert got == pytest.approx(np.sinc(2 * 1e3 * apart), abs=0.03)


def test_fast_noise_is_new_at_the_trailing_edge_and_the_other_gate():
    begin = np.broadcast_to([0.0, 1e-3], (4000, 2, 2))
    noise = band_noise(rng_of(), Band(1.0, 1e6), begin, np.array([0.0, 1e-7]))[..., 0]
    assert np.corrcoef(noise.reshape(-1, 4).T) == pytest.approx(np.eye(4), abs=0.06)


def test_a_comparator_holds_its_state_between_its_thresholds():
    signal = np.array([0.0, 0.5, 0.7, 0.5, 0.3, 0.5, 0.3, 0.7])
    assert schmitt(signal, 0.4, 0.6, np.array(0)).tolist() == [0, 0, 1, 1, 0, 0, 0, 1]


def test_almost_no_noise_leaves_the_clean_edges():
    shot = fly(draw_rigs(rng_of(), 30, response_s=3e-6, hysteresis=0.02), SQUASH, 50.0)
    seen = noisy_transitions(rng_of(), shot, [Band(1e-6, 1e6)])
    assert len(seen.time_s) == 120
    assert seen.level.reshape(30, 4).tolist() == [[1, 0, 1, 0]] * 30
    assert seen.time_s.reshape(30, 2, 2) == pytest.approx(trip_times(shot), abs=1e-9)


def test_slow_noise_moves_an_edge_by_noise_over_slope_and_makes_no_bounce():
    shot = fly(exact_rigs(800, slit_m=2e-3), SQUASH, 20.0)
    seen = noisy_transitions(rng_of(), shot, [Band(0.03, 200.0)])
    moved = seen.time_s.reshape(800, 2, 2) - trip_times(shot)
    assert np.std(moved) == pytest.approx(0.03 * 100e-6, rel=0.05)
    # More signal trips a front sooner and holds a back longer: the noise is common, 2 ms apart.
    assert np.corrcoef(moved[:, 0].T)[0, 1] == pytest.approx(-np.sinc(2 * 200 * 2e-3), abs=0.08)


def test_fast_noise_bounces_as_often_as_rice_says_on_a_ramp():
    """With k = slope/σ′: mean upward crossings on a ramp are φ(k)/k + Φ(k)."""
    shot = fly(exact_rigs(300, slit_m=5e-3), SQUASH, 45.0)
    seen = noisy_transitions(rng_of(), shot, [Band(0.05, 3e5)])
    slope = 45 / 5e-3
    k = slope / (0.05 * 2 * np.pi * 3e5 / np.sqrt(3))
    ups = np.sum((seen.gate == 0) & (seen.level == 1) & (seen.time_s < -0.15 / 45))
    assert ups / 300 == pytest.approx(norm.pdf(k) / k + norm.cdf(k), rel=0.05)


def test_each_gate_ends_as_it_began_and_its_levels_alternate():
    shot = fly(draw_rigs(rng_of(), 20, slit_m=5e-3, hysteresis=0.01), SQUASH, 45.0)
    seen = noisy_transitions(rng_of(), shot, [Band(0.05, 2e6)], shortest_pulse_s=2e-7)
    assert len(seen.time_s) > 300
    for i in range(20):
        for gate in (0, 1):
            of = (seen.shot == i) & (seen.gate == gate)
            levels, times = seen.level[of], seen.time_s[of]
            assert levels.tolist() == [1, 0] * (len(levels) // 2)
            assert np.all(np.diff(times) > 2e-7)


def test_a_counter_cuts_down_to_whole_steps_and_runs_at_its_own_rate():
    board = Board(frequency_hz=1e6, step=4)
    times = rng_of().uniform(0, 1, 5000)
    ticks = counted(times, np.full(5000, 2e-3), np.zeros(5000), board)
    left = times * 1e6 * 1.002 - ticks
    assert set(ticks % 4) == {0}
    assert kstest(left, "uniform", (0, 4)).pvalue > 1e-3


def test_transits_in_coarse_steps_have_the_triangular_spread_of_two_phases():
    shot = fly(exact_rigs(5000), SQUASH, rng_of().uniform(40, 60, 5000))
    board = Board(frequency_hz=1e6, step=4, jitter_s=0.0)
    transit = np.diff(ticks_of(rng_of(), shot, board)[:, :, 0], axis=1).ravel()
    error = transit - 0.3 / shot.speed_mps * 1e6
    assert np.std(error) == pytest.approx(4 / np.sqrt(6), rel=0.03)
    assert abs(np.mean(error)) < 0.1


def test_the_fast_path_and_the_whole_path_tell_the_same_transits():
    shot = fly(draw_rigs(rng_of(), 50), SQUASH, 33.0)
    board = replace(CAPTURE, jitter_s=0.0)
    edges = edges_of(rng_of(), shot, board)
    whole = np.diff(edges["ticks"].reshape(50, 4), axis=1)
    fast = np.diff(ticks_of(rng_of(5), shot, board).reshape(50, 4), axis=1)
    assert np.abs(whole - fast).max() <= 1


def seen_at(*times, gates=None):
    gates = np.zeros(len(times), int) if gates is None else np.array(gates)
    levels = [int(np.sum(gates[:i] == g) % 2 == 0) for i, g in enumerate(gates)]
    return Transitions(
        np.zeros(len(times), int), gates, np.array(levels), np.array(times) * 1e-6
    )


def told_by(kind, seen):
    kept, stamp, late = served(rng_of(), seen, Board(busy_s=6e-6, busy_kind=kind))
    return kept.tolist(), stamp * 1e6, late.tolist()


def test_a_busy_handler_stamps_the_next_edge_late():
    kept, stamp, late = told_by("flag", seen_at(0.0, 2.0, 30.0))
    assert (kept, late) == ([0, 1, 2], [False, True, False])
    assert stamp == pytest.approx([0, 6, 30])


def test_a_pulse_within_a_handlers_time_vanishes():
    kept, stamp, late = told_by("flag", seen_at(0.0, 2.0, 3.0, 7.0))
    assert (kept, late) == ([0, 3], [False, True])  # the empty turn keeps it busy till 12
    assert stamp == pytest.approx([0, 12])


def test_the_other_gates_edge_waits_for_the_one_handler():
    kept, stamp, late = told_by("flag", seen_at(0.0, 1.0, 2.0, gates=[0, 1, 0]))
    assert (kept, late) == ([0, 2, 1], [False, True, True])
    assert stamp == pytest.approx([0, 6, 12])


def test_a_queue_keeps_every_edge_between_its_time_and_the_busy_times_end():
    kept, stamp, late = told_by("queue", seen_at(0.0, 1.0, 2.0, 20.0))
    assert (kept, late) == ([0, 1, 2, 3], [False, True, True, False])
    assert 1 <= stamp[1] <= 6
    assert max(2, stamp[1]) <= stamp[2] <= 7


def edges_at(*rows):
    return np.array([(0, g, level, ticks, late, 0.0) for g, level, ticks, late in rows], EDGE)


def test_lines_are_those_of_the_contract():
    edges = edges_at((0, 1, 0x3F2A1, False), (1, 1, 0xF42400, True))
    lines = [line for _, line in framed_lines(edges, until_s=2.0)]
    assert [line[:-5] for line in lines] == [
        "H 1 16000000 32 gates-328p 1.0",
        "E 0000 A 1 0003F2A1",
        "L 0001 B 1 00F42400",
        "T 0002 00F42400 11 0000",
        "T 0003 01E84800 11 0000",
    ]
    for line in lines:
        assert line[-4:] == f"{Crc16CcittFalse.calc(line[:-5].encode()):04X}"
    assert framed("123456789").endswith(" 29B1")


def test_a_lost_line_leaves_a_gap_in_the_sequence():
    edges = edges_at((0, 1, 10, False), (0, 0, 20, False), (1, 1, 2**32 + 30, False))
    lost = np.array([False, True, False])
    told = [line[:-5] for _, line in framed_lines(edges, lost=lost, beats=False)][1:]
    assert told == ["E 0000 A 1 0000000A", "E 0002 B 1 0000001E"]


def test_plain_and_interval_lines_tell_microseconds():
    edges = edges_at((0, 1, 100, False), (0, 0, 1300, False), (1, 1, 9100, False))
    board = Board(frequency_hz=1e6)
    assert [line for _, line in plain_lines(edges, board)] == ["A 100", "B 9100"]
    assert [line for _, line in plain_lines(edges, board, with_level=True)] == [
        "A 1 100",
        "A 0 1300",
        "B 1 9100",
    ]
    assert [line for _, line in interval_lines(edges, board)] == ["9000"]


def test_a_recordings_rows_carry_the_hosts_true_time():
    rows = recording_rows(
        '{"a": 1}\n', [(0.001, "H"), (1.001, "T"), (1.001, "E")], rate_error=1e-3
    )
    assert rows[0] == "host_us\torigin\tline"
    assert rows[2] == '0\trig\t{"a": 1}'
    assert rows[3:] == ["3999\tboard\tH", "1003000\tboard\tT", "1003001\tboard\tE"]


def test_a_body_shorter_than_a_slit_and_a_trip_outside_a_beam_are_refused():
    with pytest.raises(ValueError, match="shorter"):
        trip_times(fly(exact_rigs(slit_m=6e-3), Body(1e-3, 4.5e-3, 4.5e-3), 10.0))
    with pytest.raises(ValueError, match="outside its beam"):
        draw_rigs(rng_of(), 100, slit_m=0.3e-3)
