"""The gates' delay difference by exchanging the sensors, against simulated truth."""

from dataclasses import replace

import numpy as np
import pytest
import scipy.stats
from passing import launched, make_beams
from trial_kit import trials

from chrono.calibrating.calibration import HYSTERESIS_M, rig_changes
from chrono.calibrating.swap_calibration import SwapDoubt, SwapNote, swap_calibration
from chrono.errors import CalibrationError
from chrono.reports.calibration_text import calibration_doubt, calibration_evidence, swap_report
from chrono.rigs.rig_file import load_rig, update_rig, write_rig

STATED_S = 2e-6
DECLARED = 0.04 / 0.3
"""Length of the ball over the spacing, as a rig states them."""


def launch(rng, shots, delay_s, *, speed_mps=45.0, scatter=0.01):
    """Transit and mean blocking time of shots through gates whose delays differ [s]."""
    same = make_beams(np.random.default_rng(0), 0.3)
    beams = replace(same, delay_s=np.array([[0.0, 0.0], [delay_s, delay_s]]))
    return launched(rng, beams, shots, speed_mps=speed_mps, scatter=scatter, off_m=0.5e-3)


def calibrate(rng, delay_s, shots=(10, 10), *, by_blocking=True, **launching):
    before, after = launch(rng, shots[0], delay_s), launch(rng, shots[1], -delay_s, **launching)
    if not by_blocking:
        return swap_calibration(before[0], after[0])
    return swap_calibration(
        before[0], after[0], blocking_before_s=before[1], blocking_after_s=after[1]
    )


def swap_real_gates(
    rng, shots=10, *, change=0.0, asymmetry_s=1e-6, by_blocking=True, **launching
):
    """Exchange the sensors of gates with faults of their own; what is found and the truth."""
    beams = make_beams(rng, 0.3, asymmetry_s=asymmetry_s)
    before = launched(rng, beams, shots, **launching)
    after = launched(rng, beams.exchanged, shots, speed_mps=45 * (1 + change), **launching)
    truth_s = beams.delay_s[1].mean() - beams.delay_s[0].mean()
    if not by_blocking:
        return swap_calibration(before[0], after[0], stated_s=STATED_S), truth_s
    offset_s = abs(before[1].mean() - before[0].mean() * DECLARED) + STATED_S
    found = swap_calibration(
        before[0],
        after[0],
        blocking_before_s=before[1],
        blocking_after_s=after[1],
        blocking_offset_s=offset_s,
        stated_s=STATED_S,
    )
    return found, truth_s


def real_coverage(runs, **launching):
    """Share of exchanges whose U95 holds the truth, and share of those doubted."""
    inside, doubted = [], []
    for seed in range(runs):
        found, truth_s = swap_real_gates(np.random.default_rng(seed), **launching)
        inside.append(abs(found.difference_s - truth_s) <= found.uncertainty.U95)
        doubted.append(bool(found.doubt))
    return np.mean(inside), np.mean(doubted)


FAIR = [{}, {"shots": 5}, {"shots": 20}, {"off_m": 0.002}, {"by_blocking": False}]
FOUL = [
    {"off_m": 0.008, "scatter": 0.05},
    {"off_m": 0.008, "change": 0.05},
    {"change": 0.05},
    {"change": -0.2, "asymmetry_s": 5e-6},
]


@pytest.mark.parametrize("launching", [*FAIR, *FOUL])
def test_exchanges_of_real_gates_hold_the_truth(launching):
    assert real_coverage(150, **launching)[0] >= 0.89


@pytest.mark.long
@pytest.mark.parametrize("launching", FAIR)
def test_coverage_over_2000_exchanges_in_fair_conditions(launching):
    assert 0.93 <= real_coverage(2000, **launching)[0] <= 0.97


@pytest.mark.long
@pytest.mark.parametrize("launching", FOUL)
def test_coverage_over_2000_exchanges_in_foul_conditions(launching):
    assert real_coverage(2000, **launching)[0] >= 0.93


def test_balls_that_cross_the_beams_off_their_middle_calibrate_nothing():
    assert real_coverage(20, off_m=0.008)[1] == 1
    found, _ = swap_real_gates(np.random.default_rng(1), off_m=0.008)

    assert found.doubt == SwapDoubt.TOO_WIDE
    assert "the blocking times scatter more than the speeds" in calibration_doubt(found)


