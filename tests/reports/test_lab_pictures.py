"""The lab's pictures: what stands where, in any room, with and without Braille."""

import re

import numpy as np
import pytest

from chrono.measuring.speed import SpeedModel
from chrono.reports.character_chart import decade_axis
from chrono.reports.guess_text import guess_line
from chrono.reports.lab_text import (
    LETTERS,
    WHOLE_LETTER,
    answer_lines,
    budget_picture,
    error_picture,
    lab_data,
    lab_text,
    ladder,
    plain_lines,
    result_lines,
    setting_text,
    step_picture,
)
from chrono.teaching.error_lab import look
from chrono.teaching.guesses import Guess
from chrono.teaching.lab_bench import PRESETS, USUAL
from chrono.teaching.lab_questions import Answer, Side
from chrono.teaching.repeated_shots import repeat_shots

COARSE = PRESETS[1].bench()
ROOMS = [(30, 9), (34, 12), (48, 16), (86, 30)]


@pytest.fixture(scope="module", name="coarse")
def _coarse():
    return look(COARSE, 3)


@pytest.fixture(scope="module", name="usual")
def _usual():
    return look(USUAL, 3)


@pytest.fixture(scope="module", name="hopeless")
def _hopeless():
    return look(COARSE.with_values(tick_s=1e-3, spacing_m=0.02, speed_mps=300.0))


def rungs(lines: list[str]) -> list[tuple[float, int]]:
    """Return speed and count of each line of a ladder."""
    found = []
    for line in lines:
        match = re.match(r" *([\d.]+) ┤(█*)(?: (\d+))?$", line)
        if match:
            found.append((float(match[1]), int(match[3] or 0)))
    return found


@pytest.mark.parametrize("speed_mps", [22.2, 22.2576, 22.26, 22.3, 45.0])
def test_the_true_value_stands_between_the_speeds_of_its_neighbours(speed_mps) -> None:
    for high in (10, 12, 14, 16):
        bench = USUAL.with_values(speed_mps=speed_mps)
        lines = plain_lines(ladder(look(bench), 60, high, "m/s"))
        speeds = [float(line.split()[0]) for line in lines if re.match(r" *[\d.]+ [┤─]", line)]
        assert len(speeds) >= high - 3
        assert speeds == sorted(speeds, reverse=True)


def test_rungs_are_one_tick_apart_and_hold_every_shot(coarse) -> None:
    lines = plain_lines(ladder(coarse, 60, 16, "m/s"))
    found = rungs(lines)
    # spacing 50 mm lengthened by tilt 1 + (1°)²/6, over whole ticks; drag in the body changes
    # the speed of a front by less than 0.1 %
    steps = [0.05 * 1.0000508 / 100e-6 / speed for speed, _ in found]
    assert np.round(steps) == pytest.approx(steps, abs=0.05)
    assert np.diff(np.round(steps)) == pytest.approx(1)
    assert sum(count for _, count in found) == 1000
    ticks = coarse.repeated.transit_ticks
    for step, (_, count) in zip(np.round(steps), found, strict=True):
        assert count == (ticks == step).sum()


def test_letters_stand_a_third_of_the_line_apart(usual) -> None:
    lines = plain_lines(error_picture(usual, 86, 30, "m/s"))
    plot = [line for line in lines if "│" in line or "┤" in line]
    begin = max(line.index(sign) for line in plot for sign in "│┤" if sign in line)
    places = sorted(
        i for line in plot for i, sign in enumerate(line) if i > begin and sign == WHOLE_LETTER
    )
    third = (max(map(len, plot)) - begin) / 3
    assert len(places) in (3, 4)
    assert np.diff(places) == pytest.approx(third, rel=0.1)


def test_the_rung_of_a_single_tick_stands_where_most_transits_are_shorter(hopeless) -> None:
    found = rungs(plain_lines(ladder(hopeless, 60, 10, "m/s")))
    # 20 mm in one step of 1 ms, in two, in three: nothing shorter than a step can be read
    assert [speed for speed, _ in found] == pytest.approx([20, 10, 6.67], rel=0.01)
    assert found[0][1] == (hopeless.repeated.transit_ticks == 1).sum() > 0


