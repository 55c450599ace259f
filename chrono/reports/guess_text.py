"""Show the guesses of a school class next to the measured values: lines, tables, dot plots.

In a dot plot, each guess is a dot. Dots in the same cell of the axis form a stack.
"""

import csv
import io
import math
from collections import Counter
from collections.abc import Sequence
from dataclasses import asdict, dataclass
from pathlib import Path
from typing import Any

import numpy as np

from chrono.reports.character_chart import fit_axis
from chrono.reports.setup_words import two_digits
from chrono.safe_text import cell, plain
from chrono.teaching.guess_rounds import (
    GuessKind,
    GuessRounds,
    MeasuredShot,
    Phase,
    Round,
    RoundGuess,
)
from chrono.teaching.guesses import ERROR, Guess
from chrono.teaching.lab_bench import VALUES
from chrono.units import format_speed, format_value, four_digits, speed_in

GUESS_COLUMNS = (
    "time",
    "recording",
    "shot",
    "who",
    "kind",
    "speed_mps",
    "guess_mps",
    "U95_mps",
    "ratio",
)

CLOSE = 1.25
"""A guess is close if it differs from the computed value by at most this factor."""


def guesses_csv(guesses: Sequence[Guess]) -> str:
    """Return guesses as CSV, one row per guess; the last columns are the lab's settings."""
    stream = io.StringIO()
    writer = csv.writer(stream, lineterminator="\n")
    settings = [name for name in VALUES if name not in GUESS_COLUMNS]
    writer.writerow([*GUESS_COLUMNS, *settings])
    for guess in guesses:
        data = asdict(guess) | {"ratio": guess.ratio}
        row = [data[name] for name in GUESS_COLUMNS]
        row += [guess.settings.get(name) for name in settings]
        writer.writerow([_cell(value) for value in row])
    return stream.getvalue()


def _cell(value: Any) -> Any:
    if isinstance(value, str):
        return cell(value)
    if isinstance(value, float):
        return "" if math.isnan(value) else f"{value:.9g}"
    return "" if value is None else value


def guesses_text(guesses: Sequence[Guess]) -> str:
    """Return guesses as text: each measured value, and below it all guesses of this value."""
    lines: list[str] = []
    asked = ""
    width = max((len(guess.who) for guess in guesses), default=0)
    for guess in guesses:
        where = plain(guess.recording or "lab")
        shot = f", shot {guess.shot}" if guess.shot is not None else ""
        now = f"{where}{shot}: {format_speed(guess.speed_mps, guess.U95_mps, 'm/s')}"
        if now != asked:
            lines += ["", now]
            asked = now
        sign = "± " if guess.kind == ERROR else ""
        said = f"{sign}{_guessed(guess, 'm/s')}"
        lines.append(f"  {guess.who:<{width}}  {said:<14}  {_judged(guess, 'm/s')}")
    return "\n".join(lines[1:])


def guesses_data(guesses: Sequence[Guess]) -> list[dict[str, Any]]:
    """Return guesses as objects for JSON, in SI units; a missing number is null."""
    return [
        {
            name: None if isinstance(value, float) and not math.isfinite(value) else value
            for name, value in (asdict(guess) | {"ratio": guess.ratio}).items()
        }
        for guess in guesses
    ]


def unread_guess_lines(path: Path, numbers: Sequence[int]) -> list[str]:
    """Return a note for each line of a guess file that does not contain a guess."""
    return [
        f"{path}:{number}: the program ignores this line, because it is not a guess"
        for number in numbers
    ]


def guess_line(guess: Guess, unit: str) -> str:
    """Return a line with a guessed ±, the computed ±, and how wrong the guess is."""
    computed = speed_in(unit, guess.U95_mps)
    who = f"{plain(guess.who)} said" if guess.who else "said"
    said = _guessed(guess, unit)
    return f"{who} ± {said}, computed ± {_two(computed)}: {_judged(guess, unit)}"


def _guessed(guess: Guess, unit: str) -> str:
    value = speed_in(unit, guess.guess_mps)
    return f"{_two(value) if guess.kind == ERROR else _four(value)} {unit}"


