"""Recordings measured under a supposition, against boards that truly were so, and the truth."""

import math
from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest
from bounce_kit import unsound_recording
from speed_rigs import make_shots
from trial_kit import trials

from chrono.errors import OptionError
from chrono.measuring.speed import SpeedModel, measure
from chrono.processor.shot_records import ABSENT, EdgesUsed, Flag, flag_words
from chrono.rigs.rig_file import parse_rig, rig_record
from chrono.session.recording_loader import LoadedRecording, read_recording
from chrono.session.speed_models import Assumptions
from chrono.teaching.what_if import what_if
from chrono.virtual.scenarios import SCENARIOS, Play, Scenario, rig_text
from chrono.virtual.virtual_board import launches, simulate_recording

DEMOS = Path(__file__).parents[2] / "recordings"
COLUMNS = ("speed_mps", "u_random_mps", "u_shared_mps", "U95_mps", "transit_s")


def played(path: Path, scenario: Scenario, seed: int = 1, shots: int = 20) -> LoadedRecording:
    """Record a play with the rig that belongs to it."""
    rig = rig_record(parse_rig(rig_text(scenario)))
    play = Play(scenario, seed=seed, shots=shots)
    path.write_bytes(simulate_recording(play, rig=rig, file={"format": 1, "start": ""}))
    return read_recording(path)


def true_speeds(scenario: Scenario, seed: int, shots: int) -> np.ndarray:
    return np.array([x.speed_mps for x in launches(scenario, seed, shots=shots)])


def demo(name: str) -> LoadedRecording:
    return read_recording(DEMOS / f"{name}.tsv")


# -- a coarser counter ---------------------------------------------------------------------


@pytest.mark.parametrize("ticks", [64, 1600, 6400])
@pytest.mark.parametrize("name", ["two-bands", "fine-board"])
def test_it_gives_what_a_truly_coarser_counter_gives(tmp_path, name, ticks) -> None:
    fine = SCENARIOS[name]
    hertz = fine.board.frequency_hz / ticks
    coarse = replace(fine, board=replace(fine.board, frequency_hz=hertz))
    expected = played(tmp_path / "coarse.tsv", coarse).session
    found = what_if(played(tmp_path / "fine.tsv", fine), Assumptions(tick_s=1 / hertz))
    for column in COLUMNS:
        assert getattr(found.supposed, column) == pytest.approx(
            getattr(expected.measured(), column), rel=1e-9
        ), column
    assert found.tick_s == pytest.approx(1 / hertz)
    assert found.compared.sum() == 20


def test_so_it_does_where_one_pair_of_edges_is_left(tmp_path) -> None:
    fine = SCENARIOS["plain-board"]
    coarse = replace(fine, board=replace(fine.board, step=200))
    expected = played(tmp_path / "coarse.tsv", coarse).session.measured()
    found = what_if(played(tmp_path / "fine.tsv", fine), Assumptions(tick_s=200e-6))
    for column in COLUMNS:
        assert getattr(found.supposed, column) == pytest.approx(getattr(expected, column))


TICKS_S = (33e-6, 71e-6, 97e-6, 131e-6, 173e-6, 229e-6)
"""No two of them, and none of them and a speed of the plays, are commensurate."""


@trials((8, 0.92, 0.98), (20, 0.94, 0.97), "plays_and_bounds")
@pytest.mark.parametrize("edges", [EdgesUsed.BOTH, EdgesUsed.LEAD])
def test_coarser_speeds_agree_with_true_ones_as_often_as_their_uncertainty_says(
    tmp_path, edges, plays_and_bounds
) -> None:
    plays, least, highest = plays_and_bounds
    shots, scenario = 15, SCENARIOS["three-bands"]
    # speeds so far apart that where edges fall in a step is chance, at both ends of a body
    setups = (replace(scenario.setups[0], relative_spread=0.12),)
    scenario = replace(scenario, setups=setups)
    compared = explained = near_truth = 0
    for tick_s in TICKS_S:
        for seed in range(plays):
            recorded = played(tmp_path / "x.tsv", scenario, seed, shots)
            found = what_if(recorded, Assumptions(tick_s=tick_s, edges=edges))
            off = np.abs(found.supposed.speed_mps - true_speeds(scenario, seed, shots))
            near_truth += int((found.compared & (off <= found.supposed.U95_mps)).sum())
            compared += int(found.compared.sum())
            explained += int(found.explained.sum())
    # a few lose a pair: by so coarse a counter they block both gates for unlike times
    most = len(TICKS_S) * plays * shots
    assert 0.995 * most <= compared <= most
    assert least <= near_truth / compared <= highest
    if edges == EdgesUsed.BOTH:
        assert least <= explained / compared <= highest


