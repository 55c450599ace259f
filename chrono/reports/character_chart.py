"""Draw points, bars and curves with characters, on axes with evenly spaced tick marks.

A Braille character has two columns and four rows of dots. If the output cannot show Braille
characters, the picture uses only ASCII characters. Each tick mark is exactly at its value.
"""

import math
from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from itertools import pairwise

import numpy as np

from chrono.arrays.array_types import Floats

DOTS_WIDE, DOTS_HIGH = 2, 4
"""Number of dots in one Braille cell, across and down."""

_BRAILLE = 0x2800
_BITS = ((0x01, 0x02, 0x04, 0x40), (0x08, 0x10, 0x20, 0x80))
"""Bit of each dot, by the dot's column and row (The Unicode Standard, chapter 21.1)."""
_STEPS = (1.0, 2.0, 5.0)
_UPPER, _LOWER = 0x01 | 0x08 | 0x02 | 0x10, 0x04 | 0x20 | 0x40 | 0x80

Piece = tuple[str, str]
"""A text and the name of its style, which may be empty."""


@dataclass(frozen=True)
class Axis:
    """
    An axis that is divided into character cells; each tick mark is at the middle of a cell.

    Attributes
    ----------
    first : float
        Value at the middle of the first cell.
    per_cell : float
        Difference between the values of two neighbouring cells.
    cells : int
        Number of cells.
    step : float
        Difference between the values of two neighbouring ticks. It is as wide as a whole
        number of cells.
    """

    first: float
    per_cell: float
    cells: int
    step: float

    def place(self, value: float) -> float:
        """Return how many cells a value is away from the middle of the first cell."""
        return (value - self.first) / self.per_cell

    @property
    def low(self) -> float:
        """Value at the lower end of the axis."""
        return self.first - self.per_cell / 2

    @property
    def high(self) -> float:
        """Value at the upper end of the axis."""
        return self.first + (self.cells - 0.5) * self.per_cell

    def ticks(self) -> list[tuple[int, str]]:
        """Return the cell and the label of each tick mark."""
        every = round(self.step / self.per_cell)
        begin = round(self.first / self.per_cell)
        decimals = max(-math.floor(math.log10(self.step) + 1e-9), 0)
        return [
            (cell, f"{(begin + cell) * self.per_cell:.{decimals}f}")
            for cell in range(self.cells)
            if (begin + cell) % every == 0
        ]


