"""The bench: steps, the rig it is, presets that make one contribution rule."""

from dataclasses import replace
from pathlib import Path

import pytest
from hypothesis import given
from hypothesis import strategies as st

from chrono.measuring.improvements import group_shares
from chrono.measuring.speed import SpeedModel, shot_budget
from chrono.processor.shot_records import EdgesUsed
from chrono.rigs.rig_file import rig_from_record, rig_record
from chrono.session.recording_loader import read_recording
from chrono.teaching.error_lab import look
from chrono.teaching.lab_bench import PRESETS, USUAL, VALUES, bench_of_rig, bench_of_shot

DEMOS = Path(__file__).parents[2] / "recordings"


@pytest.mark.parametrize("name", [name for name in VALUES if name != "edges"])
def test_steps_go_through_every_value_and_stop_at_both_ends(name: str) -> None:
    bench = replace(USUAL, base=USUAL.base, trip_m=0.0)
    for _ in range(40):
        bench = bench.stepped(name, -1)
    seen = [getattr(bench, name)]
    for _ in range(40):
        bench = bench.stepped(name, +1)
        seen.append(getattr(bench, name))
    assert list(dict.fromkeys(seen)) == pytest.approx(list(VALUES[name]))
    assert getattr(bench.stepped(name, +1), name) == VALUES[name][-1]


def test_edges_go_round() -> None:
    bench, seen = USUAL, []
    for _ in range(3):
        bench = bench.stepped("edges", 1)
        seen.append(bench.edges)
    assert seen == [EdgesUsed.LEAD, EdgesUsed.TRAIL, EdgesUsed.BOTH]
    assert USUAL.stepped("edges", -1).edges == EdgesUsed.TRAIL


def test_a_value_between_two_steps_goes_to_the_next_one() -> None:
    bench = replace(USUAL, speed_mps=22.0)
    assert bench.stepped("speed_mps", 1).speed_mps == 30
    assert bench.stepped("speed_mps", -1).speed_mps == 20
    assert replace(USUAL, speed_mps=900.0).stepped("speed_mps", 1).speed_mps == 900
    assert replace(USUAL, speed_mps=0.1).stepped("speed_mps", -1).speed_mps == 0.1


@given(
    st.lists(st.tuples(st.sampled_from(list(VALUES)), st.sampled_from([-1, 1])), max_size=60)
)
def test_whatever_is_pressed_the_bench_is_a_rig_with_a_budget(keys) -> None:
    bench = USUAL
    for name, direction in keys:
        bench = bench.stepped(name, direction)
    rig = bench.rig
    assert rig.clock.tick_s == pytest.approx(bench.tick_s)
    assert rig.spacing_m == bench.spacing_m
    assert rig.gates.trip_tolerance_m <= bench.spacing_m / 4


def test_gates_are_moved_apart_where_they_would_trip_each_other() -> None:
    bench = USUAL.with_values(spacing_m=0.005, trip_m=2e-3)
    assert bench.spacing_m == pytest.approx(8e-3)
    assert bench.rig.gates.trip_tolerance_m == 2e-3


@pytest.mark.parametrize("preset", PRESETS, ids=lambda preset: preset.name)
def test_one_contribution_rules_at_each_preset(preset) -> None:
    bench = preset.bench()
    model = SpeedModel.from_rig(bench.rig)
    transit_s = model.board_transit(bench.speed_mps, bench.edges)
    shares = group_shares(model.contributions(transit_s, bench.edges))
    leading, share = next(iter(shares.items()))
    assert leading == preset.rules
    assert share > 0.7


def test_every_preset_makes_another_thing_rule() -> None:
    assert len({preset.rules for preset in PRESETS}) == len(PRESETS) == 6


@pytest.mark.parametrize("name", ["two-and-three-bands", "plain-lines-4us", "noisy-hall"])
def test_the_bench_of_a_shot_has_the_very_budget_of_the_shot(name: str) -> None:
    session = read_recording(DEMOS / f"{name}.tsv").session
    rows = [r for r in session.rows_of(slice(0, len(session.log))) if r.speed_mps > 0][:6]
    for row in rows:
        bench = bench_of_shot(session, row)
        model = SpeedModel.from_rig(bench.rig)
        found = shot_budget(model, row.transit_us * 1e-6, bench.edges, bench.bounce_s)
        expected = session.budget_of(row)
        assert found.U95_mps == pytest.approx(expected.U95_mps, rel=1e-9)
        assert found.speed_mps == pytest.approx(row.speed_mps, rel=1e-12)
        own = model.board_transit(bench.speed_mps, bench.edges)
        assert own == pytest.approx(row.transit_us * 1e-6, rel=1e-6)


def test_what_bounced_in_a_shot_is_gone_as_soon_as_anything_is_set() -> None:
    bounced = replace(USUAL, bounce_s=1e-4)
    assert look(bounced).rules[0] == "bounce"
    spread = look(bounced).repeated.measured.transit_s.std()
    assert spread == pytest.approx(1e-4, rel=0.1)
    assert bounced.stepped("tick_s", 1).bounce_s == 0
    assert bounced.stepped("edges", 1).bounce_s == 0


def test_the_bench_of_a_shot_has_its_setups_own_body(tmp_path) -> None:
    content = (DEMOS / "plain-lines-4us.tsv").read_bytes()
    path = tmp_path / "x.tsv"
    own = b'"body": {"length_m": 0.08, "mass_kg": 0.002}'
    path.write_bytes(
        content.replace(b'"name": "two bands", "body": {}', b'"name": "x", ' + own)
    )
    session = read_recording(path).session
    (row,) = session.rows_of(slice(0, 1))
    bench = bench_of_shot(session, row)
    assert bench.base.body.length_m == 0.08
    budget = shot_budget(SpeedModel.from_rig(bench.rig), row.transit_us * 1e-6, bench.edges)
    assert budget.speed_mps == pytest.approx(row.speed_mps, rel=1e-12)
    assert budget.U95_mps == pytest.approx(row.U95_mps, rel=1e-9)


def test_the_bench_of_a_shot_knows_the_rate_that_the_beats_told() -> None:
    session = read_recording(DEMOS / "two-and-three-bands.tsv", clock_from_host=True).session
    (row,) = session.rows_of(slice(0, 1))
    bench = bench_of_shot(session, row)
    assert session.host_rate is not None
    assert bench.base.calibration.rate_error == session.host_rate.rate_error
    budget = shot_budget(SpeedModel.from_rig(bench.rig), row.transit_us * 1e-6, bench.edges)
    assert budget.U95_mps == pytest.approx(row.U95_mps, rel=1e-9)


def calibrated():
    record = rig_record(USUAL.base)
    record["calibration"] = {
        "clock": {"rate_error": 1e-3, "rate_error_u": 1e-5},
        "spacing": {"spacing_m": 0.2995, "spacing_u_m": 1e-4, "covers_trip": True},
    }
    return rig_from_record(record)


def test_what_was_calibrated_stays_so_until_it_is_set_by_hand() -> None:
    bench = bench_of_rig(calibrated(), 22.0, EdgesUsed.BOTH)
    assert bench.spacing_m == 0.2995
    kept = bench.with_values(tick_s=4e-6, jitter_s=1e-6).rig.calibration
    assert kept.clock is not None
    assert kept.spacing is not None
    assert bench.stepped("clock_tolerance", 1).rig.calibration.clock is None
    assert bench.stepped("clock_tolerance", 1).rig.calibration.spacing is not None
    assert bench.stepped("spacing_m", 1).rig.calibration.spacing is None
    assert bench.stepped("trip_m", 1).rig.calibration.spacing is None
