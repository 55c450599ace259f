"""Every fact that a room may return has its sentence, and the sentence its numbers."""

import math
from contextlib import closing
from itertools import count
from os import truncate
from pathlib import Path

import pytest

from chrono.calibrating.calibration import ClockCalibration
from chrono.calibrating.drop_calibration import HEIGHT, DropResult, DropSetup, MeasuredLength
from chrono.calibrating.rods_calibration import RodDoubt, RodResult
from chrono.calibrating.swap_calibration import SwapDoubt, SwapNote, SwapResult
from chrono.clock.clock_rate import ClockEstimate
from chrono.measuring.body_in_air import ball_in_air
from chrono.measuring.calibration_uncertainty import CombinedUncertainty, combine
from chrono.measuring.error_budget import Contribution, normal
from chrono.measuring.improvements import Advice, Way
from chrono.measuring.length_trends import LengthTrend, Trend
from chrono.reader.recording_rows import board_row
from chrono.reader.recording_writer import RecordingWriter
from chrono.reports.budget_text import WAYS, advice_text, tick_text
from chrono.reports.calibration_text import (
    SWAP_NOTES,
    calibration_doubt,
    calibration_evidence,
    calibration_lines,
)
from chrono.reports.clock_text import clock_report, rate_text
from chrono.reports.motion_text import range_lines
from chrono.reports.rig_evidence_text import trend_text, trend_wrong
from chrono.reports.trouble_text import disk_line, restarts_words, trouble_line, waiting_words
from chrono.session.recording_loader import read_recording
from chrono.session.troubles import (
    BoardUnused,
    FileTrouble,
    LinkLost,
    RateUnknown,
    RowCut,
    SourceFailed,
)

RECORDINGS = Path(__file__).parents[2] / "recordings"
MEANWHILE = "the lines that the board sent meanwhile are missing"


def test_no_advice_and_no_note_is_without_words() -> None:
    assert set(WAYS) == set(Way)
    assert set(SWAP_NOTES) == set(SwapNote)


@pytest.mark.parametrize("way", list(Way))
def test_an_advice_states_its_number_only_where_it_has_one(way: Way) -> None:
    assert "nan" not in advice_text(Advice(way, 0.25e-3))
    assert "{" not in advice_text(Advice(way, 0.25e-3))


def test_an_advice_is_given_in_millimetres_and_degrees() -> None:
    assert advice_text(Advice(Way.CALLIPER, 0.05e-3)).endswith("a calliper, ± 0.05 mm")
    assert advice_text(Advice(Way.STRAIGHTER_PATH, math.radians(0.5))).endswith("within 0.5°")
    assert advice_text(Advice(Way.TRUER_AIM, 7.5e-3)).startswith("aim at most 7.5 mm off")


@pytest.mark.parametrize(
    ("trouble", "line"),
    [
        (LinkLost("p", 1, True, "x"), f"p: the link was lost once; {MEANWHILE}"),
        (LinkLost("p", 3, True, ""), f"p: the link was lost 3 times; {MEANWHILE}"),
        (
            LinkLost("p\x1b", 2, False, "no such port\n"),
            f"p·: the link was lost 2 times; {MEANWHILE}, and the link is still lost: "
            "no such port·",
        ),
        (
            BoardUnused(12.5, "16 bits"),
            "from 12.500 s on, the program ignores all lines until the board sends a new "
            "hello line. Reason: 16 bits",
        ),
        (
            RateUnknown("3 beats"),
            "the counter's rate cannot be computed from the beats (3 beats); speeds are "
            "computed with the rate that the rig states",
        ),
        (SourceFailed("p", "broken", ended=True), "p: reading ended: broken"),
        (SourceFailed("a.tsv", "was cut", ended=False), "a.tsv: was cut"),
        (
            RowCut("a.tsv", 7),
            "a.tsv: the last row is incomplete (7 bytes) and is left out",
        ),
        (FileTrouble("it goes on in b.tsv"), "it goes on in b.tsv"),
    ],
)
def test_a_trouble_is_told_in_one_sentence(trouble, line: str) -> None:
    assert trouble_line(trouble) == line


def test_ranges_of_a_shot_begin_with_the_level_one() -> None:
    session = read_recording(RECORDINGS / "two-and-three-bands.tsv").session
    [*rows] = session.rows_of(slice(0, len(session.log)))
    row = next(row for row in rows if math.isfinite(row.speed_mps))

    lines = range_lines(row, session.rig, {})

    ranges = {
        up.strip(): far for up, _, far in (line.partition(" up  ") for line in lines) if far
    }
    assert list(ranges) == ["0°", "15°", "30°", "45°"]
    level_m = float(ranges["0°"].split()[0])
    in_vacuum_m = row.speed_mps * math.sqrt(2 * 1.0 / 9.81)
    assert 0.9 * in_vacuum_m < level_m < in_vacuum_m


