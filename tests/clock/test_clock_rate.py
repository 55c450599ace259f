"""The counter's rate from beats whose reading is delayed, against simulated truth."""

import pickle
from itertools import pairwise

import numpy as np
import pytest
from beat_kit import (
    UNIT_S,
    delivered_every,
    estimate_clock,
    exponential,
    microseconds,
    send_beats,
    send_real_beats,
    two_kinds,
    uniform,
)
from hypothesis import given, settings
from hypothesis import strategies as st
from trial_kit import trials

from chrono.calibrating.calibration import ClockCalibration, rig_changes
from chrono.clock.clock_rate import ClockTracker
from chrono.errors import CalibrationError
from chrono.reports.calibration_text import calibration_doubt, calibration_evidence
from chrono.reports.clock_text import beats_text, clock_report
from chrono.rigs.rig_file import load_rig, update_rig, write_rig

PERFECT_HOST = {"host_rate_tolerance": 0.0, "polling_s": 0.0}


def coverage(runs, beats, delay, **known):
    """Share of runs whose U95 holds the truth, and the U95 of each."""
    inside, u95 = [], []
    for seed in range(runs):
        rng = np.random.default_rng(seed)
        rate_error = rng.uniform(-5e-3, 5e-3)
        ticks, host_s = send_beats(rng, beats, rate_error, delay)
        found = estimate_clock(ticks, microseconds(host_s), UNIT_S, **known)
        inside.append(abs(found.rate_error - rate_error) <= found.U95)
        u95.append(found.U95)
    return np.mean(inside), np.array(u95)


def test_ten_minutes_of_beats_give_the_rate_within_20_ppm_and_hold_the_truth():
    share, u95 = coverage(100, 600, exponential)

    assert share >= 0.93
    assert u95.max() <= 20e-6


@trials((100, 0.89), (250, 0.925), "runs_and_least")
@pytest.mark.parametrize("delay", [exponential, uniform, two_kinds])
@pytest.mark.parametrize("beats", [90, 600])
def test_uncertainty_from_the_delays_alone_covers_95_percent(delay, beats, runs_and_least):
    runs, least = runs_and_least
    share, _ = coverage(runs, beats, delay, **PERFECT_HOST)

    assert least <= share <= 0.985


def real_coverage(runs, beats, rate_limit, delays, *, uneven=True):
    """Share of runs whose U95 holds the truth, and the median U95."""
    inside, u95 = [], []
    for seed in range(runs):
        rng = np.random.default_rng(seed)
        rate_error = rng.uniform(-rate_limit, rate_limit)
        ticks, host_s = send_real_beats(rng, beats, rate_error, delays, uneven=uneven)
        found = estimate_clock(ticks, microseconds(host_s), UNIT_S)
        inside.append(abs(found.rate_error - rate_error) <= found.U95)
        u95.append(found.U95)
    return np.mean(inside), np.median(u95)


def usual(rng, sent_s):
    return rng.exponential(0.5e-3, len(sent_s))


@pytest.mark.parametrize("rate_limit", [50e-6, 5e-3])
@pytest.mark.parametrize("beats", [90, 180])
@pytest.mark.parametrize("period_s", [0.016, 0.030])
@pytest.mark.parametrize("uneven", [True, False])
def test_a_port_that_delivers_at_intervals_is_allowed_for(rate_limit, beats, period_s, uneven):
    delays = delivered_every(period_s)
    share, _ = real_coverage(60, beats, rate_limit, delays, uneven=uneven)

    assert share >= 0.88


def test_uneven_beats_make_even_the_second_s_own_divisor_harmless_and_narrow():
    """20 ms: even beats of a crystal always meet the port in the same phase, unseen."""
    share, u95 = real_coverage(60, 180, 50e-6, delivered_every(0.020))

    assert share >= 0.88
    assert u95 < 30e-6


