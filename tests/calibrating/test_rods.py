"""The spacing from two rods, against rods that pass simulated gates."""

from dataclasses import replace

import numpy as np
import pytest
from passing import edges_of_passes, make_beams, pushed, transits_and_blockings

from chrono.calibrating.calibration import rig_changes
from chrono.calibrating.rods_calibration import Passes, RodDoubt, RodSetup, rod_calibration
from chrono.errors import CalibrationError
from chrono.measuring.error_budget import rectangular
from chrono.reports.calibration_text import calibration_evidence, rod_doubt, rod_report
from chrono.rigs.rig_file import load_rig, update_rig, write_rig

TOLERANCE_M = 0.05e-3
SETUP = RodSetup(
    0.3, 1e-3, 0.2e-3, TOLERANCE_M, np.radians(1), rectangular("latency", 2e-6, unit="s")
)


def fallen(rng, shots):
    """Dropped from 0.5 m or a little more or less."""
    u = np.sqrt(2 * 9.81 * rng.uniform(0.45, 0.55, (shots, 1, 1)))
    return lambda x: (-u + np.sqrt(u**2 + 2 * 9.81 * x)) / 9.81


def jerked(rng, shots):
    """A hand whose speed swings by up to 3 % on the way."""
    u, size = rng.uniform(0.5, 2.0, (shots, 1, 1)), rng.uniform(0, 0.03, (shots, 1, 1))
    waves, phase = rng.uniform(5, 25, (shots, 1, 1)), rng.uniform(0, 6.28, (shots, 1, 1))
    return lambda x: (x + size / waves * np.sin(waves * x + phase)) / u


def passes(rng, beams, stated_m, true_m, motion, *, tilt_rad=0.0, width_m=0.012, shots=10):
    """One rod; a tilt lengthens what a beam sees by its width and by 1/cos."""
    angle = rng.uniform(0, tilt_rad, (shots, 1))
    seen = true_m / np.cos(angle) + width_m * np.tan(angle) * rng.uniform(0, 1, (shots, 1))
    halves = np.broadcast_to(seen / 2, (shots, 2))
    edges = edges_of_passes(rng, beams, motion(rng, shots), halves)
    return Passes(stated_m, *transits_and_blockings(edges))


def calibrate(seed, motion, lengths=(0.04, 0.14), **more):
    rng = np.random.default_rng(seed)
    path_m = 0.3 + rng.uniform(-1e-3, 1e-3)
    beams = make_beams(rng, path_m)
    theta = rng.uniform(0, np.radians(1))
    truth_m = (path_m + np.diff(beams.trip_m.mean(axis=1))[0]) * np.cos(theta)
    rods = [
        passes(rng, beams, length, length + rng.uniform(-1, 1) * TOLERANCE_M, motion, **more)
        for length in lengths
    ]
    return rod_calibration(*rods, SETUP), truth_m


def coverage(runs, motion, **more):
    inside = []
    for seed in range(runs):
        try:
            found, truth_m = calibrate(seed, motion, **more)
        except CalibrationError:
            continue
        inside.append(abs(found.spacing_m - truth_m) <= found.uncertainty.U95)
    assert len(inside) > runs / 2  # refusals tell nothing of the coverage
    return np.mean(inside)


CASES = [
    (pushed, {}),
    (fallen, {}),
    (pushed, {"shots": 5}),
    (pushed, {"tilt_rad": np.radians(1)}),
    (jerked, {}),
    (pushed, {"lengths": (0.05, 0.08)}),
]


@pytest.mark.parametrize(("motion", "more"), CASES)
def test_rods_hold_the_true_spacing(motion, more):
    assert coverage(150, motion, **more) >= 0.89


@pytest.mark.long
@pytest.mark.parametrize(("motion", "more"), CASES)
def test_coverage_over_1500_calibrations(motion, more):
    assert 0.93 <= coverage(1500, motion, **more) <= 0.985


def test_blocking_times_that_are_too_long_matter_as_much_as_the_speeds_of_the_rods_differ():
    """Against a calibration with blocking times that are 10 µs too long at both gates."""

    def spacing(late_s, *speeds_mps):
        rods = [
            Passes(
                length_m,
                *np.full((10, 3), [0.3 / v, length_m / v + late_s, length_m / v + late_s]).T,
            )
            for length_m, v in zip((0.04, 0.14), speeds_mps, strict=True)
        ]
        latency = rectangular("latency", 10e-6, unit="s")
        found = rod_calibration(*rods, replace(SETUP, latency=latency))
        (part,) = (
            c
            for c in found.uncertainty.contributions
            if c.name == "offset of the blocking times"
        )
        return found.spacing_m, part.u_out

    for speeds_mps in ((1.0, 3.0), (3.0, 1.0), (2.0, 2.0)):
        (true_m, u_m), (found_m, _) = (spacing(late_s, *speeds_mps) for late_s in (0.0, 10e-6))
        assert abs(found_m - true_m) == pytest.approx(np.sqrt(3) * u_m, rel=1e-2, abs=1e-9)


def test_what_a_gate_stays_blocked_longer_is_told():
    """Thresholds half a millimetre off at both ends and both gates: 1 mm longer."""
    rng = np.random.default_rng(1)
    beams = make_beams(rng, 0.3, trip_m=0.0, skew_m=0.0)
    beams.trip_m[...] = np.array([-0.5e-3, 0.5e-3])
    # the leading end trips 0.5 mm early, the trailing one clears 0.5 mm late
    rods = [passes(rng, beams, length, length, pushed) for length in (0.04, 0.14)]

    found = rod_calibration(*rods, SETUP)

    assert found.extra_m == pytest.approx(1e-3, abs=0.1e-3)
    assert "1.00 mm longer" in " ".join(rod_report(found))


