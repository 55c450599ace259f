"""Guesses as lines and tables, and the dot plot of a round."""

import csv
import io
import math
from dataclasses import replace

import pytest

from chrono.reports.guess_text import (
    DOT_CELLS,
    dot_lines,
    dot_plot,
    guesses_csv,
    guesses_data,
    guesses_text,
    round_lines,
    round_plot,
)
from chrono.teaching.guess_rounds import (
    UNMEASURED,
    GuessKind,
    GuessRounds,
    MeasuredShot,
    Phase,
)
from chrono.teaching.guesses import Guess

SPEEDS = [21.0, 22.0, 22.0, 22.0, 24.5]


def asked(kind: GuessKind, *texts: str) -> GuessRounds:
    rounds = GuessRounds()
    rounds.open(kind, 7)
    for place, text in enumerate(texts):
        rounds.take(str(place), "", text, "m/s")
    return rounds


def test_equal_guesses_stand_one_above_the_other_and_larger_ones_to_the_right() -> None:
    plot = dot_plot(SPEEDS, "abcde", 22.3, 0.05)
    assert [who for _, _, who in plot.dots] == [*"abcde"]
    cells = [cell for cell, _, _ in plot.dots]
    assert cells[1] == cells[2] == cells[3]
    assert [row for _, row, _ in plot.dots] == [0, 0, 1, 2, 0]
    assert 0 <= cells[0] < cells[1] < cells[4] < DOT_CELLS
    assert (plot.left, plot.right) == (0, 0)


def test_every_dot_stands_where_the_ticks_say() -> None:
    """Ticks are linear: each dot lies within half a cell of its value between them."""
    plot = dot_plot(SPEEDS, "abcde")
    (c0, t0), *_, (c1, t1) = plot.ticks
    per_cell = (float(t1) - float(t0)) / (c1 - c0)
    for value, (cell, _, _) in zip(SPEEDS, plot.dots, strict=True):
        assert float(t0) + (cell - c0) * per_cell == pytest.approx(value, abs=0.51 * per_cell)
    place, half = dot_plot(SPEEDS, "abcde", 22.3, 0.5).measured
    assert half > 0
    assert cells_between(plot, 22.3) == pytest.approx(place, abs=1.5)


def cells_between(plot, value) -> float:
    (c0, t0), *_, (c1, t1) = plot.ticks
    return c0 + (value - float(t0)) / (float(t1) - float(t0)) * (c1 - c0)


def test_a_joke_of_a_guess_does_not_hide_the_others_and_is_said() -> None:
    plot = dot_plot([*SPEEDS, 9_999_999.0, 0.001], "abcdefg")
    assert len({cell for cell, _, _ in plot.dots[:5]}) == 3
    assert plot.dots[5][0] == DOT_CELLS - 1
    assert plot.dots[6][0] == 0
    assert (plot.left, plot.right) == (1, 1)
    text = "\n".join(dot_lines(plot, "m/s"))
    assert "guesses too far to the right for this axis: 1" in text


def test_a_measured_value_far_from_all_guesses_is_on_the_axis() -> None:
    plot = dot_plot(SPEEDS, "abcde", 40.0, 0.1)
    place, _ = plot.measured
    assert 0 <= place < DOT_CELLS
    assert dot_plot([], "") is None
    assert dot_plot([22.0], "a").dots == ((pytest.approx(24, abs=24), 0, "a"),)


def test_lines_fit_60_columns_and_have_a_dot_for_each_guess() -> None:
    rounds = asked(GuessKind.SPEED, *map(str, SPEEDS))
    measured = MeasuredShot(22.31, 0.04)
    assert round_lines(rounds, measured, "m/s") == ["speed of shot 7: 5 guesses"]
    rounds.go_to(Phase.CLOSED)
    closed = round_lines(rounds, measured, "m/s")
    assert "22.31" not in "\n".join(closed)
    assert "▲" not in "\n".join(closed)
    rounds.go_to(Phase.REVEALED)
    lines = round_lines(rounds, measured, "m/s")
    assert lines[-1] == "measured: 22.31 ± 0.04 m/s"
    assert "\n".join(lines).count("●") == 5
    assert "\n".join(lines).count("▲") == 1
    assert max(map(len, lines)) <= 60


def test_nothing_of_an_open_round_can_be_plotted() -> None:
    rounds = asked(GuessKind.SPEED, "22")
    assert round_plot(rounds, MeasuredShot(22.0, 0.1), "m/s") is None


def test_guesses_of_an_error_stand_beside_the_half_width() -> None:
    rounds = asked(GuessKind.ERROR, "0.5", "1 %")
    rounds.go_to(Phase.CLOSED)
    assert len(round_plot(rounds, UNMEASURED, "m/s").dots) == 1, "1 % of what?"
    rounds.go_to(Phase.REVEALED)
    plot = round_plot(rounds, MeasuredShot(20.0, 0.3), "m/s")
    assert len(plot.dots) == 2
    assert plot.dots[1][0] < plot.measured[0] < plot.dots[0][0]
    assert round_lines(rounds, MeasuredShot(20.0, 0.3), "m/s")[-1] == "measured: ± 0.30 m/s"
    assert "measured: —" in round_lines(rounds, UNMEASURED, "m/s")[-1]


SPEED = Guess("owls", 21.5, 0.04, 22.0, "monday.tsv", 7, kind="speed")
LOST = Guess("owls", 21.5, math.nan, math.nan, "monday.tsv", 8, kind="speed")


@pytest.mark.parametrize(
    ("guess_mps", "words"),
    [(21.5, "0.50 m/s too low"), (22.03, "within the ±"), (22.1, "0.10 m/s too high")],
)
def test_a_guess_of_a_speed_is_told_by_its_difference(guess_mps, words) -> None:
    guess = Guess("owls", guess_mps, 0.04, 22.0, "monday.tsv", 7, kind="speed")
    lines = guesses_text([guess]).splitlines()
    assert lines[0] == "monday.tsv, shot 7: 22.00 ± 0.04 m/s"
    assert lines[1].endswith(words)


def test_a_shot_that_never_came_leaves_its_guesses_without_an_answer() -> None:
    assert "not measured" in guesses_text([LOST])
    (row,) = csv.DictReader(io.StringIO(guesses_csv([LOST])))
    assert (row["guess_mps"], row["speed_mps"], row["ratio"]) == ("21.5", "", "")
    assert row["shot"] == str(LOST.shot)
    (row,) = csv.DictReader(io.StringIO(guesses_csv([replace(LOST, shot=None)])))
    assert row["shot"] == ""
    (data,) = guesses_data([LOST])
    assert data["speed_mps"] is data["ratio"] is None
    assert guesses_data([SPEED])[0]["kind"] == "speed"


def test_a_whole_school_that_guesses_alike_fits_a_terminal() -> None:
    plot = dot_plot([22.0] * 60, ["x"] * 60)
    lines = dot_lines(plot, "m/s")
    assert len(lines) <= 15
    assert "each dot shows up to 5 guesses" in lines[0]
    assert "\n".join(lines).count("●") == 12
    texts = [text for _, text in plot.ticks]
    assert max(map(len, texts)) <= 5, "no ticks of 21.9999999"