def _judged(guess: Guess, unit: str) -> str:
    """Return how wrong a guess is: a factor for a ±, a difference for a speed."""
    if math.isnan(guess.ratio):
        return "not measured"
    if guess.kind != ERROR:
        off_mps = guess.guess_mps - guess.speed_mps
        if abs(off_mps) <= guess.U95_mps:
            return "within the ±"
        off = format_value(abs(speed_in(unit, off_mps)), speed_in(unit, guess.U95_mps))
        return f"{off} {unit} too {'high' if off_mps > 0 else 'low'}"
    if 1 / CLOSE <= guess.ratio <= CLOSE:
        return "close"
    if guess.ratio > 1:
        return f"{two_digits(guess.ratio)} times too large"
    return f"{two_digits(1 / guess.ratio)} times too small"


def _two(value: float) -> str:
    return format_value(value, value)


def _four(value: float) -> str:
    return format_value(value, abs(value) / 100 if value else 1.0)


DOT_CELLS = 48
"""Number of cells of a dot plot, from left to right."""

DOT_LINES = 12
"""Height of a dot plot in a terminal. If more guesses are alike, each dot shows several."""

_FAR = 8.0
"""Length of the axis on each side of the median, in typical distances from the median."""


@dataclass(frozen=True)
class DotPlot:
    """
    Guesses of a school class, drawn as dots on an axis that is divided into cells.

    Attributes
    ----------
    cells : int
        Number of cells.
    ticks : tuple of (int, str)
        Cell and text of each tick.
    dots : tuple of (int, int, str)
        For each guess in order: its cell, its place in the stack (from 0), and who guessed.
    left, right : int
        Number of guesses outside the axis. They are drawn at its left or right end.
    measured : tuple of (float, float) or None
        Place of the measured value, and half-width of its ±, in cells.
    """

    cells: int
    ticks: tuple[tuple[int, str], ...]
    dots: tuple[tuple[int, int, str], ...]
    left: int
    right: int
    measured: tuple[float, float] | None


def dot_plot(
    values: Sequence[float],
    whose: Sequence[str],
    measured: float = math.nan,
    half_width: float = math.nan,
) -> DotPlot | None:
    """
    Compute where to draw each guess as a dot.

    Parameters
    ----------
    values : sequence of float
        The guesses, finite, in the unit to be shown.
    whose : sequence of str
        Who made each guess.
    measured, half_width : float, optional
        The measured value and its ±; NaN if there is no measured value.

    Returns
    -------
    DotPlot or None
        None if there are no guesses.
    """
    if not values:
        return None
    low, high = _range(np.array(values))
    half = half_width if math.isfinite(half_width) else 0.0
    if math.isfinite(measured):
        low, high = min(low, measured - half), max(high, measured + half)
    axis = fit_axis(low, high, DOT_CELLS, (6, 8, 10, 12))
    stacks: Counter[int] = Counter()
    dots, left, right = [], 0, 0
    for value, who in zip(values, whose, strict=True):
        place = math.floor(axis.place(value) + 0.5)
        left, right = left + (place < 0), right + (place >= DOT_CELLS)
        place = min(max(place, 0), DOT_CELLS - 1)
        dots.append((place, stacks[place], who))
        stacks[place] += 1
    shown = (axis.place(measured), half / axis.per_cell) if math.isfinite(measured) else None
    return DotPlot(DOT_CELLS, tuple(axis.ticks()), tuple(dots), left, right, shown)


def _range(values: "np.ndarray[Any, np.dtype[np.float64]]") -> tuple[float, float]:
    """Return the ends of the axis; leave out joke guesses that are far away."""
    median = float(np.median(values))
    typical = max(float(np.median(np.abs(values - median))), 0.05 * abs(median))
    near = values[np.abs(values - median) <= _FAR * typical]
    least = 0.02 * abs(median)  # people cannot guess more exactly
    return min(float(near.min()), median - least), max(float(near.max()), median + least)


def round_title(asked: Round) -> str:
    """Return what the class guesses in this round, such as ``speed of shot 3``."""
    what = "speed" if asked.kind == GuessKind.SPEED else "± (95 %)"
    return f"{what} of shot {asked.shot}"


