"""Estimates of errors beside what was computed, as CSV and as objects for JSON."""

import csv
import io
import math
from collections.abc import Sequence
from dataclasses import asdict
from pathlib import Path
from typing import Any

from chrono.plain import cell
from chrono.teaching.bench import VALUES
from chrono.teaching.guesses import Guess

COLUMNS = ("time", "recording", "shot", "who", "speed_mps", "guess_mps", "U95_mps", "ratio")


def guesses_csv(guesses: Sequence[Guess]) -> str:
    """Return estimates as CSV, a row each, the settings of the bench behind."""
    stream = io.StringIO()
    writer = csv.writer(stream, lineterminator="\n")
    writer.writerow([*COLUMNS, *VALUES])
    for guess in guesses:
        data = asdict(guess) | {"ratio": guess.ratio}
        row = [data[name] for name in COLUMNS]
        row += [guess.settings.get(name) for name in VALUES]
        writer.writerow([_cell(value) for value in row])
    return stream.getvalue()


def guesses_data(guesses: Sequence[Guess]) -> list[dict[str, Any]]:
    """Return estimates as objects for JSON, SI units."""
    return [
        asdict(guess) | {"ratio": guess.ratio if math.isfinite(guess.ratio) else None}
        for guess in guesses
    ]


def unread_guess_lines(path: Path, numbers: Sequence[int]) -> list[str]:
    """Return which lines of a file are no guesses."""
    return [f"{path}:{number}: is no guess, left out" for number in numbers]


def _cell(value: Any) -> Any:
    if isinstance(value, str):
        return cell(value)
    return "" if value is None else value