def test_so_do_those_of_the_demo_sessions() -> None:
    compared = explained = 0
    for name in ("two-and-three-bands", "plain-lines-4us", "same-shots-fine"):
        recorded = demo(name)
        for tick_s in TICKS_S[::2]:
            found = what_if(recorded, Assumptions(tick_s=tick_s, phase=0.5))
            compared += int(found.compared.sum())
            explained += int(found.explained.sum())
            # what all shots share is in the ± as well, though it moves no shot here
            assert found.within.sum() >= 0.9 * found.compared.sum()
    assert compared == 3 * 160
    assert 0.94 <= explained / compared <= 0.97


def test_the_recorded_step_itself_changes_nothing() -> None:
    found = what_if(demo("plain-lines-4us"), Assumptions(tick_s=4e-6))
    assert (found.difference_mps == 0).all()
    assert found.within.all()
    assert not found.steps_alone
    assert (found.by_steps_s == 0).all()


def test_only_a_longer_step_and_nothing_else_counts_as_steps_alone() -> None:
    recorded = demo("same-shots-fine")
    assert what_if(recorded, Assumptions(tick_s=1e-4)).steps_alone
    assert not what_if(recorded, Assumptions(tick_s=1e-4, clock_error=1e-3)).steps_alone
    assert not what_if(recorded, Assumptions(tick_s=1e-4, edges=EdgesUsed.LEAD)).steps_alone


def test_a_tick_shorter_than_the_recorded_one_is_refused_with_both() -> None:
    with pytest.raises(OptionError, match=r"tick of 1 us .* recorded tick of 4 us"):
        what_if(demo("plain-lines-4us"), Assumptions(tick_s=1e-6))


def test_what_steps_alone_do_to_a_transit_is_triangular_or_the_mean_of_two(tmp_path) -> None:
    # by hand: a triangle over ±T holds 95 % within T·(1 − √0.05), steps of 62.5 ns taken off
    one = what_if(demo("same-shots-fine"), Assumptions(tick_s=1e-4, edges=EdgesUsed.LEAD))
    assert one.by_steps_s == pytest.approx(1e-4 * (1 - 0.05**0.5), rel=1e-4)
    two = what_if(demo("same-shots-fine"), Assumptions(tick_s=1e-4))
    # P(|x| > c) = 2∫(1 − x)² dx from c is 2·(1 − c)³/3 where c > ½
    assert two.by_steps_s == pytest.approx(1e-4 * (1 - 0.075 ** (1 / 3)), rel=1e-3)


def test_shots_that_such_a_counter_cannot_tell_are_counted() -> None:
    recorded = demo("same-shots-fine")
    found = what_if(recorded, Assumptions(tick_s=5e-3))
    transits_s = recorded.session.measured().transit_s
    assert found.within_a_step == (transits_s < 5e-3).sum() == 60
    assert found.blocked_within_a_step == 60
    assert not found.without_speed
    assert what_if(recorded, Assumptions(tick_s=12e-3)).without_speed > 0
    between = float(np.median(transits_s))
    assert what_if(recorded, Assumptions(tick_s=between)).within_a_step in range(25, 35)
    assert what_if(recorded, Assumptions(tick_s=1e-3)).blocked_within_a_step == 0


