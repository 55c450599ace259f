"""The virtual board: true wire lines, and the truth behind them."""

from collections import Counter
from dataclasses import replace
from itertools import pairwise, takewhile

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from scipy.integrate import solve_ivp
from virtual_kit import noise_free

from chrono.arrays.events import EventKind
from chrono.reader.line_grammar import PARSERS, Event, Hello, parse_framed
from chrono.rigs.line_kinds import FRAMED, INTERVAL, PLAIN, LineKind
from chrono.virtual.scenarios import (
    SCENARIOS,
    SQUASH_BALL,
    STEEL_BALL,
    Lamp,
    Play,
    VirtualFall,
    VirtualFlight,
)
from chrono.virtual.virtual_board import (
    TimedLine,
    board_lines,
    launches,
    operator_rows,
    setup_changes,
    true_rig,
)

BEATING = [name for name, s in SCENARIOS.items() if s.board.lines.has_beats]
SEEDS = st.integers(0, 2**32)


def lines_until(name: str, seed: int, end_s: float, **options: float) -> list[TimedLine]:
    lines = board_lines(SCENARIOS[name], seed, **options)
    return list(takewhile(lambda item: item[0] < end_s, lines))


def events(lines: list[TimedLine], kind: LineKind = FRAMED) -> list[Event]:
    parsed = [PARSERS[kind.name](line.removesuffix(b"\n")) for _, line in lines]
    return [event for event in parsed if isinstance(event, Event)]


def leading(lines: list[TimedLine], gate: int, kind: LineKind = FRAMED) -> list[int]:
    return [
        e.counter
        for e in events(lines, kind)
        if e.kind == EventKind.EDGE and e.gate == gate and e.level
    ]


def test_the_same_seed_gives_the_same_lines_and_another_seed_others() -> None:
    assert lines_until("noisy-hall", 3, 40) == lines_until("noisy-hall", 3, 40)
    assert lines_until("noisy-hall", 3, 40) != lines_until("noisy-hall", 4, 40)


@pytest.mark.parametrize("name", SCENARIOS)
@given(seed=SEEDS)
@settings(max_examples=10)
def test_every_line_is_a_true_line_of_its_kind(name: str, seed: int) -> None:
    lines = lines_until(name, seed, 30)
    parse = PARSERS[SCENARIOS[name].board.lines.name]
    assert lines
    for _, line in lines:
        assert line.endswith(b"\n")
        assert isinstance(parse(line[:-1]), Event | Hello)


@pytest.mark.parametrize("name", BEATING)
def test_a_framed_board_says_hello_first_and_numbers_its_lines_without_gap(name: str) -> None:
    (_, hello), *rest = lines_until(name, 1, 40)
    assert isinstance(parse_framed(hello[:-1]), Hello)
    assert [e.sequence for e in events(rest)] == list(range(len(rest)))


@pytest.mark.parametrize("name", BEATING)
def test_beats_come_once_a_second_of_the_counter(name: str) -> None:
    board = SCENARIOS[name].board
    beats = [e.counter for e in events(lines_until(name, 2, 39.5)) if e.kind == EventKind.BEAT]
    apart = {(b - a) % 2**board.counter_bits for a, b in pairwise(beats)}
    assert len(beats) == 39
    assert all(abs(ticks - board.frequency_hz) <= 1 for ticks in apart)


@pytest.mark.parametrize("name", SCENARIOS)
def test_no_line_leaves_before_the_one_ahead_of_it_is_out(name: str) -> None:
    board = SCENARIOS[name].board
    for (before, _), (after, line) in pairwise(lines_until(name, 5, 40)):
        assert after - before >= 10 * len(line) / board.bits_per_s - 1e-9


def test_after_the_last_shot_the_board_goes_on_beating_without_edges() -> None:
    lines = lines_until("two-bands", 7, 60, shots=3)
    assert sum(e.kind == EventKind.EDGE for e in events(lines)) == 12
    assert events(lines)[-1].kind == EventKind.BEAT
    assert lines[-1][0] > 59


def test_a_plain_board_falls_silent_after_the_last_shot() -> None:
    assert len(list(board_lines(SCENARIOS["plain-board"], 7, shots=3))) == 6