def test_the_true_value_stands_between_its_neighbours(coarse, usual) -> None:
    for seen in (coarse, usual):
        lines = plain_lines(ladder(seen, 60, 16, "m/s"))
        (at,) = (i for i, line in enumerate(lines) if "true value" in line)
        true = float(lines[at].split()[0])
        assert true == seen.bench.speed_mps
        above = [speed for speed, _ in rungs(lines[2:at])]
        below = [speed for speed, _ in rungs(lines[at + 1 :])]
        # a line of several readings is named after its middle one
        apart = abs(above[-2] - above[-1]) if len(above) > 1 else abs(below[1] - below[0])
        assert all(speed > true - apart for speed in above)
        assert all(speed < true + apart for speed in below)


def test_why_not_95_of_100_hold_is_said_where_it_stands(coarse, usual) -> None:
    """The transit is 11.11 ticks, in each shot: 45 m/s, 50 mm, 100 us."""
    words = "transit = whole ticks + 0.11; on average the ± holds 95 % of true values"
    assert words in lab_text(coarse)
    assert "with many gates, ± contains 95 % of true values" in lab_text(usual)
    heading = plain_lines(ladder(coarse, 48, 16, "m/s"))[1]
    assert "whole ticks + 0.11; on average 95 %" in heading
    scattered = look(COARSE.with_values(spread=0.05))
    assert "average 95 %" not in plain_lines(ladder(scattered, 60, 16, "m/s"))[1]


def test_over_all_places_in_a_tick_95_of_100_do_hold() -> None:
    """Speeds that end everywhere in one tick, each with gates of its own."""
    held = []
    for place in range(150):
        speed_mps = 45 / (1 + (place / 150 - 0.5) / 11.11)
        bench = COARSE.with_values(speed_mps=speed_mps)
        repeated = repeat_shots(bench, SpeedModel.from_rig(bench.rig), place, 200)
        off = np.abs(repeated.measured.speed_mps - repeated.true_mps)
        held.append(float((off <= repeated.measured.U95_mps).mean()))
    assert np.mean(held) == pytest.approx(0.95, abs=0.015)
    assert min(held) < 0.85, "at one place it is another matter"


def test_single_readings_above_the_true_value_are_faster_and_those_below_slower(coarse) -> None:
    lines = plain_lines(ladder(coarse, 60, 16, "m/s"))
    (at,) = (i for i, line in enumerate(lines) if "true value" in line)
    above, below = rungs(lines[2:at]), rungs(lines[at + 1 :])
    assert above[-1][0] > 45 > below[0][0]
    speeds = [speed for speed, _ in above + below]
    assert speeds == sorted(speeds, reverse=True)


@pytest.mark.parametrize("lines_high", [10, 16, 30])
def test_rungs_stand_as_far_apart_as_their_speeds(coarse, lines_high) -> None:
    """50 mm in whole ticks of 100 us: 50, 45.5, 41.7 m/s … are not evenly spaced."""
    lines = plain_lines(ladder(coarse, 60, lines_high, "m/s"))
    assert len(lines) <= lines_high
    at = {
        float(match[1]): place
        for place, line in enumerate(line for line in lines if "true value" not in line)
        if (match := re.match(r" *([\d.]+) ┤", line))
    }
    speeds, places = [*at], [*at.values()]
    per_line = (speeds[0] - speeds[-1]) / (places[-1] - places[0])
    for speed, place in at.items():
        straight = places[0] + (speeds[0] - speed) / per_line
        assert place == pytest.approx(straight, abs=1.5)  # the true value may take a line
    if lines_high > 10:
        gaps = np.diff(places)
        assert gaps[0] > gaps[-1], "the fast ones lie farther apart"


def test_readings_too_many_for_the_lines_are_put_together_and_none_is_lost(usual) -> None:
    lines = plain_lines(ladder(usual, 60, 12, "m/s"))
    assert re.fullmatch(r"1000 shots, \d+ readings per line", lines[0])
    assert sum(count for _, count in rungs(lines)) == 1000


def test_bars_are_as_long_as_their_counts(coarse) -> None:
    lines = plain_lines(ladder(coarse, 60, 16, "m/s"))
    bars = {line.count("█"): int(line.split()[-1]) for line in lines if "█" in line}
    longest = max(bars)
    for length, count in bars.items():
        assert length == pytest.approx(longest * count / bars[longest], abs=0.51)


