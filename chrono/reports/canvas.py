"""Curves as a picture of characters: Braille dots, or plain characters where it must be ASCII.

Computes nothing but where the dots go. Each curve ends in its own letter.
"""

import math
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

Floats = npt.NDArray[np.float64]

WIDTH, HEIGHT = 48, 12
"""Cells of a picture without its axes: fits a terminal 60 columns wide."""

_LEFT = 10
_DOTS = ((0x01, 0x08), (0x02, 0x10), (0x04, 0x20), (0x40, 0x80))
"""Bits of a Braille cell, by row and column of its dots (Unicode 15, U+2800)."""


@dataclass(frozen=True, eq=False)
class Curve:
    """One curve: its points, shape (N,), and the letter that it ends in (or none)."""

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
    cells = _cells(curves, right, top, ascii_only)
    bar, corner, line = ("|", "+", "-") if ascii_only else ("│", "└", "─")
    ticks = {0: f"{top:.3g}", HEIGHT - 1: "0"}
    rows = [
        f"{ticks.get(i, ''):>{_LEFT - 2}} {bar}{''.join(row)}".rstrip()
        for i, row in enumerate(cells)
    ]
    end = f"{right:.3g}"
    return [
        f"{'':>{_LEFT - 2}} {y_label}",
        *rows,
        f"{'':>{_LEFT - 1}}{corner}{line * WIDTH}",
        f"{'':>{_LEFT}}0{end:>{WIDTH - 1}}",
        f"{x_label:>{_LEFT + WIDTH}}",
    ]


def _cells(
    curves: Sequence[Curve], right: float, top: float, ascii_only: bool
) -> list[list[str]]:
    """Return the cells of the picture, row by row from the top."""
    across, down = (1, 1) if ascii_only else (2, 4)
    bits = np.zeros((HEIGHT, WIDTH), np.int64)
    for curve in curves:
        x = _places(curve.x, right, WIDTH * across)
        y = HEIGHT * down - 1 - _places(curve.y, top, HEIGHT * down)
        for column, row in zip(x, y, strict=True):
            if 0 <= row < HEIGHT * down and 0 <= column < WIDTH * across:
                bits[row // down, column // across] |= _DOTS[row % down][column % across]
    empty, base = " ", 0x2800
    cells = [
        [empty if not b else "*" if ascii_only else chr(base + int(b)) for b in row]
        for row in bits
    ]
    for curve in curves:
        _put_letter(cells, curve, right, top)
    return cells


def _places(values: Floats, end: float, count: int) -> npt.NDArray[np.intp]:
    """Return the dot of each value on an axis from 0 to `end`; −1 for those below 0."""
    places = np.rint(np.clip(values / end, -1.0, 1.0) * (count - 1)).astype(np.intp)
    return np.where(values < 0, -1, places)


def _put_letter(cells: list[list[str]], curve: Curve, right: float, top: float) -> None:
    """Put a curve's letter on its highest point, or beside it if that is taken."""
    if not curve.letter or not len(curve.x):
        return
    highest = int(np.argmax(curve.y))
    column = int(_places(curve.x[highest : highest + 1], right, WIDTH)[0])
    row = HEIGHT - 1 - int(_places(curve.y[highest : highest + 1], top, HEIGHT)[0])
    for shift in range(WIDTH):
        place = (column + shift) % WIDTH
        if not cells[row][place].isascii() or cells[row][place] in " *":
            cells[row][place] = curve.letter
            return


def dense(x: Floats, y: Floats) -> tuple[Floats, Floats]:
    """Return a curve with enough points that its dots touch, by straight lines between."""
    if len(x) < 2:
        return x, y
    steps = max(math.ceil(4 * WIDTH * 2 / len(x)), 1)
    places = np.linspace(0, len(x) - 1, (len(x) - 1) * steps + 1)
    at = np.arange(len(x))
    return np.interp(places, at, x), np.interp(places, at, y)