@pytest.mark.parametrize("name", ["two-bands", "air-high", "slow-roll"])
@given(seed=SEEDS)
@settings(max_examples=20)
def test_without_noise_the_counter_gives_the_true_speed_to_a_tick(name: str, seed: int) -> None:
    scenario = replace(noise_free(SCENARIOS[name]), companion=None)
    truth = list(launches(scenario, seed, shots=5))
    lines = list(takewhile(lambda x: x[0] < 60, board_lines(scenario, seed, shots=5)))
    edges = [e for e in events(lines) if e.kind == EventKind.EDGE]
    assert len(edges) == 20
    for shot, launch in enumerate(truth):
        a_in, a_out, b_in, b_out = (e.counter for e in edges[4 * shot : 4 * shot + 4])
        transit_s = ((b_in - a_in) + (b_out - a_out)) / 2 / scenario.board.frequency_hz
        drag = (scenario.body.drag_per_m * scenario.gates.spacing_m) ** 2
        tick = scenario.board.tick_s / transit_s
        assert scenario.gates.spacing_m / transit_s == pytest.approx(
            launch.speed_mps, rel=tick + drag
        )
        blocked_s = (a_out - a_in) / scenario.board.frequency_hz
        assert launch.speed_mps * blocked_s == pytest.approx(scenario.body.length_m, rel=0.005)


def test_a_sketch_on_4_us_steps_sends_only_multiples_of_four() -> None:
    lines = lines_until("plain-board", 1, 200)
    assert {e.counter % 4 for e in events(lines, PLAIN)} == {0}
    assert len(events(lines, PLAIN)) > 50


def test_an_interval_board_sends_the_transit_alone() -> None:
    scenario = noise_free(SCENARIOS["interval-board"])
    truth = [x.speed_mps for x in launches(scenario, 9, shots=20)]
    sent_us = [e.counter for e in events(list(board_lines(scenario, 9, shots=20)), INTERVAL)]
    # by its leading edges a ball is timed half its length early, where it is faster still
    early = np.exp(scenario.body.drag_per_m * scenario.body.length_m / 2)
    expected_us = [scenario.gates.spacing_m / (v * early) * 1e6 for v in truth]
    assert len(sent_us) == 20
    assert sent_us == pytest.approx(expected_us, abs=4.01)


def test_the_class_afternoon_wraps_the_counter_while_shots_are_made() -> None:
    counters = leading(lines_until("class-afternoon", 1, 60), 0)
    assert sum(b < a for a, b in pairwise(counters)) == 1


def test_errors_of_the_rig_fill_their_tolerances_and_never_leave_them() -> None:
    scenario = SCENARIOS["plain-board"]
    gates, limit = scenario.gates, scenario.board.rate_tolerance
    rigs = [true_rig(scenario, seed) for seed in range(2000)]
    rates = np.array([r.rate_error for r in rigs])
    spans = np.array([r.positions_m[1] - r.positions_m[0] for r in rigs])
    lags = np.array([r.latencies_s[1] - r.latencies_s[0] for r in rigs])
    reach = gates.spacing_tolerance_m + 2 * gates.trip_tolerance_m
    stretch = gates.spacing_m * (1 / np.cos(np.radians(gates.tilt_limit_deg)) - 1)
    assert np.abs(rates).max() <= limit
    # standard deviation of a rectangular distribution: half-width over the root of three
    assert rates.std() == pytest.approx(limit / np.sqrt(3), rel=0.05)
    assert (np.abs(spans - gates.spacing_m) <= reach + stretch).all()
    # rectangular parts add in quadrature; the tilt lengthens the path by a sixth of its square
    parts_m = np.hypot(gates.spacing_tolerance_m, np.sqrt(2) * gates.trip_tolerance_m)
    assert spans.std() == pytest.approx(parts_m / np.sqrt(3), rel=0.05)
    longer = 1 + np.radians(gates.tilt_limit_deg) ** 2 / 6
    assert spans.mean() == pytest.approx(gates.spacing_m * longer, abs=4 * spans.std() / 44)
    assert np.abs(lags).max() <= gates.latency_mismatch_s
    assert lags.std() == pytest.approx(gates.latency_mismatch_s / np.sqrt(3), rel=0.05)


@given(speed=st.floats(0.5, 100), kappa=st.floats(1e-4, 0.5), position=st.floats(-1.0, 1.0))
@settings(max_examples=30)
def test_a_flight_obeys_the_equation_of_quadratic_drag(
    speed: float, kappa: float, position: float
) -> None:
    flight = VirtualFlight(replace(SQUASH_BALL, drag_per_m=kappa), speed, 2.0)
    time_s = flight.time_at(position) - 2.0
    path = solve_ivp(
        lambda _, y: [y[1], -kappa * y[1] * abs(y[1])],
        (0.0, time_s),
        [0.0, speed],
        rtol=1e-10,
        atol=1e-12,
    )
    assert path.y[0, -1] == pytest.approx(position, abs=1e-6)