@pytest.mark.parametrize("by_blocking", [True, False])
@pytest.mark.parametrize("shots", [(5, 5), (10, 10), (6, 20)])
def test_uncertainty_covers_95_percent_of_calibrations(by_blocking, shots):
    inside = []
    for seed in range(600):
        rng = np.random.default_rng(seed)
        delay_s = rng.normal(0, 2e-6)
        found = calibrate(rng, delay_s, shots, by_blocking=by_blocking)
        inside.append(abs(found.difference_s - delay_s) <= found.uncertainty.U95)

    assert 0.93 <= np.mean(inside) <= 0.97


def test_a_launcher_that_changed_its_speed_is_told():
    found = calibrate(np.random.default_rng(1), 1e-6, speed_mps=40.0)

    assert found.notes == (SwapNote.SPEED_CHANGED,)
    assert "the speed changed after the exchange of the sensors" in " ".join(swap_report(found))


def test_blocking_times_take_the_launchers_scatter_out():
    with_them = calibrate(np.random.default_rng(1), 3e-6, scatter=0.01)
    without = calibrate(np.random.default_rng(1), 3e-6, by_blocking=False, scatter=0.01)

    assert with_them.uncertainty.U95 < without.uncertainty.U95 / 3


def test_sensors_left_exchanged_turn_the_sign():
    shots = (
        launch(np.random.default_rng(2), 10, 0)[0] + 50e-6,
        launch(np.random.default_rng(3), 10, 0)[0],
    )
    put_back, left = swap_calibration(*shots), swap_calibration(*shots, left_exchanged=True)

    assert left.difference_s == -put_back.difference_s
    assert left.uncertainty == put_back.uncertainty


def test_slits_that_moved_with_the_sensors_widen_the_result():
    shots = (
        launch(np.random.default_rng(2), 10, 0)[0],
        launch(np.random.default_rng(3), 10, 0)[0],
    )
    found = swap_calibration(*shots, trip_difference_s=200e-6)

    assert found.uncertainty.u > 80e-6
    assert found.uncertainty.contributions[-1].name == "trip positions"


def test_shots_without_a_transit_are_left_out():
    before, after = (launch(np.random.default_rng(seed), 8, 0)[0] for seed in (4, 5))
    with_gap = np.append(before, np.nan)

    assert swap_calibration(with_gap, after) == swap_calibration(before, after)


@pytest.mark.parametrize("shots", [(0, 10), (4, 10), (10, 4)])
def test_too_few_shots_are_refused(shots):
    with pytest.raises(CalibrationError, match="at least 5 shots of each are needed"):
        calibrate(np.random.default_rng(1), 0.0, shots)


def test_the_same_shots_twice_are_refused():
    transit, _ = launch(np.random.default_rng(6), 10, 0.0)

    with pytest.raises(CalibrationError, match="the same shots appear"):
        swap_calibration(transit, transit[::-1])


def test_sensors_that_may_not_have_been_exchanged_are_told():
    found = calibrate(np.random.default_rng(7), 0.0)

    assert found.doubt == SwapDoubt.NO_DIFFERENCE
    assert "sensors were not exchanged" in " ".join(swap_report(found))


def test_an_unsteady_launcher_is_told_where_it_matters():
    rng = np.random.default_rng(8)
    steady, loose = launch(rng, 12, 0.0)[0], launch(rng, 12, 0.0, scatter=0.1)[0]
    drifting = steady + np.linspace(0, 1e-3, 12)
    found = [swap_calibration(steady, loose), swap_calibration(drifting, steady[::-1])]
    told = {note for each in found for note in each.notes}
    assert {SwapNote.SCATTER_CHANGED, SwapNote.DRIFT_BEFORE} <= told
    notes = " ".join(line for each in found for line in swap_report(each))

    assert "after the sensors were exchanged, the scatter changed" in notes
    assert "the transit times drift before the exchange of the sensors" in notes


def test_a_change_of_scatter_is_found_as_often_as_the_library_of_statistics_finds_it():
    """Brown-Forsythe with Welch's t: scipy's t-test of the deviations from the medians."""
    rng = np.random.default_rng(4)
    told = []
    for scatter in np.geomspace(1e-5, 1e-4, 40):
        first, second = 6.6e-3 + rng.normal(0, 1e-5, 12), 6.7e-3 + rng.normal(0, scatter, 12)
        chance = scipy.stats.ttest_ind(
            *(np.abs(side - np.median(side)) for side in (first, second)), equal_var=False
        ).pvalue
        found = swap_calibration(first, second)
        assert (SwapNote.SCATTER_CHANGED in found.notes) == (chance < 0.01), scatter
        told.append(chance < 0.01)
    assert 5 < sum(told) < 35


