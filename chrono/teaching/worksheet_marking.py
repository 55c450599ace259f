"""Check the answers that groups of pupils wrote on their worksheets.

An answer is a line of text: ``group quantity value``, such as ``3 v 22.13``. The quantity is
one of the names on the worksheet: t, v, mean, s, high, low, u or U. An answer is right if it
equals the correct value, rounded to the digits of the answer. If an answer is right but has too
few digits, the program marks the answer as ``short``.
"""

import math
import re
from collections.abc import Iterable, Mapping
from dataclasses import dataclass
from enum import StrEnum

from chrono.teaching.worksheet import Task

QUANTITIES = ("t", "v", "mean", "s", "high", "low", "u", "U")
"""The quantities that are marked, in the order of the sheet."""

_FEWEST_DIGITS = {"s": 2, "u": 1, "U": 1}
_ENOUGH_DIGITS = 3
_CLOSE = {"s": 0.02, "u": 0.05, "U": 0.05}
_USUALLY_CLOSE = 0.0005
"""Allowed relative error, because pupils may round intermediate values."""


class AnswerVerdict(StrEnum):
    """The result of checking an answer: right, short (too few digits) or wrong."""

    RIGHT = "right"
    SHORT = "short"
    WRONG = "wrong"


@dataclass(frozen=True)
class MarkedAnswer:
    """
    One marked answer.

    Attributes
    ----------
    group : int
    quantity : str
        One of `QUANTITIES`.
    text : str
        The answer as the group wrote it.
    key : float
        The right value in the unit of the sheet.
    verdict : AnswerVerdict
    """

    group: int
    quantity: str
    text: str
    key: float
    verdict: AnswerVerdict


@dataclass(frozen=True)
class Marking:
    """
    The answers of all groups, each with its mark, and the lines that are not answers.

    Attributes
    ----------
    groups : tuple of int
        Groups that have a sheet.
    quantities : tuple of str
        Quantities that the sheets ask for.
    answers : mapping
        The last answer for each group and quantity.
    left_out : tuple of (int, str)
        Number of a line, from 1, and the reason why the line is not an answer.
    """

    groups: tuple[int, ...]
    quantities: tuple[str, ...]
    answers: Mapping[tuple[int, str], MarkedAnswer]
    left_out: tuple[tuple[int, str], ...]


_NUMBER = re.compile(r"[-+]?\d{1,12}(?:[.,]\d{1,12})?", re.ASCII)
LONGEST_LINE = 200


def keys_of(task: Task, speed_mps: float, time_s: float) -> dict[str, float]:
    """Return the right answers to a worksheet, in the units of this worksheet."""
    speeds = {
        "v": task.shots[0].speed_mps,
        "mean": task.mean_mps,
        "s": task.s_mps,
        "high": task.limits.speed_high_mps,
        "low": task.limits.speed_low_mps,
        "u": task.combined.u_mps,
        "U": task.combined.U_mps,
    }
    keys = {"t": task.shots[0].time_s / time_s}
    keys |= {name: value / speed_mps for name, value in speeds.items()}
    if len(task.shots) < 2:
        del keys["mean"], keys["s"]
    return keys


def mark_answers(
    lines: Iterable[str], tasks: Iterable[Task], speed_mps: float, time_s: float
) -> Marking:
    """
    Check if the answers of the groups are right.

    Parameters
    ----------
    lines : iterable of str
        Lines with one answer each. Empty lines and lines that begin with ``#`` are skipped.
    tasks : iterable of Task
        The tasks of the sheets.
    speed_mps, time_s : float
        Units of the sheets, in m/s and in s.
    """
    keys = {task.group: keys_of(task, speed_mps, time_s) for task in tasks}
    answers: dict[tuple[int, str], MarkedAnswer] = {}
    left_out: list[tuple[int, str]] = []
    for number, line in enumerate(lines, 1):
        if not line.strip() or line.lstrip().startswith("#"):
            continue
        found = _answer(line, keys)
        if isinstance(found, str):
            left_out.append((number, found))
        else:
            answers[found.group, found.quantity] = found
    asked = {name for each in keys.values() for name in each}
    quantities = tuple(name for name in QUANTITIES if name in asked)
    return Marking(tuple(keys), quantities, answers, tuple(left_out))


def _answer(line: str, keys: Mapping[int, Mapping[str, float]]) -> MarkedAnswer | str:
    """Read one line; return a marked answer, or the reason why the line is not an answer."""
    words = line[:LONGEST_LINE].replace(";", " ").split()
    if len(words) != 3:
        return 'write the group, the quantity and the value, such as "3 v 22.13"'
    group, quantity, text = words
    if not (group.isascii() and group.isdigit() and int(group) in keys):
        return "there is no worksheet for this group"
    if quantity not in keys[int(group)]:
        return f"this quantity is unknown; use one of these: {', '.join(keys[int(group)])}"
    if _NUMBER.fullmatch(text) is None:
        return "the value is not a number"
    key = keys[int(group)][quantity]
    return MarkedAnswer(int(group), quantity, text, key, _verdict(quantity, text, key))


def _verdict(quantity: str, text: str, key: float) -> AnswerVerdict:
    whole, _, part = text.replace(",", ".").partition(".")
    value, half_step = float(text.replace(",", ".")), 0.5 * 10.0 ** -len(part)
    digits = len((whole.lstrip("+-") + part).lstrip("0"))
    off = abs(value - key)
    if off <= _CLOSE.get(quantity, _USUALLY_CLOSE) * abs(key) * (1 + 1e-9):
        return AnswerVerdict.RIGHT
    if off <= half_step * (1 + 1e-9) and math.isfinite(key):
        enough = _FEWEST_DIGITS.get(quantity, _ENOUGH_DIGITS)
        return AnswerVerdict.RIGHT if digits >= enough else AnswerVerdict.SHORT
    return AnswerVerdict.WRONG