@pytest.mark.long
@pytest.mark.parametrize("rate_limit", [50e-6, 5e-3])
@pytest.mark.parametrize(
    ("delays", "beats", "least", "most"),
    [
        (usual, 600, 0.93, 0.97),
        (delivered_every(0.016), 180, 0.93, 1.0),
        (delivered_every(0.020), 90, 0.93, 1.0),
        (delivered_every(0.030), 90, 0.93, 1.0),
        (delivered_every(0.030), 180, 0.93, 1.0),
        (delivered_every(0.030), 600, 0.93, 0.98),
    ],
)
def test_coverage_over_500_boards_and_ports(rate_limit, delays, beats, least, most):
    share, _ = real_coverage(500, beats, rate_limit, delays)

    assert least <= share <= most


@pytest.mark.long
@pytest.mark.parametrize("rate_limit", [50e-6, 5e-3])
@pytest.mark.parametrize("beats", [90, 180, 600])
@pytest.mark.parametrize("period_s", [0.016, 0.030])
def test_coverage_over_500_boards_with_even_beats(rate_limit, beats, period_s):
    delays = delivered_every(period_s)
    share, _ = real_coverage(500, beats, rate_limit, delays, uneven=False)

    assert share >= 0.93


def test_a_port_that_delivers_at_intervals_is_told_of_and_a_usual_one_is_not():
    rng = np.random.default_rng(1)
    ticks, host_s = send_real_beats(rng, 180, 2e-5, delivered_every(0.030), uneven=False)
    stepping = clock_report(estimate_clock(ticks, microseconds(host_s), UNIT_S))
    ticks, host_s = send_real_beats(rng, 180, 2e-5, usual)
    steady = clock_report(estimate_clock(ticks, microseconds(host_s), UNIT_S))

    assert any("delivers data at fixed intervals" in line for line in stepping)
    assert not any("fixed intervals" in line for line in steady)


def test_a_creeping_delay_is_warned_of_with_what_it_would_come_to():
    """20 ms over ten minutes: 33 ppm, and nothing in the beats tells it from the rate."""
    rng = np.random.default_rng(2)
    ticks, host_s = send_real_beats(rng, 600, 0.0, usual, uneven=False)
    crept = estimate_clock(ticks, microseconds(host_s + np.linspace(0, 0.02, 600)), UNIT_S)

    assert crept.rate_error == pytest.approx(-33e-6, abs=16e-6)
    said = "20 ms more delay at the end causes an error of 33 ppm"
    assert said in " ".join(clock_report(crept))


def test_hosts_own_rate_is_part_of_the_uncertainty():
    ticks, host_s = send_beats(np.random.default_rng(1), 600, 0.0, exponential)
    found = estimate_clock(ticks, microseconds(host_s), UNIT_S, host_rate_tolerance=100e-6)

    assert found.u == pytest.approx(100e-6 / np.sqrt(3), rel=0.01)
    assert [part.name for part in found.uncertainty.contributions] == [
        "scatter of the delays",
        "host's own rate",
        "polling of the port",
    ]


@pytest.mark.parametrize("beats", [0, 1, 4, 20, 40])
def test_beats_over_too_short_a_time_are_refused_with_the_reason(beats):
    ticks, host_s = send_beats(np.random.default_rng(1), beats, 0.0, exponential)

    with pytest.raises(CalibrationError, match="at least 60 s of beats"):
        estimate_clock(ticks, microseconds(host_s), UNIT_S)


def test_a_short_run_is_wider_and_says_so():
    ticks, host_s = send_beats(np.random.default_rng(1), 90, 0.0, uniform)
    found = estimate_clock(ticks, microseconds(host_s), UNIT_S)

    assert found.U95 > 40e-6
    assert "a longer recording makes the uncertainty smaller" in clock_report(found)


@pytest.mark.parametrize("step_s", [-60.0, -5.0, -0.1, 0.1, 5.0, 3600.0])
def test_suspends_and_steps_of_the_hosts_clock_do_not_move_the_rate(step_s):
    inside = []
    for seed in range(40):
        rng = np.random.default_rng(seed)
        ticks, host_s = send_beats(rng, 900, 3e-3, exponential)
        for at in rng.integers(60, 840, 3):
            host_s[at:] += step_s
        found = estimate_clock(ticks, microseconds(host_s), UNIT_S, **PERFECT_HOST)
        assert abs(found.rate_error - 3e-3) < 2e-6
        inside.append(abs(found.rate_error - 3e-3) <= found.U95)

    assert np.mean(inside) >= 0.85