@pytest.mark.parametrize("harms", [1, 2])
def test_a_recording_that_goes_on_in_another_file_says_where_it_is_now(
    tmp_path: Path, harms: int
) -> None:
    with closing(RecordingWriter(tmp_path / "a.tsv", clock=count().__next__)) as writer:
        assert disk_line(writer) == ""
        for _ in range(harms):
            truncate(writer.path, 10)
            writer.append(board_row(0, b"C 1 0 0001"))
            writer.sync()
        assert writer.path == tmp_path / f"a-{1 + harms}.tsv"
        assert disk_line(writer).endswith(f"all rows are now in {writer.path}")


@pytest.mark.parametrize(
    ("sign", "blocked", "seems"), [(1, "long", "longer"), (-1, "short", "shorter")]
)
def test_a_slow_sensor_is_told_with_its_time_in_microseconds(sign, blocked, seems) -> None:
    trend = LengthTrend(Trend.SPEED, "B", 30, sign * 20e-6, 4e-6, sign * 1e-3)
    assert trend_text(trend) == f"the gate stays blocked too {blocked}, by 20 ± 4 µs"
    assert f"at gate B, fast bodies seem {seems} than slow bodies" in trend_wrong(trend)


def test_a_drifting_length_is_told_from_the_first_to_the_last_shot() -> None:
    """Between 11 shots there are ten steps of 0.1 mm."""
    trend = LengthTrend(Trend.TIME, "A", 11, 1e-4, 2e-5, 1e-3)
    assert trend_text(trend).endswith(
        "of 11 shots, the measured length changes by 1.00 ± 0.20 mm"
    )


def one_cause(name: str, u: float, sensitivity: float = 1.0) -> CombinedUncertainty:
    """Return an uncertainty that one normal distribution causes: U95 = 1.96·u·sensitivity."""
    return combine([Contribution(normal(name, u), sensitivity)])


def clock_estimate(rate_error: float, **other) -> ClockEstimate:
    """Ten minutes of beats, in one part without a gap; the uncertainty U95 is 1.96 ppm."""
    facts = {"beats": 601, "segments": 1, "span_s": 600.0} | other
    return ClockEstimate(rate_error, one_cause("delays", 1e-6), **facts)


@pytest.mark.parametrize(
    ("rate_error", "words"),
    [
        (120e-6, "120.0 ± 2.0 ppm fast"),
        (-120e-6, "120.0 ± 2.0 ppm slow"),
        (0.4e-6, "0.4 ± 2.0 ppm fast"),
    ],
)
def test_the_rate_of_a_counter_is_told_in_ppm(rate_error: float, words: str) -> None:
    assert rate_text(clock_estimate(rate_error)) == words


def test_a_measured_rate_is_told_with_its_beats_its_parts_and_a_growing_delay() -> None:
    """20 ms in 600 s are 33 parts in a million."""
    first, beats, parts, delay = clock_report(clock_estimate(120e-6))
    assert "120.0 ± 2.0 ppm fast" in first
    assert beats == "from 601 beats in 600 s (1 part without a gap)"
    assert parts.endswith("delays 1.00 ppm")
    assert "20 ms more delay at the end causes an error of 33 ppm" in delay

    _, beats, _, steps, *_ = clock_report(clock_estimate(0.0, segments=2, steps_s=0.016))
    assert beats.endswith("(2 parts without a gap)")
    assert "(spread 16 ms)" in steps


def test_restarts_and_waiting_rows_are_told_with_their_numbers() -> None:
    assert restarts_words(1) == "board restarted once"
    assert restarts_words(2) == "board restarted 2 times"
    assert waiting_words(0.49) == ""
    assert waiting_words(0.5).startswith("waiting 0.5 s for the disk")


def drop_result(spacing_m: float, **seen) -> DropResult:
    """Eight drops from 500 mm; gates said to be 300 mm apart; ± 1.96 mm, all by the height."""
    body = ball_in_air(0.04, 0.024, 3.0, temperature_k=293.15, pressure_pa=101325, humidity=0.5)
    return DropResult(
        spacing_m=spacing_m,
        uncertainty=one_cause(HEIGHT, 4e-3, sensitivity=0.25),
        setup=DropSetup(0.5, body, 9.81, 0.3),
        drops=8,
        mean_transit_s=0.08125,
        deviation_m=spacing_m - 0.3,
        deviation_uncertainty=one_cause("both", 1.25e-3),
        height_seen=seen.get("height"),
        spacing_seen=seen.get("spacing"),
    )


