"""The counter against the computer's clock, from the shots alone: what is said, and when."""

from pathlib import Path

import numpy as np
import pytest

from chrono.reports.rig_evidence_text import rate_doubt
from chrono.rigs.rig_model import ClockResult, Rig
from chrono.session.recording_loader import read_recording
from chrono.session.rig_evidence import RecentShots, rate_of

RECORDINGS = Path(__file__).parents[2] / "recordings"
CERAMIC = RECORDINGS / "plain-lines-4us.tsv"
"""Its counter runs 4000 ppm fast, and its rig allows 5000 ppm."""


def with_clock(path: Path, **clock: object) -> Rig:
    rig = read_recording(path).session.rig
    return rig.model_copy(update={"clock": rig.clock.model_copy(update=clock)})


def test_a_counter_that_does_not_fit_the_rig_is_told_with_its_rate() -> None:
    rig = with_clock(CERAMIC, rate_tolerance=50e-6)
    rate = rate_of(RecentShots.of(read_recording(CERAMIC, rig).session))
    assert rate.off == pytest.approx(4000e-6, abs=100e-6)
    assert "the counter runs about 4000 ppm fast, but the rig states only ± 50 ppm" in (
        rate_doubt(rate)
    )


def test_a_counter_that_fits_the_rig_or_whose_rate_is_measured_gives_no_doubt() -> None:
    assert not rate_of(RecentShots.of(read_recording(CERAMIC).session)).contradicts
    rig = with_clock(CERAMIC, rate_tolerance=50e-6, from_host=True)
    assert rate_of(RecentShots.of(read_recording(CERAMIC, rig).session)) is None


def test_a_calibrated_rate_is_taken_into_account() -> None:
    rig = with_clock(CERAMIC)
    found = ClockResult(value=4000e-6, u=10e-6)
    calibrated = rig.calibration.model_copy(update={"clock": found})
    rig = rig.model_copy(update={"calibration": calibrated})
    rate = rate_of(RecentShots.of(read_recording(CERAMIC, rig).session))
    assert rate.off == pytest.approx(0.0, abs=100e-6)


def test_lines_that_were_read_late_give_no_doubt() -> None:
    session = read_recording(RECORDINGS / "two-and-three-bands.tsv").session
    late = session.log.shots["host_us"]
    late[[0, 30, 33, 39]] += 20_000_000
    rate = rate_of(RecentShots.of(session))
    assert abs(rate.off) < 200e-6
    assert not rate.contradicts


def at_pace(factor: float):
    session = read_recording(CERAMIC).session
    times_us = session.log.shots["host_us"]
    times_us[:] = times_us[0] + (times_us - times_us[0]) / factor
    return rate_of(RecentShots.of(session))


def test_a_board_with_another_frequency_is_told_by_a_factor() -> None:
    assert "the counter runs about 2 times as fast as the rig states" in rate_doubt(at_pace(2))
    assert "the counter runs about 0.5 times as fast as the rig" in rate_doubt(at_pace(0.5))


def test_lines_that_did_not_come_in_real_time_give_no_rate() -> None:
    assert at_pace(500) is None
    assert at_pace(0.01) is None
    for factor in (0.06, 0.09, 19.0):
        assert 1 + at_pace(factor).off == pytest.approx(factor, rel=0.01)
    assert at_pace(0.049) is at_pace(20.5) is None, "no board is wrong by a factor of 20"


@pytest.mark.parametrize(("off", "is_wrong"), [(12e-6, False), (25e-6, True)])
def test_the_computer_s_clock_may_be_wrong_by_15_ppm(off: float, is_wrong: bool) -> None:
    """Shots of a counter without any error, over a whole day."""
    session = read_recording(CERAMIC, with_clock(CERAMIC, rate_tolerance=0.0)).session
    shots = session.log.shots
    shots["key"] = np.linspace(0, 86_400e6, len(shots))
    shots["host_us"] = shots["key"] * (1 - off)
    rate = rate_of(RecentShots.of(session))
    assert rate.off == pytest.approx(off, rel=1e-2)
    assert rate.contradicts == is_wrong


def test_few_shots_or_a_clock_that_stands_give_no_rate() -> None:
    session = read_recording(CERAMIC).session
    assert rate_of(RecentShots.of(session, 3)) is None
    assert rate_of(RecentShots.of(session, 4)) is not None
    session.log.shots["host_us"][:] = 7
    assert rate_of(RecentShots.of(session)) is None


@pytest.mark.parametrize("command", ["summary", "compare"])
def test_commands_say_that_the_rate_is_doubtful_and_end_with_one(
    chrono, tmp_path: Path, command: str
) -> None:
    rows = CERAMIC.read_text().replace('"rate_tolerance": 0.005', '"rate_tolerance": 5e-05')
    (tmp_path / "a.tsv").write_text(rows)
    outcome = chrono(command, tmp_path / "a.tsv")
    assert outcome.code == 1
    assert "the counter runs about 4000 ppm fast" in " ".join(outcome.err.split())