@pytest.mark.parametrize("name", ["same-shots-fine", "two-and-three-bands"])
@pytest.mark.parametrize("tick_s", [1e-4, 1e-3])
def test_steps_make_no_shot_lose_a_pair_of_edges(name: str, tick_s: float) -> None:
    found = what_if(demo(name), Assumptions(tick_s=tick_s))
    assert set(found.session.log.shots["used"]) == {EdgesUsed.BOTH}
    off = (found.supposed.speed_mps - found.true.speed_mps) / found.supposed.U95_mps
    assert abs(off.mean()) < 0.25, "it scatters by 0.08"


def test_a_noisy_session_tells_which_shots_are_there_only_so() -> None:
    recorded = demo("noisy-hall")
    found = what_if(recorded, Assumptions(tick_s=1e-3))
    log = found.session.log
    assert len(found.places) == len(recorded.session.log) == 40
    assert found.missing == (found.places < 0).sum()
    assert found.new + 40 - found.missing == len(log)
    there = found.places >= 0
    assert len(set(found.places[there])) == there.sum()
    hosts = log.shots["host_us"][found.places[there]]
    assert (hosts == recorded.session.log.shots["host_us"][there]).all()
    assert np.isnan(found.supposed.speed_mps[~there]).all()
    gained = np.isnan(found.true.speed_mps) & np.isfinite(found.supposed.speed_mps)
    assert found.sound_only_so == gained.sum()
    assert not (found.compared & ~recorded.session.counted()).any()


def test_coarse_steps_hide_bounces_that_leave_no_pair_of_edges(tmp_path) -> None:
    recorded = read_recording(unsound_recording(tmp_path / "close.tsv"))
    found = what_if(recorded, Assumptions(tick_s=100e-6))
    gained = np.isnan(found.true.speed_mps) & np.isfinite(found.supposed.speed_mps)
    assert found.sound_only_so == gained.sum() > 0
    assert set(recorded.session.log.shots["flags"][gained]) == {Flag.UNSOUND}


def test_the_recording_is_only_read(tmp_path) -> None:
    path = tmp_path / "x.tsv"
    recorded = played(path, SCENARIOS["two-bands"])
    path.chmod(0o400)
    before = path.read_bytes()
    what_if(recorded, Assumptions(tick_s=1e-4, spacing_m=0.31, clock_error=0.01))
    assert path.read_bytes() == before
    assert [p.name for p in tmp_path.iterdir()] == ["x.tsv"]


# -- another rig ---------------------------------------------------------------------------


def test_a_spacing_misread_scales_every_speed_and_its_rig_does_not_know() -> None:
    found = what_if(demo("two-and-three-bands"), Assumptions(spacing_m=0.305))
    assert found.supposed.speed_mps == pytest.approx(found.true.speed_mps * 305 / 300)
    # 1.7 % off, and the ± of 0.4 % states nothing of it
    assert found.within.sum() == 0
    assert found.compared.all()
    assert found.supposed.transit_s == pytest.approx(found.true.transit_s)


def test_a_shot_that_is_not_counted_so_is_not_compared() -> None:
    # 3.5 m in 13 ms would be 260 m/s, beyond the 200 m/s that the rig takes for a shot
    found = what_if(demo("two-and-three-bands"), Assumptions(spacing_m=3.5))
    assert np.isfinite(found.supposed.speed_mps).all()
    assert not found.session.counted().any()
    assert not found.compared.any()
    assert not found.within.any()
    assert found.without_speed == 0
    assert [pair.supposed for pair in found.setups] == [None, None]


def test_a_spacing_that_was_calibrated_is_misread_as_well(tmp_path) -> None:
    rig = parse_rig(rig_text(SCENARIOS["two-bands"]))
    record = rig_record(rig)
    record["calibration"]["spacing"] = {"spacing_m": 0.2995, "spacing_u_m": 1e-4}
    play = Play(SCENARIOS["two-bands"], seed=1, shots=5)
    path = tmp_path / "x.tsv"
    path.write_bytes(simulate_recording(play, rig=record, file={"format": 1, "start": ""}))
    found = what_if(read_recording(path), Assumptions(spacing_m=0.305))
    assert found.supposed.speed_mps == pytest.approx(found.true.speed_mps * 305 / 299.5)