@given(kappa=st.floats(1e-4, 0.5), fallen=st.floats(0.01, 2.0), further=st.floats(0.01, 1.0))
@settings(max_examples=30)
def test_a_fall_obeys_gravity_and_quadratic_drag(
    kappa: float, fallen: float, further: float
) -> None:
    body = replace(STEEL_BALL, drag_per_m=kappa)
    fall = VirtualFall(body, 0.0, 2.0, release_m=-fallen, acceleration_mps2=9.8)
    times_s = [fall.time_at(x) - fall.time_at(-fallen) for x in (0.0, further)]
    path = solve_ivp(
        lambda _, y: [y[1], 9.8 - kappa * y[1] ** 2],
        (0.0, times_s[1]),
        [0.0, 0.0],
        t_eval=times_s,
        rtol=1e-10,
        atol=1e-12,
    )
    assert fall.time_at(0.0) == pytest.approx(2.0, abs=1e-12)
    assert path.y[0] == pytest.approx([fallen, fallen + further], abs=1e-6)


def test_a_dropped_ball_has_the_speed_that_its_truth_tells() -> None:
    for launch in launches(SCENARIOS["drop-test"], 3, shots=5):
        (fall,) = launch.flights
        slope = (fall.time_at(1e-6) - fall.time_at(-1e-6)) / 2e-6
        assert 1 / slope == pytest.approx(fall.speed_mps, rel=1e-5)
        assert 3.4 < fall.speed_mps < 3.8


def test_a_dropped_ball_falls_half_a_metre_of_air_to_gate_a() -> None:
    scenario = SCENARIOS["drop-test"]
    rig = true_rig(scenario, 3)
    for launch in launches(scenario, 3, shots=5):
        (fall,) = launch.flights
        lower_edge_m = fall.release_m + 0.0125
        assert rig.positions_m[0] - lower_edge_m == pytest.approx(0.5, abs=2.5e-3)
        # the ball of 64.2 g displaces 8.18 ml of air, 9.82 mg: they lift it, half moves with it
        in_air = 1 - 1.5 * 9.82e-6 / 64.2e-3
        assert fall.acceleration_mps2 / rig.gravity_mps2 == pytest.approx(in_air, rel=1e-6)
        assert rig.gravity_mps2 == pytest.approx(9.810, abs=2e-3)


@pytest.mark.parametrize("seed", [1, 2, 3])
def test_exchanged_sensors_are_the_same_ones_in_the_same_gates(seed: int) -> None:
    before, after = (true_rig(SCENARIOS[f"swap-{x}"], seed) for x in ("before", "after"))
    assert after.latencies_s == before.latencies_s[::-1] != before.latencies_s
    assert replace(after, latencies_s=before.latencies_s) == before


@pytest.mark.parametrize("seed", [1, 2, 3])
def test_two_boards_hear_the_very_same_shots_through_the_same_gates(seed: int) -> None:
    plain, fine = SCENARIOS["plain-board"], SCENARIOS["fine-board"]
    assert list(launches(plain, seed, shots=20)) == list(launches(fine, seed, shots=20))
    rigs = [true_rig(scenario, seed) for scenario in (plain, fine)]
    assert rigs[0].positions_m == rigs[1].positions_m
    assert rigs[0].latencies_s == rigs[1].latencies_s
    assert abs(rigs[1].rate_error) < 50e-6


def test_the_pico_board_hears_the_shots_of_the_plain_board_by_its_own_counter() -> None:
    pico = SCENARIOS["pico-board"]
    assert list(launches(pico, 3, shots=5)) == list(
        launches(SCENARIOS["plain-board"], 3, shots=5)
    )
    until_60 = takewhile(lambda x: x[0] < 60, board_lines(pico, 3, shots=5))
    first, *lines = (line.rstrip() for _, line in until_60)
    hello = parse_framed(first)
    assert isinstance(hello, Hello)
    assert (hello.frequency_hz, hello.counter_bits) == (62_500_000, 31)
    counters = [event.counter for event in map(parse_framed, lines) if isinstance(event, Event)]
    assert max(counters) < 2**31
    assert sum(a > b for a, b in pairwise(counters)) >= 1


@pytest.mark.parametrize("name", SCENARIOS)
@pytest.mark.parametrize("speedup", [1.0, 10.0, 1000.0])
def test_launches_never_overlap_however_fast_they_follow(name: str, speedup: float) -> None:
    scenario = SCENARIOS[name]
    window_s = scenario.gates.spacing_m / scenario.gates.slowest_mps
    for before, after in pairwise(launches(scenario, 3, shots=200, speedup=speedup)):
        last_out = max(f.blocks(scenario.gates.spacing_m / 2)[1] for f in before.flights)
        first_in = after.flights[0].blocks(-scenario.gates.spacing_m / 2)[0]
        assert first_in > last_out
        assert after.flights[0].midway_s - before.flights[0].midway_s >= window_s