def fit_axis(
    low: float,
    high: float,
    cells: int,
    apart: Sequence[int] = (2, 3, 4, 5),
    *,
    anchored: bool = False,
    least_step: float = 0.0,
) -> Axis:
    """
    Choose an axis with round numbers on which a range of values fills the most cells.

    Parameters
    ----------
    low, high : float
        Ends of the range to show. They must be finite and may be equal.
    cells : int
        Number of cells of the axis, at least 2.
    apart : sequence of int, optional
        Allowed numbers of cells from one tick to the next.
    anchored : bool, optional
        If true, the axis begins at `low`. Otherwise, the range is in the middle of the axis.
    least_step : float, optional
        Smallest difference between the values of two ticks, such as 1 for counted things.

    Returns
    -------
    Axis
        An axis whose step is 1, 2 or 5 times a power of ten.
    """
    span = max(high - low, abs(high) * 1e-6, 1e-9)
    decade = 10.0 ** math.floor(math.log10(span / max(cells - 1, 1)))
    steps = [scale * decade * s for scale in (1, 10, 100) for s in _STEPS]
    near = [k for k in apart if 2 * k <= cells] or [min(apart)]  # two ticks must be visible
    fits = [(step / k, step) for step in steps for k in near if step >= least_step]
    per_cell, step = min(fit for fit in fits if _covers(fit[0], low, high, cells))
    spare = cells - 1 - (_ceil(high / per_cell) - _floor(low / per_cell))
    first = (_floor(low / per_cell) - (0 if anchored else spare // 2)) * per_cell
    return Axis(first, per_cell, cells, step)


def _covers(per_cell: float, low: float, high: float, cells: int) -> bool:
    return _ceil(high / per_cell) - _floor(low / per_cell) <= cells - 1


def _floor(value: float) -> int:
    return math.floor(value + 1e-9)


def _ceil(value: float) -> int:
    return math.ceil(value - 1e-9)


def axis_lines(
    axis: Axis, unit: str = "", level: str = "─", tick: str = "┬"
) -> tuple[str, str]:
    """Return a horizontal axis as two lines: tick marks, and the numbers below the marks."""
    ticks = axis.ticks()
    places = {cell for cell, _ in ticks}
    stroke = "".join(tick if cell in places else level for cell in range(axis.cells))
    foot = ""
    for cell, label in ticks:
        begin = max(cell - (len(label) - 1) // 2, 0)
        if begin >= len(foot) + bool(foot) and begin + len(label) <= axis.cells:
            foot = foot.ljust(begin) + label
    if len(foot) + 1 + len(unit) <= axis.cells:
        foot += f" {unit}"
    return stroke, foot.rstrip()


class Chart:
    """
    A picture with two axes, made of characters.

    First draw into the picture, then call `lines` or `text`.

    Parameters
    ----------
    x, y : Axis
        The axis across the picture and the axis up the picture.
    braille : bool, optional
        If true, draw Braille dots. Otherwise, draw ASCII characters.
    """

    def __init__(self, x: Axis, y: Axis, *, braille: bool = True) -> None:
        self.x, self.y, self.braille = x, y, braille
        self._bits = [[0] * x.cells for _ in range(y.cells)]
        self._styles = [[""] * x.cells for _ in range(y.cells)]
        self._signs: dict[tuple[int, int], Piece] = {}

    def point(self, x: float, y: float, style: str = "") -> None:
        """Draw a point as one dot; do nothing if the point is outside the picture."""
        self._dot(*self._dots(x, y), style)

    def points(self, x: Iterable[float], y: Iterable[float], style: str = "") -> None:
        """Draw one dot for each pair of an x value and a y value."""
        for one_x, one_y in zip(x, y, strict=True):
            self.point(one_x, one_y, style)

    def mark(self, x: float, y: float, style: str = "") -> None:
        """Draw a point that is two dots wide, so that the user can see it between bars."""
        column, row = self._dots(x, y)
        self._dot(column, row, style)
        self._dot(column + 1, row, style)

    def bar(self, x: float, low: float, high: float, style: str = "") -> None:
        """Draw a vertical line from the value `low` to the value `high`."""
        column, bottom = self._dots(x, max(low, self.y.low))
        _, top = self._dots(x, min(high, self.y.high))
        for row in range(top, bottom + 1):
            self._dot(column, row, style)

    def curve(self, x: Sequence[float], y: Sequence[float], style: str = "") -> None:
        """Draw a curve: join the points by straight lines, and leave a gap at each NaN."""
        places = [
            self._dots(a, b) if math.isfinite(a) and math.isfinite(b) else None
            for a, b in zip(x, y, strict=True)
        ]
        for begin, end in pairwise(places):
            if begin is not None and end is not None:
                self._line(begin, end, style)

    def sign(self, x: float, y: float, text: str, style: str = "") -> None:
        """Write a text over the picture; the text begins in the cell of the given point."""
        column, row = (round(self.x.place(x)), self.y.cells - 1 - round(self.y.place(y)))
        for i, character in enumerate(text):
            if 0 <= column + i < self.x.cells and 0 <= row < self.y.cells:
                self._signs[row, column + i] = (character, style)

    def lines(self, unit_x: str = "", unit_y: str = "") -> list[list[Piece]]:
        """
        Return the picture with its axes as lines, from top to bottom.

        Parameters
        ----------
        unit_x, unit_y : str, optional
            Units to write at the ends of the axes.

        Returns
        -------
        list of list of (str, str)
            The pieces of text of each line. Each piece has the name of its style.
        """
        upright, corner, level, tick_x, tick_y = "│└─┬┤" if self.braille else "|+-++"
        labels = dict(self.y.ticks())
        room = max((len(label) for label in labels.values()), default=0)
        lines: list[list[Piece]] = []
        if unit_y:
            lines.append([(unit_y, "axis")])
        for row in range(self.y.cells):
            label = labels.get(self.y.cells - 1 - row, "")
            stroke = tick_y if label else upright
            lines.append([(f"{label:>{room}} {stroke}", "axis"), *self._pieces(row)])
        stroke, foot = axis_lines(self.x, unit_x, level, tick_x)
        pad = " " * (room + 1)
        return [
            *lines,
            [(f"{pad}{corner}{stroke}", "axis")],
            [(f"{pad} {foot}".rstrip(), "axis")],
        ]

    def text(self, unit_x: str = "", unit_y: str = "") -> str:
        """Return the picture as plain text."""
        pieces = self.lines(unit_x, unit_y)
        return "\n".join("".join(text for text, _ in line).rstrip() for line in pieces)

    # -- drawing -----------------------------------------------------------------------

    def _dots(self, x: float, y: float) -> tuple[int, int]:
        """Return the column and row at which a point is drawn, counted from the top left."""
        column = math.floor((self.x.place(x) + 0.5) * DOTS_WIDE)
        row = math.floor((self.y.cells - 0.5 - self.y.place(y)) * DOTS_HIGH)
        return column, row

    def _dot(self, column: int, row: int, style: str) -> None:
        cell_x, cell_y = column // DOTS_WIDE, row // DOTS_HIGH
        if 0 <= cell_x < self.x.cells and 0 <= cell_y < self.y.cells:
            self._bits[cell_y][cell_x] |= _BITS[column % DOTS_WIDE][row % DOTS_HIGH]
            self._styles[cell_y][cell_x] = style

    def _line(self, begin: tuple[int, int], end: tuple[int, int], style: str) -> None:
        ways = end[0] - begin[0], end[1] - begin[1]
        steps = max(*map(abs, ways), 1)
        first, last = 0, steps
        room = self.x.cells * DOTS_WIDE, self.y.cells * DOTS_HIGH
        for start, way, dots in zip(begin, ways, room, strict=True):
            if way:  # the line may be very long: draw only its part inside the picture
                enters, leaves = sorted((-1 - start, dots - start), reverse=way < 0)
                first = max(first, steps * enters // way)
                last = min(last, -(-steps * leaves // way))
        for i in range(first, last + 1):
            column, row = (a + round(b * i / steps) for a, b in zip(begin, ways, strict=True))
            self._dot(column, row, style)

    def _pieces(self, row: int) -> list[Piece]:
        pieces: list[Piece] = []
        for column in range(self.x.cells):
            bits = self._bits[row][column]
            drawn = (self._character(bits), self._styles[row][column] if bits else "")
            text, style = self._signs.get((row, column), drawn)
            if pieces and pieces[-1][1] == style:
                pieces[-1] = (pieces[-1][0] + text, style)
            else:
                pieces.append((text, style))
        return pieces

    def _character(self, bits: int) -> str:
        if not bits:
            return " "
        if self.braille:
            return chr(_BRAILLE | bits)
        return ":" if bits & _UPPER and bits & _LOWER else "'" if bits & _UPPER else "."


WIDTH, HEIGHT = 48, 12
"""Width and height of a picture without its axes, in cells; with axes, it fits 60 columns."""
_APART_X, _APART_Y = (6, 8, 10, 12), (2, 3, 4)


@dataclass(frozen=True, eq=False)
class Curve:
    """A curve: the arrays `x` and `y`, shape (N,), and a letter that marks it (or empty)."""

    x: Floats
    y: Floats
    letter: str = ""


def curves_picture(
    curves: Sequence[Curve], x_label: str, y_label: str, *, ascii_only: bool = False
) -> list[str]:
    """
    Draw curves on axes that begin at 0.

    Parameters
    ----------
    curves : sequence of Curve
        Curves with finite points. The parts of a curve below 0 are not drawn.
    x_label, y_label : str
        Quantity and unit of each axis.
    ascii_only : bool, optional
        Use plain ASCII characters.

    Returns
    -------
    list of str
        The lines of the picture, with at most 60 columns.
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
    """Write a curve's letter at its highest point, or to the right of other letters."""
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


@dataclass(frozen=True)
class DecadeAxis(Axis):
    """
    A logarithmic axis; `first`, `per_cell` and `step` are given as log10 of the values.

    Attributes
    ----------
    scale : float
        Each label shows its value divided by this number.
    """

    scale: float = 1.0

    def place(self, value: float) -> float:
        """Return how many cells a value > 0 is away from the middle of the first cell."""
        return (math.log10(value) - self.first) / self.per_cell

    def ticks(self) -> list[tuple[int, str]]:
        """
        Return the cell and the label of each tick mark.

        The axis has marks at 1, 10, 100 …; with enough cells, also at 2, 5, 20, 50 …
        """
        found: dict[int, str] = {}
        for digit in (1, 2, 5) if 1 / self.per_cell >= 12 else (1,):
            for decade in range(math.floor(self.first), math.ceil(self.high) + 1):
                cell = round(self.place(digit * 10.0**decade))
                if 0 <= cell < self.cells:
                    found.setdefault(cell, f"{digit * 10.0**decade / self.scale:g}")
        return sorted(found.items())


def decade_axis(low: float, high: float, cells: int, scale: float = 1.0) -> DecadeAxis:
    """Return a logarithmic axis from `low` to `high`; both must be positive."""
    first, last = math.log10(low), math.log10(high)
    return DecadeAxis(first, (last - first) / (cells - 1), cells, 1.0, scale)