@pytest.mark.parametrize("room", ROOMS)
@pytest.mark.parametrize("which", ["coarse", "usual", "hopeless"])
def test_every_picture_stays_in_its_room(request, room, which) -> None:
    seen, (columns, high) = request.getfixturevalue(which), room
    for picture in (
        ladder(seen, columns, high, "km/h"),
        step_picture(seen, columns, high),
        error_picture(seen, columns, high, "km/h"),
        budget_picture(seen, columns, high, "km/h"),
    ):
        lines = plain_lines(picture)
        assert max(map(len, lines)) <= columns, lines
        assert len(lines) <= max(high, 9), lines


def test_a_bench_without_readings_says_so(hopeless) -> None:
    blind = look(hopeless.bench.with_values(speed_mps=1e7, jitter_s=0.0))
    lines = plain_lines(ladder(blind, 30, 10, "m/s"))
    assert lines[0].strip() == "No shot has a speed:"
    assert max(map(len, lines)) <= 30


def test_counts_and_theory_agree_in_the_picture_of_steps(coarse) -> None:
    lines = plain_lines(step_picture(coarse, 70, 16))
    heading = " ".join(lines[:2])
    assert "a triangle" in heading
    theory, sd = (float(x) for x in re.findall(r"0\.\d{3}", heading))
    assert theory == 0.408
    assert sd == pytest.approx(theory, abs=0.01)
    assert lines[-1].endswith("ticks")


@pytest.mark.parametrize("columns", [34, 48, 78])
def test_the_picture_over_speed_is_as_wide_as_its_room_but_for_a_long_number(
    coarse, columns
) -> None:
    lines = plain_lines(error_picture(coarse, columns, 24, "m/s"))
    (axis,) = (line for line in lines if "└" in line)
    assert columns - 3 <= len(axis) <= columns


def test_every_contribution_worth_a_line_has_its_letter_on_it(coarse) -> None:
    lines = plain_lines(error_picture(coarse, 78, 24, "m/s"))
    legend = lines[-1] + lines[-2]
    picture = "".join(line[6:] for line in lines[1:-3])
    for group in ("tick", "gate spacing", "chords", "trip position"):
        assert f"{LETTERS[group]} {group}" in legend
        assert LETTERS[group] in picture
    assert "u whole" in legend
    assert "jitter" not in legend, "a thousandth of the whole is not drawn"
    assert len(set(LETTERS.values())) == len(LETTERS)


def test_the_tick_s_line_is_a_straight_slope_on_axes_of_decades() -> None:
    x, y = decade_axis(0.5, 300, 60), decade_axis(1e-4, 1e-1, 20)
    slopes = [y.place(1e-3 * v) - y.place(1e-3 * v / 10) for v in (5.0, 50.0)]
    assert slopes[0] == pytest.approx(slopes[1])
    assert x.place(0.5) == pytest.approx(0)
    assert x.place(300) == pytest.approx(59)
    assert x.place(np.sqrt(0.5 * 300)) == pytest.approx(29.5)
    assert [label for _, label in x.ticks()] == [
        "0.5", "1", "2", "5", "10", "20", "50", "100", "200",
    ]  # fmt: skip
    for cell, label in x.ticks():
        assert x.place(float(label)) == pytest.approx(cell, abs=0.5)
    assert [label for _, label in y.ticks()] == ["0.0001", "0.001", "0.01", "0.1"]
    percent = decade_axis(1e-4, 1e-1, 20, scale=0.01)
    assert [label for _, label in percent.ticks()] == ["0.01", "0.1", "1", "10"]


def test_shares_are_bars_the_largest_first(coarse) -> None:
    lines = plain_lines(budget_picture(coarse, 70, 12, "m/s"))
    shares = [float(re.search(r"([\d.]+) %", line)[1]) for line in lines[1:]]
    assert shares == sorted(shares, reverse=True)
    assert sum(shares) == pytest.approx(100, abs=0.5)
    assert lines[1].startswith("tick")
    assert lines[1].count("█") == round(45 * coarse.shares["tick"])


def test_without_braille_everything_is_ascii_but_for_signs_that_have_a_stand_in(coarse) -> None:
    from chrono.commands.output_streams import STAND_INS

    text = lab_text(coarse, braille=False)
    left = {c for c in text if ord(c) > 127} - set(STAND_INS)
    assert left == set()
    assert max(map(len, text.splitlines())) <= 80