@pytest.mark.parametrize(
    ("motion", "more", "word"),
    [
        (pushed, {"tilt_rad": np.radians(12)}, "scatter by"),
        (pushed, {"shots": 4}, "4 usable passes"),
        (pushed, {"lengths": (0.04, 0.043)}, "the difference is 3 mm"),
        (pushed, {"lengths": (0.14, 0.04)}, "the difference is -100 mm"),
    ],
)
def test_what_tells_nothing_is_refused(motion, more, word):
    with pytest.raises(CalibrationError, match=word):
        calibrate(1, motion, **more)


def test_rods_that_accelerate_hard_or_are_other_ones_are_refused():
    rng = np.random.default_rng(2)
    beams = make_beams(rng, 0.3)
    rods = [passes(rng, beams, length, length, pushed) for length in (0.04, 0.14)]
    slower = Passes(0.14, *[rods[1].transit_s, rods[1].blocking_a_s * 2, rods[1].blocking_b_s])
    with pytest.raises(CalibrationError, match="speed of a rod of 140 mm changed"):
        rod_calibration(rods[0], slower, SETUP)
    other = Passes(0.1, rods[1].transit_s, rods[1].blocking_a_s, rods[1].blocking_b_s)
    with pytest.raises(CalibrationError, match="the gates would be"):
        rod_calibration(rods[0], other, SETUP)


def test_a_rig_file_takes_the_result_up(tmp_path):
    path = tmp_path / "rig.toml"
    write_rig(path, '[gates]\nspacing = "300 mm"\n')
    found, _ = calibrate(3, pushed)
    update_rig(path, rig_changes(found, calibration_evidence(found), "2026-03-14"))

    kept = load_rig(path).calibration.spacing
    assert kept.spacing_m == pytest.approx(found.spacing_m, abs=1e-7)
    assert kept.covers_trip
    assert "10 and 10 passes" in kept.evidence


def two_rods(stated_m=(0.04, 0.14), true_m=(0.04, 0.14), ball=False, seed=7):
    """Pass two rods through gates 300 mm apart, and calibrate with the lengths stated."""
    rng = np.random.default_rng(seed)
    beams = make_beams(rng, 0.3)
    rods = [
        replace(passes(rng, beams, stated, true, pushed), ball_m=true if ball else None)
        for stated, true in zip(stated_m, true_m, strict=True)
    ]
    return rod_calibration(*rods, SETUP)


@pytest.mark.parametrize(
    ("stated_m", "words"),
    [
        ((0.04, 0.145), ("larger than the stated", "the long rod is 1", "145.0 mm")),
        ((0.042, 0.14), ("smaller than the stated", "the short rod is ", "42.0 mm")),
    ],
)
def test_a_length_typed_wrong_leaves_the_spacing_in_doubt_and_names_the_slip(stated_m, words):
    found = two_rods(stated_m)
    assert found.doubt == RodDoubt.FAR_OFF
    for word in words:
        assert word in rod_doubt(found)
    place = 1 if stated_m[0] == 0.04 else 0
    assert found.fitting_m[place] == pytest.approx((0.04, 0.14)[place], abs=0.5e-3)


def test_gates_that_stay_blocked_shorter_than_the_rods_leave_a_doubt():
    """Both lengths were measured 3 mm too long: the spacing alone does not show it."""
    found = two_rods((0.043, 0.143))
    assert found.doubt == RodDoubt.EXTRA
    assert "2.9" in rod_doubt(found) or "3.0" in rod_doubt(found)
    assert "shorter" in rod_doubt(found)


def test_balls_that_the_recordings_declare_are_no_rods():
    found = two_rods((0.04, 0.07), (0.04, 0.07), ball=True)
    assert found.doubt == RodDoubt.BALLS
    assert "flat" in rod_doubt(found)
    assert two_rods((0.04, 0.07), (0.04, 0.07)).doubt is None


@pytest.mark.parametrize(
    ("true_m", "word"),
    [
        ((0.14, 0.04), "the rod in the first recording is about 140 mm long"),
        ((0.04, 0.04), "both recordings show a rod of the same length, about 40 mm"),
        ((0.12, 0.05), "is longer than the rod in the second"),
    ],
)
def test_recordings_that_were_exchanged_or_are_of_one_rod_are_refused(true_m, word):
    with pytest.raises(CalibrationError, match=word):
        two_rods(true_m=true_m)


@pytest.mark.parametrize("motion", [pushed, fallen])
def test_fair_rods_are_seldom_doubted(motion):
    doubted = [calibrate(seed, motion)[0].doubt is not None for seed in range(150)]
    assert np.mean(doubted) <= 0.05


def test_degrees_of_freedom_without_end_are_not_written():
    found, _ = calibrate(3, pushed)
    endless = replace(found, uncertainty=replace(found.uncertainty, dof=5157121074780.48))
    assert "calibration.spacing.dof" not in rig_changes(endless, "rods", "2026-03-14")
    few = replace(found, uncertainty=replace(found.uncertainty, dof=17.456))
    assert rig_changes(few, "rods", "2026-03-14")["calibration.spacing.dof"] == 17.46