@pytest.mark.parametrize("error", [500e-6, -0.01])
def test_a_fast_counter_counts_more_for_the_same_time(error: float) -> None:
    found = what_if(demo("two-and-three-bands"), Assumptions(clock_error=error))
    assert found.supposed.transit_s == pytest.approx(found.true.transit_s * (1 + error))
    # the rig knows of no latency: the speed goes as one over the transit
    assert found.supposed.speed_mps == pytest.approx(found.true.speed_mps / (1 + error))
    assert found.tick_s == found.recorded_tick_s


@pytest.mark.parametrize("edges", [EdgesUsed.LEAD, EdgesUsed.TRAIL])
def test_one_pair_of_edges_gives_what_its_transit_gives(edges: EdgesUsed) -> None:
    recorded = demo("two-and-three-bands")
    found = what_if(recorded, Assumptions(edges=edges))
    shots = recorded.session.log.shots.copy()
    shots["used"] = edges
    expected = measure(shots, SpeedModel.from_rig(recorded.session.rig))
    for column in COLUMNS:
        assert (getattr(found.supposed, column) == getattr(expected, column)).all(), column
    words = {flag_words(int(flags)) for flags in found.session.log.shots["flags"]}
    assert words == {("lead-only",) if edges == EdgesUsed.LEAD else ("trail-only",)}
    assert not found.steps_alone


def test_shots_without_a_sound_pair_of_these_edges_have_no_speed() -> None:
    recorded = demo("noisy-hall")
    found = what_if(recorded, Assumptions(edges=EdgesUsed.TRAIL))
    used = recorded.session.log.shots["used"]
    has_pair = np.isin(used, (EdgesUsed.BOTH, EdgesUsed.TRAIL))
    assert (np.isfinite(found.supposed.speed_mps) == has_pair).all()
    assert 0 < has_pair.sum() < 40
    lost = recorded.session.counted() & ~has_pair
    assert found.without_speed == lost.sum() > 0
    plain = what_if(demo("plain-lines-4us"), Assumptions(edges=EdgesUsed.TRAIL))
    assert (plain.recorded.session.log.shots["trail"] == ABSENT).all()
    assert plain.without_speed == 60


def test_a_pair_that_is_there_but_unsound_gives_no_speed() -> None:
    used = [EdgesUsed.BOTH, EdgesUsed.LEAD, EdgesUsed.TRAIL, EdgesUsed.NONE]
    shots = make_shots([1000] * 4, [1000] * 4, used)
    shots["flags"] = [0, Flag.LEAD_ONLY | Flag.GAP, Flag.TRAIL_ONLY, Flag.UNSOUND]
    none = EdgesUsed.NONE
    by_trailing = Assumptions(edges=EdgesUsed.TRAIL).shots(shots)
    assert by_trailing["used"].tolist() == [EdgesUsed.TRAIL, none, EdgesUsed.TRAIL, none]
    assert by_trailing["flags"].tolist() == [
        Flag.TRAIL_ONLY, Flag.GAP, Flag.TRAIL_ONLY, Flag.UNSOUND,
    ]  # fmt: skip
    by_leading = Assumptions(edges=EdgesUsed.LEAD).shots(shots)
    assert by_leading["used"].tolist() == [EdgesUsed.LEAD, EdgesUsed.LEAD, none, none]
    assert shots["used"].tolist() == used, "the shots themselves stay as they are"
    assert Assumptions().shots(shots) is shots


def test_suppositions_go_together() -> None:
    recorded = demo("two-and-three-bands")
    alone = what_if(recorded, Assumptions(tick_s=1e-4))
    both = what_if(recorded, Assumptions(tick_s=1e-4, clock_error=0.01, spacing_m=0.31))
    ratio = 0.31 / 0.3 / 1.01
    assert both.supposed.speed_mps == pytest.approx(alone.supposed.speed_mps * ratio)
    assert both.tick_s == alone.tick_s


