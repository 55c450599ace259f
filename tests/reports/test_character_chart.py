"""Charts of characters: ticks at true places, points to a quarter of a line."""

import math
from itertools import pairwise

import pytest
from hypothesis import example, given
from hypothesis import strategies as st

from chrono.reports.character_chart import Chart, fit_axis

VALUES = st.floats(-1e4, 1e4, allow_nan=False)


@given(low=VALUES, span=st.floats(0, 1e4), cells=st.integers(4, 60))
@example(low=94.6, span=0.0, cells=12)
@example(low=26.0, span=1.0, cells=10)
def test_an_axis_covers_its_range_and_its_ticks_are_evenly_spaced(low, span, cells):
    axis = fit_axis(low, low + span, cells)
    places = [cell for cell, _ in axis.ticks()]

    assert axis.cells == cells
    assert len(places) >= 2
    assert axis.place(low) > -0.51
    assert axis.place(low + span) < cells - 0.49
    assert len({b - a for a, b in pairwise(places)}) <= 1
    for cell, label in axis.ticks():
        assert axis.place(float(label)) == pytest.approx(cell, abs=1e-4)


@given(value=st.floats(20, 30), low=st.just(20.0), high=st.just(30.0))
def test_a_point_is_drawn_within_an_eighth_of_a_line_of_its_value(value, low, high):
    axis = fit_axis(low, high, 12)
    chart = Chart(fit_axis(0, 10, 20), axis)
    chart.point(5, value)
    [(row, character)] = [
        (i, c) for i, line in enumerate(_picture(chart)) for c in line if c >= "\u2800"
    ]
    [dot] = [i for i, bits in enumerate((0x09, 0x12, 0x24, 0xC0)) if ord(character) & bits]
    drawn = axis.low + (axis.cells - row - (dot + 0.5) / 4) * axis.per_cell

    assert abs(drawn - value) <= axis.per_cell / 8 * 1.000001


def test_a_value_at_a_tick_stands_on_the_line_of_the_tick():
    for value in (26.0, 26.5, 27.0, 27.5):
        axis = fit_axis(25.7, 27.7, 10)
        chart = Chart(fit_axis(0, 10, 20), axis)
        chart.point(5, value)
        line = next(line for line in chart.text().splitlines() if f"{value:.1f} " in line)
        assert any(c >= "\u2800" for c in line)


@pytest.mark.parametrize(
    ("begin", "end"),
    [((0, 0), (10, 4)), ((1, 4), (9, 0.5)), ((4, 0), (6, 5)), ((5, 5), (5, 0))],
)
def test_a_line_has_one_dot_in_each_column_or_in_each_row_if_it_is_steep(begin, end):
    chart = Chart(fit_axis(0, 10, 20), fit_axis(0, 5, 8))
    chart.curve([begin[0], end[0]], [begin[1], end[1]])
    dots = _dots(chart)
    columns, rows = ({dot[i] for dot in dots} for i in (0, 1))
    assert len(dots) == max(len(columns), len(rows))
    assert len(columns) == max(columns) - min(columns) + 1
    assert len(rows) == max(rows) - min(rows) + 1


@pytest.mark.parametrize("reach", [3, 20, 1e3, 1e6, 1e12])
@pytest.mark.parametrize("way", [(1, 0.5), (1, -0.5), (0.01, 1), (0, 1), (1, 0), (-1, 0.5)])
def test_a_line_is_drawn_at_its_place_without_a_gap_however_far_off_it_ends(way, reach):
    x, y = fit_axis(0, 10, 20), fit_axis(0, 5, 10)
    chart = Chart(x, y)
    ends = [
        [middle + sign * reach * each for sign in (-1, 1)]
        for middle, each in zip((5, 2.5), way, strict=True)
    ]
    chart.curve(*ends)
    # the line in dots from the left and from the bottom, by its point in the middle
    wide, high = 20 * 2, 10 * 4
    at = [2 * (x.place(5) + 0.5), 4 * (y.place(2.5) + 0.5)]
    by = [2 * way[0] / x.per_cell, 4 * way[1] / y.per_cell]
    dots = {(column + 0.5, high - row - 0.5) for column, row in _dots(chart)}
    along = 0 if abs(by[0]) >= abs(by[1]) else 1

    assert dots
    for dot in dots:
        part = (dot[along] - at[along]) / by[along]
        assert dot[1 - along] == pytest.approx(at[1 - along] + part * by[1 - along], abs=1.6)
        assert abs(part) < reach + 1.5 / abs(by[along])
    drawn = {dot[along] for dot in dots}
    for place in range((wide, high)[along]):
        part = (place + 0.5 - at[along]) / by[along]
        across = at[1 - along] + part * by[1 - along]
        if abs(part) < reach and 2 < across < (high, wide)[along] - 2:
            assert place + 0.5 in drawn


def test_a_picture_without_braille_is_ascii():
    chart = Chart(fit_axis(0, 10, 30), fit_axis(0, 5, 8), braille=False)
    chart.curve([0, 5, math.nan, 7, 10], [0, 5, 1, 3, 0])
    chart.bar(2, 0, 4)

    assert chart.text("s", "m").isascii()
    assert any(":" in line for line in chart.text().splitlines())


def test_what_is_off_the_picture_is_left_out():
    chart = Chart(fit_axis(0, 10, 20), fit_axis(0, 5, 8))
    empty = chart.text()
    chart.points([-50, 50, 5], [2, 2, 500])
    chart.sign(100, 2, "far away")

    assert chart.text() == empty


def _dots(chart: Chart) -> set[tuple[int, int]]:
    """Return column and row of every dot."""
    masks = (0x01, 0x08), (0x02, 0x10), (0x04, 0x20), (0x40, 0x80)
    return {
        (2 * column + right, 4 * row + down)
        for row, line in enumerate(_picture(chart))
        for column, character in enumerate(line)
        if character >= "\u2800"
        for down, pair in enumerate(masks)
        for right, mask in enumerate(pair)
        if ord(character) & mask
    }


def _picture(chart: Chart) -> list[str]:
    """Return what is drawn, without the axes."""
    return ["".join(text for text, _ in line[1:]) for line in chart.lines()][: chart.y.cells]