@given(seed=SEEDS)
@settings(max_examples=10)
def test_the_counter_runs_at_the_rate_of_the_true_rig(seed: int) -> None:
    lines = list(board_lines(SCENARIOS["plain-board"], seed, shots=50))
    first, last = lines[0], lines[-1]
    counted = [event.counter * 1e-6 for event in events([first, last], PLAIN)]
    rate = (counted[1] - counted[0]) / (last[0] - first[0])
    # 4 us steps, 2 us jitter and one character more on the line in more than 100 s
    assert rate - 1 == pytest.approx(
        true_rig(SCENARIOS["plain-board"], seed).rate_error, abs=2e-6
    )


@given(seed=SEEDS)
@settings(max_examples=20)
def test_the_gates_trip_where_the_true_rig_has_them(seed: int) -> None:
    plain = SCENARIOS["three-bands"]
    scenario = replace(noise_free(plain), gates=plain.gates)
    rig = true_rig(scenario, seed)
    lines = takewhile(lambda x: x[0] < 60, board_lines(scenario, seed, shots=3))
    edges = [e for e in events(list(lines)) if e.kind == EventKind.EDGE]
    for launch, first in zip(launches(scenario, seed, shots=3), range(0, 12, 4), strict=True):
        a_in, a_out, b_in, b_out = (e.counter for e in edges[first : first + 4])
        middle_s = ((b_in + b_out) - (a_in + a_out)) / 2 / 16e6
        span_m = rig.positions_m[1] - rig.positions_m[0]
        lag_s = rig.latencies_s[1] - rig.latencies_s[0]
        # one tick is 2 um of path, quadratic drag over the span about 0.3 um
        assert (middle_s - lag_s) * launch.speed_mps == pytest.approx(span_m, abs=4e-6)


def test_a_beam_blocked_twice_is_clear_only_when_both_are_gone() -> None:
    lamps = (Lamp(0, 100.0, 0.3, 10.0, 1.0), Lamp(0, 100.0, 0.6, 10.0, 1.0))
    scenario = replace(noise_free(SCENARIOS["two-bands"]), lamps=lamps)
    lines = takewhile(lambda x: x[0] < 14, board_lines(scenario, 1, shots=0))
    edges = [e for e in events(list(lines)) if e.kind == EventKind.EDGE]
    on = [b.counter - a.counter for a, b in zip(edges[::2], edges[1::2], strict=True)]
    assert on == pytest.approx([0.6 * 16e6 / 100] * 100, abs=1.01)


def test_a_speedup_leaves_the_counter_true() -> None:
    beats = [
        e
        for e in events(lines_until("two-bands", 4, 20, speedup=10))
        if e.kind == EventKind.BEAT
    ]
    assert len(beats) == 19
    assert (
        len(list(takewhile(lambda x: x.ready_s < 20, launches(SCENARIOS["two-bands"], 4)))) < 10
    )
    assert len(leading(lines_until("two-bands", 4, 20, speedup=10), 0)) > 40


def test_wads_follow_at_the_speed_the_truth_tells() -> None:
    scenario = SCENARIOS["air-low"]
    truth = list(launches(scenario, 2, shots=100))
    behind = [x for x in truth if len(x.flights) == 2]
    assert 80 <= len(behind) <= 98
    for launch in behind:
        ball, wad = launch.flights
        assert wad.midway_s > ball.midway_s
        assert 0.4 < wad.speed_mps / ball.speed_mps < 0.9


def test_wads_leave_the_mouth_with_the_ball_at_their_part_of_its_speed() -> None:
    scenario = SCENARIOS["noisy-hall"]
    companion, mouth_m = scenario.companion, -scenario.gates.muzzle_distance_m
    assert companion is not None
    ratios = []
    for launch in launches(scenario, 5, shots=1000):
        if len(launch.flights) < 2:
            continue
        leaves_s = [flight.time_at(mouth_m) for flight in launch.flights]
        assert leaves_s[0] == pytest.approx(leaves_s[1], abs=1e-9)
        ball_s, wad_s = (
            flight.time_at(mouth_m + 1e-3) - flight.time_at(mouth_m - 1e-3)
            for flight in launch.flights
        )
        ratios.append(ball_s / wad_s)
    by_chance = 4 * companion.ratio_spread / np.sqrt(len(ratios))
    assert by_chance < 0.02
    assert np.mean(ratios) == pytest.approx(companion.speed_ratio, abs=by_chance)