def test_a_drop_is_told_in_millimetres_and_milliseconds() -> None:
    """The ± of the difference is 1.96·1.25 mm = 2.45 mm, and 4.9 mm are twice as much."""
    verdict, spacing, largest, height = calibration_lines(drop_result(0.3049))
    assert "differs from the stated 300.0 mm: the difference is +4.9 mm (2.0 times" in verdict
    assert "304.9 ± 2.0 mm" in spacing
    assert "from 8 drops, mean transit 81.250 ms" in spacing
    assert "the height of the fall, 100 % of u²" in largest
    assert "1 mm in the height changes the spacing by 0.25 mm" in height
    assert "height errors up to 10 mm" in height
    assert calibration_evidence(drop_result(0.3)).startswith("balls dropped from 500.0 mm: ")


@pytest.mark.parametrize(
    ("height_m", "spacing_m", "suspect"),
    [
        (0.45, 0.3, "the height looks wrong, not the spacing"),
        (0.5, 0.35, "the spacing looks wrong, not the height"),
        (0.45, 0.35, "the height and spacing look wrong"),
        (0.5, 0.3, "do not show what is wrong"),
    ],
)
def test_blocking_times_of_drops_tell_which_length_is_wrong(
    height_m: float, spacing_m: float, suspect: str
) -> None:
    lengths = {
        "height": MeasuredLength(height_m, 4e-3),
        "spacing": MeasuredLength(spacing_m, 3e-3),
    }
    *_, seen, last = calibration_lines(drop_result(0.31, **lengths))
    assert f"the height is {1e3 * height_m:.0f} ± 8 mm (you stated 500 mm)" in seen
    assert f"the spacing is {1e3 * spacing_m:.0f} ± 6 mm" in seen
    assert suspect in last

    *_, last = calibration_lines(drop_result(0.3, **lengths))
    assert last == seen, "nothing is wrong with a spacing that agrees"


def test_rods_are_told_in_millimetres() -> None:
    causes = one_cause("rods", 0.5e-3)
    facts = {"extra_m": 1e-3, "stated_m": 0.3, "passes": (6, 7), "lengths_m": (0.04, 0.14)}
    facts |= {"allowed_m": 1.5e-3, "fitting_m": (0.0412, 0.1388)}
    larger = RodResult(0.304, causes, **facts, doubt=RodDoubt.FAR_OFF)
    spacing, passes, _, _ = calibration_lines(larger)
    assert "304.0 ± 1.0 mm (95 % coverage); the stated spacing is 300.0 mm" in spacing
    assert "from 6 and 7 passes of rods with lengths of 40.00 mm and 140.00 mm" in passes
    doubt = calibration_doubt(larger)
    assert "4.0 mm larger than the stated spacing" in doubt
    assert "explain only 1.5 mm" in doubt
    assert "the long rod is 138.8 mm long, not 140.0 mm" in doubt
    assert "the short rod is 41.2 mm long, not 40.0 mm" in doubt
    smaller = RodResult(0.296, causes, **facts, doubt=RodDoubt.FAR_OFF)
    assert "4.0 mm smaller than the stated spacing" in calibration_doubt(smaller)


def test_exchanged_sensors_are_told_in_microseconds() -> None:
    causes = one_cause("scatter", 0.5e-6)
    for value_s, word in ((4e-6, "later"), (-4e-6, "sooner"), (0.5e-6, "later")):
        result = SwapResult(value_s, causes, 8, 9, False, 20e-6, SwapDoubt.TOO_WIDE, ())
        difference, shots, doubt = calibration_lines(result)
        assert f"reacts {abs(value_s) * 1e6:.1f} ± 1.0 us {word} than gate A" in difference
        assert "8 shots before the exchange of the sensors and 9 after" in shots
        assert "larger than ± 20 us" in doubt


def test_a_rate_is_doubted_with_the_tolerance_of_the_rig_in_ppm() -> None:
    """± 1.96 ppm were measured, so 102 ppm are too far from the 100 ppm of the rig."""
    far = calibration_doubt(ClockCalibration(clock_estimate(102e-6), 100e-6))
    assert "too fast or too slow, by more than the ± 100 ppm in the rig" in far
    assert not calibration_doubt(ClockCalibration(clock_estimate(101.9e-6), 100e-6))
    wide = calibration_doubt(ClockCalibration(clock_estimate(0.0), 1e-6))
    assert "is larger than the ± 1 ppm in the rig" in wide


@pytest.mark.parametrize(
    ("tick_s", "words"),
    [(62.5e-9, "62.5 ns"), (1e-6, "1 us"), (1.5e-6, "1.5 us"), (1e-3, "1 ms")],
)
def test_a_tick_is_told_in_a_suitable_unit(tick_s: float, words: str) -> None:
    assert tick_text(tick_s) == words