def test_it_is_told_on_which_side_of_the_exchange_the_launcher_drifted():
    rng = np.random.default_rng(1)
    steady = 6.6e-3 + rng.normal(0, 1e-5, 12)
    drifting = 6.6e-3 + rng.normal(0, 1e-5, 12) + np.linspace(0, 1e-3, 12)
    drifts = {SwapNote.DRIFT_BEFORE, SwapNote.DRIFT_AFTER}

    before, after = swap_calibration(drifting, steady), swap_calibration(steady, drifting)

    assert drifts & set(before.notes) == {SwapNote.DRIFT_BEFORE}
    assert drifts & set(after.notes) == {SwapNote.DRIFT_AFTER}
    assert "the transit times drift after the exchange of the sensors" in " ".join(
        swap_report(after)
    )


def test_transits_without_any_scatter_do_not_drift():
    alike = np.full(12, 2**-7)  # no rounding in their mean
    rng = np.random.default_rng(1)
    steady = 2**-7 + rng.normal(0, 1e-5, 12)

    for found in (swap_calibration(alike, steady), swap_calibration(steady, alike)):
        assert not {SwapNote.DRIFT_BEFORE, SwapNote.DRIFT_AFTER} & set(found.notes)


def test_gates_that_were_moved_are_suspected():
    rng = np.random.default_rng(9)
    before, after = launch(rng, 10, 0.0)[0], launch(rng, 10, 0.0)[0] * 1.3
    found = swap_calibration(before, after, stated_s=STATED_S)

    assert found.doubt == SwapDoubt.FAR_BEYOND
    assert "did not move the gates, the launcher" in calibration_doubt(found)


def test_a_rig_file_takes_the_result_up(tmp_path):
    path = tmp_path / "rig.toml"
    write_rig(path, '[gates]\nspacing = "300 mm"\n')
    found = calibrate(np.random.default_rng(10), 20e-6)
    update_rig(path, rig_changes(found, calibration_evidence(found), "2026-03-14"))

    kept = load_rig(path).calibration.latency
    assert kept.difference_s == pytest.approx(found.difference_s, abs=1e-10)
    assert kept.difference_u_s == pytest.approx(found.uncertainty.u, abs=1e-10)
    assert kept.dof == pytest.approx(found.uncertainty.dof, abs=0.01)
    assert "10 shots before the exchange of the sensors and 10 after" in kept.evidence


BEAM_M, HYSTERESIS = 2e-3, 0.01
"""Width of a beam, and what part of its light each hysteresis is off the usual one."""


def swapped_with_unlike_hysteresis(rng, allowed_m, speed_mps=45.0):
    """A comparator of hysteresis h trips w·h/2 late at both edges; it moves with its sensor."""
    late_m = BEAM_M * rng.uniform(-HYSTERESIS, HYSTERESIS, (2, 1)) / 2
    beams = replace(make_beams(rng, 0.3), late_m=late_m)
    true_s = beams.delay_s[1].mean() - beams.delay_s[0].mean()
    before, after = (
        launched(rng, each, 20, speed_mps=speed_mps) for each in (beams, beams.exchanged)
    )
    found = swap_calibration(
        before[0],
        after[0],
        blocking_before_s=before[1],
        blocking_after_s=after[1],
        blocking_offset_s=abs(before[1].mean() - before[0].mean() * DECLARED) + STATED_S,
        hysteresis_s=allowed_m / speed_mps,
    )
    return abs(found.difference_s - true_s) <= found.uncertainty.U95


@trials((200, 0.91, 0.99), (2000, 0.93, 0.97), "runs_and_bounds")
@pytest.mark.parametrize("speed_mps", [5.0, 20.0, 45.0])
def test_unlike_hysteresis_is_in_what_an_exchange_of_sensors_writes(speed_mps, runs_and_bounds):
    rng, (runs, least, most) = np.random.default_rng(6), runs_and_bounds
    found = [swapped_with_unlike_hysteresis(rng, HYSTERESIS_M, speed_mps) for _ in range(runs)]
    assert least <= np.mean(found) <= most