@pytest.mark.parametrize("seed", range(5))
def test_the_true_spacing_is_that_of_the_places_where_the_gates_trip(seed: int) -> None:
    """Along a path up to 1° off the axis the places are up to 1/cos 1° farther apart."""
    rig = true_rig(SCENARIOS["two-bands"], seed)
    along_path_m = rig.positions_m[1] - rig.positions_m[0]
    assert 1 - 1e-12 <= along_path_m / rig.spacing_m <= 1.000153


def test_a_lamp_trips_its_gate_at_its_frequency() -> None:
    scenario = replace(
        noise_free(SCENARIOS["two-bands"]), lamps=(Lamp(1, 120.0, 0.2, 10.0, 3.0),)
    )
    lines = takewhile(lambda x: x[0] < 14, board_lines(scenario, 1, shots=0))
    edges = [e for e in events(list(lines)) if e.kind == EventKind.EDGE]
    ups = [e.counter for e in edges if e.level]
    assert {e.gate for e in edges} == {1}
    assert len(ups) == 360
    assert np.diff(ups) == pytest.approx(16e6 / 120, abs=1.01)
    on = [b.counter - a.counter for a, b in zip(edges[::2], edges[1::2], strict=True)]
    assert on == pytest.approx([0.2 * 16e6 / 120] * 360, abs=1.01)


def test_edges_beyond_what_the_serial_line_carries_are_lost_and_counted() -> None:
    flood = Lamp(0, 3000.0, 0.5, 10.0, 1.0)
    scenario = replace(noise_free(SCENARIOS["two-bands"]), lamps=(flood,))
    lines = list(takewhile(lambda x: x[0] < 14, board_lines(scenario, 1, shots=0)))
    kinds = Counter(e.kind for e in events(lines))
    told = [e.lost for e in events(lines) if e.kind == EventKind.BEAT][-1]
    assert told > 1000
    assert kinds[EventKind.EDGE] + kinds[EventKind.LATE] + told == 6000


def test_chatter_adds_edges_that_come_in_pairs() -> None:
    quiet = replace(noise_free(SCENARIOS["two-bands"]), companion=None)
    noisy = replace(quiet, bounce_probability=1.0)
    edges = [
        e
        for e in events(list(takewhile(lambda x: x[0] < 100, board_lines(noisy, 1, shots=20))))
        if e.kind != EventKind.BEAT
    ]
    assert len(edges) == 20 * 2 * 6
    for gate in (0, 1):
        assert [e.level for e in edges if e.gate == gate] == [1, 0] * (20 * 3)
    # 4.2 us of 62.5 ns: what is closer is told that far apart, and told to be late
    apart = {b.kind: [] for b in edges}
    for before, after in pairwise(edges):
        apart[after.kind].append(after.counter - before.counter)
    assert set(apart[EventKind.LATE]) == {67, 68}
    assert min(apart[EventKind.EDGE]) >= 67


def test_missed_edges_are_missing() -> None:
    scenario = replace(SCENARIOS["two-bands"], missed_probability=0.1)
    lines = takewhile(lambda x: x[0] < 4000, board_lines(scenario, 1, shots=500))
    edges = sum(e.kind == EventKind.EDGE for e in events(list(lines)))
    # binomial: 2000 edges, 200 missed on average, standard deviation 13
    assert 1800 - 60 < edges < 1800 + 60


def test_setups_change_in_blocks_while_nothing_flies() -> None:
    scenario = SCENARIOS["class-afternoon"]
    truth = list(launches(scenario, 6, shots=40))
    changes = list(setup_changes(scenario, 6, shots=40))
    assert [s.name for _, s in changes] == ["two bands", "three bands"] * 2
    assert changes[0][0] == 0.0
    for time_s, setup in changes[1:]:
        before = [x for x in truth if x.flights[0].midway_s < time_s][-1]
        after = next(x for x in truth if x.flights[0].midway_s > time_s)
        assert before.setup != setup == after.setup


def test_an_operators_rows_never_run_dry_while_a_scenario_with_two_setups_goes_on() -> None:
    rows = operator_rows(Play(SCENARIOS["class-afternoon"]))
    times = [next(rows)[0] for _ in range(10)]
    assert times == sorted(times)
    assert [x[2]["name"] for x in operator_rows(Play(SCENARIOS["two-bands"]))] == ["two bands"]