def measured_text(asked: Round, measured: MeasuredShot, unit: str) -> str:
    """Return the measured speed or its ±, depending on what the pupils guessed."""
    if asked.kind == GuessKind.SPEED:
        return format_speed(measured.speed_mps, measured.U95_mps, unit)
    if not math.isfinite(measured.U95_mps):
        return format_speed(math.nan, math.nan, unit)
    return f"± {_two(speed_in(unit, measured.U95_mps))} {unit}"


def guess_text(guess: RoundGuess, kind: GuessKind, unit: str) -> str:
    """Return a guess as text: in per cent if it was sent in per cent, otherwise as a speed."""
    sign = "± " if kind == GuessKind.ERROR else ""
    if guess.is_part:
        return f"{sign}{100 * guess.value:g} %"
    return f"{sign}{four_digits(speed_in(unit, guess.value))} {unit}"


def round_plot(rounds: GuessRounds, measured: MeasuredShot, unit: str) -> DotPlot | None:
    """
    Return the dot plot of the current round; None while pupils may still guess.

    The plot contains guesses in per cent only after the measured speed is shown.
    """
    asked = rounds.now
    if asked is None or asked.phase == Phase.OPEN:
        return None
    is_revealed = asked.phase == Phase.REVEALED
    pairs = [
        (speed_in(unit, value), rounds.shown_name(guess))
        for guess in asked.guesses
        if math.isfinite(value := _placed(guess, measured, is_revealed))
    ]
    values, whose = [value for value, _ in pairs], [who for _, who in pairs]
    if not is_revealed:
        return dot_plot(values, whose)
    true = speed_in(unit, measured.of(asked.kind))
    half = speed_in(unit, measured.U95_mps) if asked.kind == GuessKind.SPEED else math.nan
    return dot_plot(values, whose, true, half)


def _placed(guess: RoundGuess, measured: MeasuredShot, is_revealed: bool) -> float:
    return guess.value_mps(measured.speed_mps if is_revealed else math.nan)


def count_of_guesses(count: int) -> str:
    """Return how many guesses there are: ``1 guess``, ``2 guesses``."""
    return "1 guess" if count == 1 else f"{count} guesses"


def round_lines(rounds: GuessRounds, measured: MeasuredShot, unit: str) -> list[str]:
    """Draw one round of guesses in at most 60 columns: dots, axis and measured value."""
    asked = rounds.now
    assert asked is not None, "a round has begun"
    lines = [f"{round_title(asked)}: {count_of_guesses(len(asked.guesses))}"]
    plot = round_plot(rounds, measured, unit)
    if plot is not None:
        lines += dot_lines(plot, unit)
    if asked.phase == Phase.REVEALED:
        lines.append(f"measured: {measured_text(asked, measured, unit)}")
    return lines


def dot_lines(plot: DotPlot, unit: str) -> list[str]:
    """Return a dot plot as lines of characters."""
    highest = 1 + max((row for _, row, _ in plot.dots), default=0)
    each = math.ceil(highest / DOT_LINES)
    top = math.ceil(highest / each) - 1
    marks = {(cell, row // each) for cell, row, _ in plot.dots}
    lines = [f"each dot shows up to {each} guesses"] if each > 1 else []
    lines += [
        "".join("●" if (cell, row) in marks else " " for cell in range(plot.cells)).rstrip()
        for row in range(top, -1, -1)
    ]
    at = dict(plot.ticks)
    lines.append("".join("┬" if place in at else "─" for place in range(plot.cells)))
    texts = [" "] * (plot.cells + 8)
    for place, text in plot.ticks:
        begin = max(place - len(text) // 2, 0)
        texts[begin : begin + len(text)] = text
    lines.append(f"{''.join(texts).rstrip()} {unit}")
    if plot.measured is not None:
        lines.append(_measured_line(plot, *plot.measured))
    for count, side in ((plot.left, "left"), (plot.right, "right")):
        if count:
            lines.append(f"guesses too far to the {side} for this axis: {count}")
    return [f" {line}" for line in lines]


def _measured_line(plot: DotPlot, place: float, half: float) -> str:
    signs = [" "] * plot.cells
    ends = (min(max(round(place + way), 0), plot.cells - 1) for way in (-half, half))
    for position in range(next(ends), next(ends) + 1):
        signs[position] = "─"
    signs[min(max(round(place), 0), plot.cells - 1)] = "▲"
    return "".join(signs).rstrip()
