"""Every fact that a room may return has its sentence, and the sentence its numbers."""

import math
from contextlib import closing
from itertools import count
from os import truncate
from pathlib import Path

import pytest

from chrono.calibrating.swap_calibration import SwapNote
from chrono.clock.clock_rate import ClockEstimate
from chrono.measuring.calibration_uncertainty import combine
from chrono.measuring.error_budget import Contribution, normal
from chrono.measuring.improvements import Advice, Way
from chrono.measuring.length_trends import LengthTrend, Trend
from chrono.reader.recording_rows import board_row
from chrono.reader.recording_writer import RecordingWriter
from chrono.reports.budget_text import WAYS, advice_text
from chrono.reports.calibration_text import SWAP_NOTES
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


def clock_estimate(rate_error: float, **other) -> ClockEstimate:
    """Ten minutes of beats, in one part without a gap; the uncertainty U95 is 1.96 ppm."""
    uncertainty = combine([Contribution(normal("delays", 1e-6), 1.0)])
    facts = {"beats": 601, "segments": 1, "span_s": 600.0} | other
    return ClockEstimate(rate_error, uncertainty, **facts)


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
