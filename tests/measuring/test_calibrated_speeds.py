"""What the calibrations are for: speeds that are right within a smaller uncertainty."""

import numpy as np
from beat_kit import estimate_clock, exponential, microseconds, send_beats

from chrono.measuring.speed import SpeedModel, shot_budget
from chrono.processor.shot_records import EdgesUsed
from chrono.rigs.rig_file import rig_from_record

SPACING_M, UNIT_S = 0.3, 1 / 16e6
GATES = {"spacing_m": SPACING_M, "spacing_tolerance_m": 0.1e-3, "trip_tolerance_m": 0.0}
GATES |= {"tilt_limit_rad": 0.0, "latency_mismatch_s": 0.0}
RESONATOR = {"rate_tolerance": 5000e-6}


def test_a_resonator_calibrated_against_the_host_gives_right_speeds_with_less_uncertainty():
    stated = SpeedModel.from_rig(rig_from_record({"gates": GATES, "clock": RESONATOR}))
    inside, narrower = [], []
    for seed in range(40):
        rng = np.random.default_rng(seed)
        rate_error, speed = rng.uniform(-5e-3, 5e-3), rng.uniform(20, 80)
        # the host's own clock is off as well, as far as an NTP client's may be
        beats, host_s = send_beats(rng, 600, rate_error, exponential)
        host_s *= 1 + rng.uniform(-15e-6, 15e-6)
        found = estimate_clock(beats, microseconds(host_s), UNIT_S)
        clock = {"rate_error": found.rate_error, "rate_error_u": found.u}
        calibrated = SpeedModel.from_rig(
            rig_from_record(
                {"gates": GATES, "clock": RESONATOR, "calibration": {"clock": clock}}
            )
        )
        spacing = SPACING_M + rng.uniform(-0.1e-3, 0.1e-3)
        ticks = spacing / speed * (1 + rate_error) / UNIT_S
        jitter = rng.normal(0, 0.1e-6) / UNIT_S
        transit_s = np.floor(ticks + jitter + rng.random()) * UNIT_S
        budget = shot_budget(calibrated, transit_s, EdgesUsed.BOTH)
        inside.append(abs(budget.speed_mps - speed) <= budget.U95_mps)
        narrower.append(budget.U95_mps / shot_budget(stated, transit_s, EdgesUsed.BOTH).U95_mps)

    assert np.mean(inside) >= 0.9
    assert np.max(narrower) < 0.1
