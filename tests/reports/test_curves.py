"""Pictures of curves: axes from 0, letters at their ends, narrow and plain where wanted."""

import numpy as np
import pytest

from chrono.reports.character_chart import Curve, curves_picture, fit_axis

X = np.linspace(0, 37.0, 60)


@pytest.mark.parametrize("high", [0.003, 1.0, 7.3, 99.0, 1.2e5])
def test_an_anchored_axis_begins_at_its_low_end_and_shows_two_ticks(high):
    axis = fit_axis(0.0, high, 48, (6, 8, 10, 12), anchored=True)

    assert axis.place(0.0) == 0
    assert 24 < axis.place(high) <= 47
    assert len(axis.ticks()) >= 2


@pytest.mark.parametrize("ascii_only", [False, True])
def test_a_picture_fits_sixty_columns_whatever_its_numbers(ascii_only):
    for scale in (1e-3, 1.0, 12345.0):
        lines = curves_picture(
            [Curve(X * scale, X * scale, "a")], "way [m]", "speed", ascii_only=ascii_only
        )
        assert max(map(len, lines)) <= 60
        assert lines[0] == "speed"
        assert lines[-1].endswith("way [m]")
        assert not ascii_only or all(line.isascii() for line in lines)


def test_a_straight_line_passes_the_cells_of_its_values():
    lines = curves_picture([Curve(X, X)], "x", "y", ascii_only=True)
    tick = next(i for i, line in enumerate(lines) if line.startswith("20 "))
    foot = next(line for line in lines if "+-" in line and line.startswith("   "))
    labels = lines[lines.index(foot) + 1]
    column = labels.index("20")  # a label of two digits begins on its tick
    assert foot[column] == "+"
    assert lines[tick][column] in ".':"


def test_letters_of_equal_curves_stand_side_by_side():
    lines = curves_picture([Curve(X, X, "a"), Curve(X, X, "b"), Curve(X, X, "c")], "x", "y")

    assert any("abc" in line for line in lines)


def test_the_letter_stands_on_the_highest_point():
    hump = 5 * np.sin(np.pi * X / 37)
    lines = curves_picture([Curve(X, hump, "h")], "x", "y")
    row = next(i for i, line in enumerate(lines) if "h" in line)

    assert all(not any(c >= "\u2801" for c in line) for line in lines[1:row])
    assert "⣀" in lines[row] or "⠉" in lines[row] or "⠒" in lines[row]


def test_what_lies_below_zero_is_left_out():
    below = curves_picture([Curve(np.array([1.0, 2.0]), np.array([-5.0, -4.0]))], "x", "y")

    assert not any(c >= "\u2801" for line in below for c in line)


def test_no_curve_at_all_gives_empty_axes():
    assert curves_picture([], "x", "y")[0] == "y"