def test_setups_stand_side_by_side() -> None:
    found = what_if(demo("two-and-three-bands"), Assumptions(spacing_m=0.303))
    assert [pair.name for pair in found.setups] == ["two bands", "three bands"]
    for pair in found.setups:
        assert pair.recorded is not None
        assert pair.supposed is not None
        assert pair.recorded.n == pair.supposed.n == 20
        assert pair.supposed.mean_mps == pytest.approx(pair.recorded.mean_mps * 1.01)


# -- the same shots ------------------------------------------------------------------------


def test_the_plain_demo_and_the_fine_one_are_the_same_shots() -> None:
    plain, fine = demo("plain-lines-4us"), demo("same-shots-fine")
    of_plain, of_fine = (r.session.measured() for r in (plain, fine))
    assert true_speeds(SCENARIOS["plain-board"], 3, 60) == pytest.approx(
        true_speeds(SCENARIOS["fine-board"], 3, 60)
    )
    off = np.abs(of_plain.speed_mps - of_fine.speed_mps)
    assert (off <= of_plain.U95_mps).all()
    # what both boards share, the gates, leaves the clocks and how finely edges are timed
    ratio = of_plain.speed_mps / of_fine.speed_mps
    assert ratio.mean() == pytest.approx(1 - 0.004, abs=0.0005)
    assert ratio.std() < 1e-3
    # the same body passes at the same moment, by the clocks of two boards 0.4 % apart
    hosts_s = [r.session.log.shots["host_us"] * 1e-6 for r in (plain, fine)]
    assert hosts_s[0] == pytest.approx(hosts_s[1], abs=0.02)


# -- what cannot be known ------------------------------------------------------------------


def test_a_finer_step_than_the_recorded_one_is_refused() -> None:
    with pytest.raises(OptionError, match="shorter than the recorded tick of 4 us"):
        what_if(demo("plain-lines-4us"), Assumptions(tick_s=1e-6))


def test_a_step_of_lines_that_hold_transits_alone_is_refused(tmp_path) -> None:
    recorded = played(tmp_path / "x.tsv", SCENARIOS["interval-board"])
    with pytest.raises(OptionError, match="contains only transits"):
        what_if(recorded, Assumptions(tick_s=1e-4))
    found = what_if(recorded, Assumptions(spacing_m=0.303))
    assert found.supposed.speed_mps == pytest.approx(found.true.speed_mps * 1.01)


def test_a_clock_error_that_the_beats_would_tell_is_refused(tmp_path) -> None:
    path = tmp_path / "x.tsv"
    played(path, SCENARIOS["two-bands"], shots=60)
    recorded = read_recording(path, clock_from_host=True)
    with pytest.raises(OptionError, match="you cannot assume a clock error"):
        what_if(recorded, Assumptions(clock_error=1e-3))
    found = what_if(recorded, Assumptions(spacing_m=0.303))
    assert found.supposed.speed_mps == pytest.approx(found.true.speed_mps * 1.01)


def test_gates_that_cannot_stand_so_are_refused() -> None:
    with pytest.raises(OptionError, match="at most a quarter of the spacing"):
        what_if(demo("two-and-three-bands"), Assumptions(spacing_m=0.0011))
    with pytest.raises(OptionError, match="between 1 mm and 100 m"):
        what_if(demo("two-and-three-bands"), Assumptions(spacing_m=300.0))


def test_the_bounce_of_one_pair_of_edges_is_not_that_of_the_mean_of_two() -> None:
    shots = demo("noisy-hall").session.log.shots
    both = shots["used"] == EdgesUsed.BOTH
    alone = Assumptions(edges=EdgesUsed.LEAD).shots(shots)
    assert shots["bounce"][both].any()
    assert alone["bounce"][both] == pytest.approx(math.sqrt(2) * shots["bounce"][both])
    assert (alone["bounce"][~both] == shots["bounce"][~both]).all()
