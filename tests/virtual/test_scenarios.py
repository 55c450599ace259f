"""Scenarios: their rigs and the addresses that ask for them."""

from math import radians

import pytest
from hypothesis import given
from hypothesis import strategies as st

from chrono.errors import PortError
from chrono.rigs.rig_file import parse_rig
from chrono.virtual.scenarios import SCENARIOS, Play, parse_play, rig_text


@pytest.mark.parametrize("name", SCENARIOS)
def test_the_rig_text_of_a_scenario_describes_its_gates_clock_and_body(name: str) -> None:
    scenario = SCENARIOS[name]
    rig = parse_rig(rig_text(scenario))
    gates, board, body = scenario.gates, scenario.board, scenario.body
    assert rig.lines == board.lines
    assert (
        rig.gates.spacing_m,
        rig.gates.spacing_tolerance_m,
        rig.gates.trip_tolerance_m,
        rig.gates.tilt_limit_rad,
        rig.gates.latency_mismatch_s,
        rig.clock.tick_s,
        rig.clock.counter_bits,
        rig.clock.rate_tolerance,
        rig.clock.jitter_s,
    ) == pytest.approx(
        (
            gates.spacing_m,
            gates.spacing_tolerance_m,
            gates.trip_tolerance_m,
            radians(gates.tilt_limit_deg),
            gates.latency_mismatch_s,
            board.tick_s,
            board.counter_bits,
            board.rate_tolerance,
            board.jitter_s,
        )
    )
    assert (rig.body.name, rig.body.mass_kg) == (body.name, pytest.approx(body.mass_kg))
    assert (rig.body.diameter_m, rig.body.length_m) == pytest.approx(
        (body.diameter_m, body.length_m)
    )
    assert (rig.window.slowest_mps, rig.window.fastest_mps) == pytest.approx(
        (gates.slowest_mps, gates.fastest_mps)
    )
    assert rig.site.muzzle_distance_m == pytest.approx(gates.muzzle_distance_m)


@pytest.mark.parametrize("name", SCENARIOS)
def test_the_speeds_of_a_scenario_lie_within_its_rigs_window(name: str) -> None:
    scenario = SCENARIOS[name]
    for setup in scenario.setups:
        spread = 5 * setup.relative_spread
        assert setup.speed_mps * (1 - spread) > scenario.gates.slowest_mps
        assert setup.speed_mps * (1 + spread) < scenario.gates.fastest_mps


def test_an_address_without_options_asks_for_an_endless_play_at_its_own_pace() -> None:
    assert parse_play("virtual://two-bands") == Play(SCENARIOS["two-bands"])


def test_an_address_states_seed_shots_and_speedup() -> None:
    play = parse_play("virtual://air-low?seed=7&shots=20&speedup=2.5")
    assert play == Play(SCENARIOS["air-low"], seed=7, shots=20, speedup=2.5)


@given(
    st.builds(
        Play,
        st.sampled_from(list(SCENARIOS.values())),
        seed=st.integers(0, 10**9),
        shots=st.none() | st.integers(0, 10**6),
        speedup=st.floats(0.1, 1000),
    )
)
def test_the_address_of_a_play_asks_for_that_play(play: Play) -> None:
    assert parse_play(play.url) == play


def test_an_unknown_scenario_is_refused_with_the_list_of_those_there_are() -> None:
    with pytest.raises(PortError) as refused:
        parse_play("virtual://three-band")
    assert refused.value.where == "virtual://three-band"
    assert "'three-band'" in refused.value.message
    assert all(name in refused.value.hint for name in SCENARIOS)


def test_an_unknown_option_is_refused_with_the_list_of_those_there_are() -> None:
    with pytest.raises(PortError, match="no option 'shot'") as refused:
        parse_play("virtual://two-bands?shot=3")
    assert "seed, shots, speedup" in refused.value.hint


@pytest.mark.parametrize(
    "query",
    ["seed=", "seed=x", "seed=-1", "shots=1.5", "speedup=nan", "speedup=0", "speedup=1e9"],
)
def test_an_impossible_value_is_refused_with_what_is_wanted(query: str) -> None:
    with pytest.raises(PortError) as refused:
        parse_play(f"virtual://two-bands?{query}")
    assert query.partition("=")[0] in refused.value.message
    assert "the value must be a" in refused.value.hint


@given(st.text(max_size=60))
def test_any_text_after_the_scheme_is_a_play_or_a_port_error_that_a_terminal_may_show(
    text: str,
) -> None:
    said = ""
    try:
        parse_play(f"virtual://{text}")
    except PortError as refused:
        said = str(refused).replace("\n", "")
    assert said.isprintable()
