"""Reading a table of force over draw: CSV, its header naming both with their units."""

import csv
from pathlib import Path

import numpy as np

from chrono.arrays.array_types import Floats
from chrono.errors import OptionError
from chrono.units import parse_quantity, quote

MAX_BYTES = 1_000_000
_COLUMNS = {"draw": "m", "force": "N"}
_HINT = "write a header such as draw_mm,force_N and a row for each reading, from draw 0 on"


def read_draw_table(path: Path) -> tuple[Floats, Floats]:
    """
    Read draws [m] and forces [N], shape (N,) each.

    Parameters
    ----------
    path : Path
        CSV; commas, semicolons or tabs between the cells.

    Raises
    ------
    OptionError
        The file cannot be read or is no such table; with the line where that is known.
    """
    lines = [line for line in _text(path).splitlines() if line.strip()]
    if len(lines) < 3:
        raise _trouble(path, "holds no two readings")
    delimiter = next((d for d in "\t;" if d in lines[0]), ",")
    rows = list(csv.reader(lines, delimiter=delimiter))
    places = {name: _place(path, rows[0], name) for name in _COLUMNS}
    columns = [
        np.array([_cell(path, row, number, *places[name], unit) for number, row in body(rows)])
        for name, unit in _COLUMNS.items()
    ]
    draw, force = columns
    if draw[0] != 0 or not (np.diff(draw) > 0).all():
        raise _trouble(path, "its draws do not grow from 0 on")
    if (force < 0).any() or not (force > 0).any():
        raise _trouble(path, "its forces are not all those of an elastic that pulls back")
    return draw, force


def body(rows: list[list[str]]) -> list[tuple[int, list[str]]]:
    """Return the rows below the header with their numbers."""
    return list(enumerate(rows[1:], start=2))


def _text(path: Path) -> str:
    try:
        if path.stat().st_size > MAX_BYTES:
            raise _trouble(path, "is too large for a table of force over draw")
        return path.read_text(encoding="utf-8-sig")
    except OSError as error:
        raise _trouble(path, f"cannot be read: {error.strerror}") from error
    except UnicodeDecodeError as error:
        raise _trouble(path, "is no text") from error


def _place(path: Path, header: list[str], name: str) -> tuple[int, str]:
    """Return the column of a quantity and the unit that its name ends in."""
    for place, cell in enumerate(header):
        key, _, unit = cell.strip().partition("_")
        if key == name and unit:
            return place, unit
    raise _trouble(path, f"its header {quote(','.join(header))} names no {name} with its unit")


def _cell(
    path: Path, row: list[str], number: int, place: int, unit_text: str, unit: str
) -> float:
    text = row[place].strip() if place < len(row) else ""
    return parse_quantity(f"{text} {unit_text}", unit, f"{path}: row {number}")


def _trouble(path: Path, what: str) -> OptionError:
    return OptionError(what, where=str(path), hint=_HINT)