def test_restarts_and_lost_links_begin_with_a_new_offset():
    rng = np.random.default_rng(3)
    ticks, host_s = send_beats(rng, 900, -4e-3, exponential)
    kept = np.ones(900, bool)
    kept[300:340] = False
    ticks[300:] -= ticks[340]
    ticks[600:] += 1000
    host_s[600:] += 0.004
    told = estimate_clock(
        ticks[kept], microseconds(host_s[kept]), UNIT_S, breaks=[300, 560], **PERFECT_HOST
    )

    assert told.segments == 3
    assert told.beats == 860
    assert abs(told.rate_error + 4e-3) <= told.U95


def test_a_counter_that_starts_anew_is_seen_without_being_told():
    ticks, host_s = send_beats(np.random.default_rng(4), 600, 1e-3, exponential)
    ticks[250:] -= ticks[250]
    found = estimate_clock(ticks, microseconds(host_s), UNIT_S, **PERFECT_HOST)

    assert found.segments == 2
    assert abs(found.rate_error - 1e-3) < 1e-6


def test_a_stall_of_the_host_costs_nothing_but_its_beats():
    ticks, host_s = send_beats(np.random.default_rng(5), 600, 1e-3, exponential)
    host_s[200:240] = np.maximum(host_s[200:240], host_s[240])
    found = estimate_clock(ticks, microseconds(host_s), UNIT_S, **PERFECT_HOST)

    assert abs(found.rate_error - 1e-3) <= found.U95 < 2e-6


@pytest.mark.parametrize("period_s", [1e-3, 16e-3])
def test_a_polled_port_is_covered_when_its_period_is_told(period_s):
    """Beats wait for a poll whose phase slides past them, slower than the session lasts."""
    for seed in range(30):
        rng = np.random.default_rng(seed)
        rate_error, slide = rng.uniform(-50e-6, 50e-6), rng.uniform(-20e-6, 20e-6)
        ticks, host_s = send_beats(rng, 600, rate_error, lambda _, n: np.zeros(n))
        poll = period_s * (1 + slide)
        host_s = np.ceil(host_s / poll) * poll + rng.exponential(1e-4, 600)
        found = estimate_clock(
            ticks, microseconds(host_s), UNIT_S, host_rate_tolerance=0, polling_s=period_s
        )

        assert abs(found.rate_error - rate_error) <= found.U95


def test_a_wrong_nominal_frequency_is_refused():
    ticks, host_s = send_beats(np.random.default_rng(6), 600, 0.0, exponential)

    with pytest.raises(CalibrationError, match=r"\+100.0 %") as refused:
        estimate_clock(ticks, microseconds(host_s), 2 * UNIT_S)
    assert "clock.frequency" in refused.value.hint


@settings(max_examples=20, deadline=None)
@given(cuts=st.lists(st.integers(0, 700), max_size=8))
def test_the_estimate_does_not_depend_on_how_the_beats_arrive_or_on_looking(cuts):
    ticks, host_s = send_beats(np.random.default_rng(7), 700, 1e-3, uniform)
    host_us = microseconds(host_s)
    whole = estimate_clock(ticks, host_us, UNIT_S)
    tracker = ClockTracker(UNIT_S)
    bounds = [0, *sorted(cuts), 700]
    for start, end in pairwise(bounds):
        tracker.add(ticks[start:end], host_us[start:end])
        if start > 100:
            tracker.estimate()

    assert tracker.estimate() == whole


def test_memory_stays_bounded_over_a_long_session_with_many_reconnections():
    tracker, rng = ClockTracker(UNIT_S), np.random.default_rng(8)
    sizes = []
    ticks, host_s = send_beats(rng, 40_000, 1e-3, exponential)
    for start in range(0, 40_000, 400):
        tracker.begin_segment()
        tracker.add(ticks[start : start + 400], microseconds(host_s[start : start + 400]))
        sizes.append(len(pickle.dumps(tracker)))
    found = tracker.estimate(**PERFECT_HOST)

    assert max(sizes[60:]) < 1.2 * max(sizes[:40])
    assert found.beats == 40_000
    assert abs(found.rate_error - 1e-3) <= found.U95 < 0.5e-6