def test_the_text_holds_settings_result_pictures_and_answers(coarse) -> None:
    text = lab_text(coarse, estimate=Guess("3b", 6.0, 3.0, 45.0))
    for words in (
        "tick      100 us", "45.0 ± 3.3 m/s (7.3 %)", "true value", "theory: 0.408",
        "u in % of speed", "shares of u²", "7. If you take the mean of 100", "3b said ± 6 m/s",
    ):  # fmt: skip
        assert words in text, words


def test_results_are_those_of_the_budget(coarse, usual, hopeless) -> None:
    lines = result_lines(coarse, "m/s")
    assert lines[0] == "45.0 ± 3.3 m/s (7.3 %)"
    assert lines[1] == "tick: 95 % of u²"
    assert lines[2] == "a transit is 11.11 ticks"
    assert lines[3] == "tick: 50 % of u² at 10.4 m/s"
    assert lines[4] == f"true value in ±: {coarse.held} of 1000"
    assert result_lines(usual, "km/h")[0].startswith("79.20 ± 0.16 km/h")
    assert result_lines(usual, "km/h")[3] == "tick: < 50 % of u² to 1080 km/h"
    assert "the ± is larger than the speed" in result_lines(hopeless, "m/s")[0]


@pytest.mark.parametrize(
    ("name", "text"),
    [
        ("speed_mps", "79.2 km/h"), ("spacing_m", "300 mm"), ("tick_s", "62.5 ns"),
        ("jitter_s", "100 ns"), ("clock_tolerance", "± 50 ppm"), ("trip_m", "± 0.2 mm"),
        ("spread", "0 %"), ("edges", "both pairs"),
    ],
)  # fmt: skip
def test_settings_are_written_with_their_units(name, text) -> None:
    assert setting_text(USUAL, name, "km/h") == text
    assert setting_text(USUAL.with_values(jitter_s=0.0), "jitter_s", "m/s") == "none"
    ceramic = USUAL.with_values(clock_tolerance=0.01)
    assert setting_text(ceramic, "clock_tolerance", "m/s") == "± 10000 ppm"


@pytest.mark.parametrize(
    ("guess_mps", "words"),
    [
        (0.31, "computed ± 0.10: 3.1 times too large"), (0.05, "2.0 times too small"),
        (0.1, "close"), (0.124, "close"), (0.126, "1.3 times too large"), (0.079, "too small"),
    ],
)  # fmt: skip
def test_an_estimate_is_told_by_how_much_it_is_off(guess_mps, words) -> None:
    assert words in guess_line(Guess("", guess_mps, 0.1, 22.0), "m/s")


def test_an_estimate_names_its_class_harmlessly() -> None:
    assert guess_line(Guess("3b\x1b", 0.1, 0.1, 22.0), "m/s").startswith("3b· said ±")


def test_answers_say_before_after_and_how_many_times() -> None:
    before, after = Side(22.0, 0.2, "tick", 0.6), Side(22.0, 0.1, "gate spacing", 0.7)
    lines = answer_lines(Answer(before, after), "m/s")
    assert lines[0] == "before  22.00 ± 0.20 m/s (0.91 %); 60 % tick"
    assert lines[1] == "after   22.00 ± 0.10 m/s (0.45 %); 70 % gate spacing"
    assert lines[2] == "the new ± (in %) is 0.50 times the old ±"
    same = answer_lines(Answer(before, Side(22.0, 0.202, "tick", 0.6)), "m/s")
    assert same[2].startswith("this change alters the ± (in %) by less than")
    unchanged = answer_lines(Answer(before, None), "m/s")
    assert unchanged == ["The change has no effect on the result."]


def test_json_holds_the_same(coarse, hopeless) -> None:
    data = lab_data(coarse)
    assert data["U95_mps"] == coarse.budget.U95_mps
    assert data["settings"]["edges"] == "lead"
    readings = {r["transit_ticks"]: r for r in data["repeated"]["readings"]}
    assert sum(r["shots"] for r in readings.values()) == 1000
    assert readings[11]["speed_mps"] == pytest.approx(0.05 / 1.1e-3, rel=2e-3)
    assert len(data["curves"]["speed_mps"]) == len(data["curves"]["parts"]["tick"]) == 120
    assert len(data["questions"]) == 7
    assert lab_data(hopeless)["tick_rules_from_mps"] is not None
