"""Curves in one picture of characters, each ending in its own letter, on axes from 0.

What a curve means is for the reports that draw it; how it is drawn, for `chart.py`.
"""

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from chrono.arrays.array_types import Floats
from chrono.reports.chart import Chart, fit_axis

WIDTH, HEIGHT = 48, 12
"""Cells of a picture without its axes: fits a terminal 60 columns wide."""
_APART_X, _APART_Y = (6, 8, 10, 12), (2, 3, 4)


@dataclass(frozen=True, eq=False)
class Curve:
    """One curve: its points in order, shape (N,), and the letter that it ends in (or none)."""

    x: Floats
    y: Floats
    letter: str = ""


def picture(
    curves: Sequence[Curve], x_label: str, y_label: str, *, ascii_only: bool = False
) -> list[str]:
    """
    Draw curves over axes that begin at 0.

    Parameters
    ----------
    curves : sequence of Curve
        Finite points; what lies below 0 is left out.
    x_label, y_label : str
        What the axes show, with the unit.
    ascii_only : bool, optional
        Use plain ASCII characters.

    Returns
    -------
    list of str
        Lines of at most 60 columns.
    """
    right = max((float(np.max(c.x)) for c in curves if len(c.x)), default=0.0) or 1.0
    top = max((float(np.max(c.y)) for c in curves if len(c.y)), default=0.0) or 1.0
    chart = Chart(
        fit_axis(0.0, right, WIDTH, _APART_X, anchored=True),
        fit_axis(0.0, top, HEIGHT, _APART_Y, anchored=True),
        braille=not ascii_only,
    )
    for curve in curves:
        above = (curve.x >= 0) & (curve.y >= 0)
        chart.curve(
            np.where(above, curve.x, np.nan).tolist(), np.where(above, curve.y, np.nan).tolist()
        )
    taken: set[tuple[int, int]] = set()
    for curve in curves:
        _put_letter(chart, curve, taken)
    return [*chart.text(unit_y=y_label).splitlines(), f"{x_label:>{WIDTH + 10}}"]


def _put_letter(chart: Chart, curve: Curve, taken: set[tuple[int, int]]) -> None:
    """Put a curve's letter on its highest point, or beside it if that is taken."""
    if not curve.letter or not len(curve.x):
        return
    highest = int(np.argmax(curve.y))
    column, row = (
        min(max(round(place), 0), axis.cells - 1)
        for axis, place in (
            (chart.x, chart.x.place(float(curve.x[highest]))),
            (chart.y, chart.y.place(float(curve.y[highest]))),
        )
    )
    while (column, row) in taken and column < chart.x.cells - 1:
        column += 1
    taken.add((column, row))
    chart.sign(
        chart.x.first + column * chart.x.per_cell,
        chart.y.first + row * chart.y.per_cell,
        curve.letter,
    )