def test_memory_stays_bounded_if_the_hosts_clock_steps_again_and_again():
    tracker, sizes = ClockTracker(UNIT_S), []
    ticks, host_s = send_beats(np.random.default_rng(9), 24_000, 1e-3, exponential)
    host_us = microseconds(host_s + 0.05 * (np.arange(24_000) // 150))
    for start in range(0, 24_000, 600):
        tracker.add(ticks[start : start + 600], host_us[start : start + 600])
        sizes.append(len(pickle.dumps(tracker)))
    found = tracker.estimate(**PERFECT_HOST)

    assert max(sizes[20:]) < 1.2 * max(sizes[:15])
    assert abs(found.rate_error - 1e-3) <= found.U95


def test_the_report_tells_rate_uncertainty_and_where_it_comes_from():
    ticks, host_s = send_beats(np.random.default_rng(9), 600, -4.2e-3, exponential)
    lines = clock_report(estimate_clock(ticks, microseconds(host_s), UNIT_S))

    assert lines[0] == "the counter runs 4200 ± 14 ppm slow (95 % coverage)"
    assert lines[1] == "from 600 beats in 596 s (1 part without a gap)"
    assert "host's own rate 8.66 ppm" in lines[2]


def test_stretches_over_a_break_are_not_told_as_one():
    tracker, rng = ClockTracker(UNIT_S), np.random.default_rng(8)
    ticks, host_s = send_beats(rng, 600, 1e-3, exponential)
    for start in (0, 300):
        tracker.begin_segment()
        tracker.add(ticks[start : start + 300], microseconds(host_s[start : start + 300]))
    words = beats_text(tracker.estimate(**PERFECT_HOST))
    assert words.startswith("from 600 beats in ")
    assert words.endswith(" s (2 parts without a gap)")


def test_a_rig_file_takes_the_estimate_up(tmp_path):
    path = tmp_path / "rig.toml"
    write_rig(path, '[gates]\nspacing = "300 mm"\n')
    ticks, host_s = send_beats(np.random.default_rng(9), 600, -4.2e-3, exponential)
    found = estimate_clock(ticks, microseconds(host_s), UNIT_S)
    result = ClockCalibration(found, 5e-3)
    update_rig(path, rig_changes(result, calibration_evidence(result), "2026-03-14"))

    kept = load_rig(path).calibration.clock
    assert kept.rate_error == pytest.approx(found.rate_error, abs=1e-9)
    assert kept.rate_error_u == pytest.approx(found.u, abs=1e-9)
    assert kept.date == "2026-03-14"
    assert "600 beats" in kept.evidence


def test_a_rate_beyond_what_the_rig_states_is_in_doubt():
    ticks, host_s = send_beats(np.random.default_rng(9), 600, -4.2e-3, exponential)
    found = estimate_clock(ticks, microseconds(host_s), UNIT_S)

    assert calibration_doubt(ClockCalibration(found, 5e-3)) == ""
    far = calibration_doubt(ClockCalibration(found, 50e-6))
    assert "by more than the ± 50 ppm in the rig" in far
    assert "clock.frequency" in far


def test_a_rate_known_worse_than_the_rig_states_is_in_doubt():
    ticks, host_s = send_beats(np.random.default_rng(9), 90, 2e-6, exponential)
    found = estimate_clock(ticks, microseconds(host_s), UNIT_S)

    assert "record for a longer time" in calibration_doubt(
        ClockCalibration(found, found.U95 / 2)
    )
    assert calibration_doubt(ClockCalibration(found, 2 * found.U95)) == ""


def test_beats_that_all_have_the_same_time_of_the_computer_give_no_rate():
    ticks = np.arange(100) * 16_000_000
    with pytest.raises(CalibrationError, match="the same time at all beats"):
        estimate_clock(ticks, np.zeros(100, np.int64), UNIT_S)
