"""The error lab as text and tables: settings, result, questions, and the class's estimates."""

import csv
import io
import math
from collections.abc import Sequence
from dataclasses import asdict
from pathlib import Path
from typing import Any

from chrono.processor.shot_records import EdgesUsed
from chrono.reports.budget_text import tick_text
from chrono.reports.character_chart import Piece
from chrono.reports.lab_pictures import (
    budget_picture,
    error_picture,
    ladder,
    step_picture,
)
from chrono.reports.setup_words import two_digits
from chrono.safe_text import cell, plain
from chrono.teaching.error_lab import STEP_TRANSITS, LabView
from chrono.teaching.guesses import Guess
from chrono.teaching.lab_bench import VALUES, Bench
from chrono.teaching.lab_questions import QUESTIONS, Answer, Question, Side
from chrono.units import format_speed, format_value, speed_in

GUESS_COLUMNS = (
    "time",
    "recording",
    "shot",
    "who",
    "speed_mps",
    "guess_mps",
    "U95_mps",
    "ratio",
)


def guesses_csv(guesses: Sequence[Guess]) -> str:
    """Return estimates as CSV, a row each, the settings of the bench behind."""
    stream = io.StringIO()
    writer = csv.writer(stream, lineterminator="\n")
    writer.writerow([*GUESS_COLUMNS, *VALUES])
    for guess in guesses:
        data = asdict(guess) | {"ratio": guess.ratio}
        row = [data[name] for name in GUESS_COLUMNS]
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


COLUMNS = 78
EDGE_WORDS = {
    EdgesUsed.BOTH: "both pairs",
    EdgesUsed.LEAD: "leading",
    EdgesUsed.TRAIL: "trailing",
}
CLOSE = 1.25
"""An estimate within this factor of what is computed is close."""

STAYS = 0.02
"""A change of the ± by less is none to a class."""

NAMES = {
    "speed_mps": "speed",
    "spacing_m": "spacing",
    "tick_s": "tick",
    "jitter_s": "jitter",
    "clock_tolerance": "clock",
    "trip_m": "trips at",
    "spread": "spread",
    "edges": "edges",
}
"""Settings of a bench in the order in which they are shown."""


def setting_text(bench: Bench, name: str, unit: str) -> str:
    """Return a setting as people write it."""
    value = getattr(bench, name)
    match name:
        case "speed_mps":
            return f"{speed_in(unit, value):.4g} {unit}"
        case "spacing_m":
            return f"{value * 1e3:.5g} mm"
        case "tick_s" | "jitter_s":
            return tick_text(value) if value else "none"
        case "clock_tolerance":
            return f"± {value * 1e6:.4g} ppm"
        case "trip_m":
            return f"± {value * 1e3:.3g} mm"
        case "spread":
            return f"{100 * value:.3g} %"
    return EDGE_WORDS[value]


def result_lines(seen: LabView, unit: str) -> list[str]:
    """Return what a bench comes to, a line each."""
    rules, share = seen.rules
    ticks = seen.transit_s / seen.bench.tick_s
    return [
        speed_line(seen, unit),
        f"{100 * share:.0f} % of u²: {rules}",
        f"{ticks:.0f} ticks in a transit" if ticks > 1e3 else f"{ticks:.4g} ticks in a transit",
        _tick_line(seen, unit),
        f"true value held: {seen.held} of {len(seen.repeated.true_mps)}",
    ]


def _tick_line(seen: LabView, unit: str) -> str:
    """Return from which speed on the tick has half of the variance."""
    from_mps = seen.tick_rules_from_mps
    if math.isnan(from_mps):
        return f"tick rules nowhere to {speed_in(unit, VALUES['speed_mps'][-1]):.3g} {unit}"
    return f"tick rules from {speed_in(unit, from_mps):.3g} {unit} on"


def speed_line(seen: LabView, unit: str) -> str:
    """Return the speed with its ± and that in per cent."""
    budget = seen.budget
    if not budget.U95_mps < budget.speed_mps:
        return f"{speed_in(unit, budget.speed_mps):.3g} {unit}: the ± is larger than that"
    text = format_speed(budget.speed_mps, budget.U95_mps, unit)
    return f"{text} ({_percent(budget.U95_mps / budget.speed_mps)})"


def answer_lines(answer: Answer, unit: str) -> list[str]:
    """Return the computed answer to a question, within 58 columns a line."""
    before, after = answer.before, answer.after
    if after is None:
        return ["Nothing: this bench is so already."]
    return [
        f"before  {_side_text(before, unit)}",
        f"after   {_side_text(after, unit)}",
        _change_line(after.relative / before.relative),
    ]


def _change_line(ratio: float) -> str:
    if abs(ratio - 1) < STAYS:
        return f"the ± in per cent stays as it is, within {100 * STAYS:g} %"
    return f"the ± in per cent is {two_digits(ratio)} times what it was"


def guess_line(guess: Guess, unit: str) -> str:
    """Return an estimate beside what is computed."""
    said, computed = (speed_in(unit, v) for v in (guess.guess_mps, guess.U95_mps))
    who = f"{plain(guess.who)} said" if guess.who else "said"
    text = f"{who} ± {_two(said)} {unit}, computed ± {_two(computed)}: "
    if 1 / CLOSE <= guess.ratio <= CLOSE:
        return f"{text}close"
    if guess.ratio > 1:
        return f"{text}{guess.ratio:.2g} times too large"
    return f"{text}{1 / guess.ratio:.2g} times too small"


def lab_text(seen: LabView, *, braille: bool = True, estimate: Guess | None = None) -> str:
    """Return settings, result, pictures, questions with answers: plain text of 78 columns."""
    unit = seen.bench.base.speed_unit
    lines = [f"Error lab with {plain(seen.bench.base.name)}", ""]
    for name, title in NAMES.items():
        lines.append(f"  {title:<10}{setting_text(seen.bench, name, unit)}")
    lines += ["", *(f"  {line}" for line in result_lines(seen, unit))]
    if estimate is not None:
        lines.append(f"  {guess_line(estimate, unit)}")
    pictures = (
        ladder(seen, COLUMNS, 16, unit),
        step_picture(seen, COLUMNS, 14, braille=braille),
        error_picture(seen, COLUMNS, 20, unit, braille=braille),
        budget_picture(seen, COLUMNS, 12, unit),
    )
    for picture in pictures:
        lines += ["", *plain_lines(picture)]
    for number, question in enumerate(QUESTIONS, 1):
        lines += ["", f"{number}. {question.text}"]
        answer = question.answer(seen.bench, seen.seed)
        lines += [f"   {line}" for line in answer_lines(answer, unit)]
    return "\n".join(lines)


def plain_lines(picture: Sequence[Sequence[Piece]]) -> list[str]:
    """Return a picture without its styles."""
    return ["".join(text for text, _ in line).rstrip() for line in picture]


def lab_data(seen: LabView) -> dict[str, Any]:
    """Return what `lab_text` shows as an object for JSON, in SI units."""
    bench, budget, repeated = seen.bench, seen.budget, seen.repeated
    readings: dict[float, int] = {}
    for ticks in repeated.transit_ticks[~_lacking(repeated.transit_ticks)].tolist():
        readings[ticks] = readings.get(ticks, 0) + 1
    return {
        "rig": bench.base.name,
        "settings": {name: getattr(bench, name) for name in VALUES}
        | {"edges": bench.edges.name.lower()},
        "speed_mps": budget.speed_mps,
        "transit_s": seen.transit_s,
        "u_mps": budget.u_mps,
        "U95_mps": _finite(budget.U95_mps),
        "shares": dict(seen.shares),
        "tick_rules_from_mps": _finite(seen.tick_rules_from_mps),
        "repeated": {
            "shots": len(repeated.true_mps),
            "held": seen.held,
            "readings": [
                {
                    "transit_ticks": ticks,
                    "speed_mps": _finite(seen.model.speed(ticks * bench.tick_s, bench.edges)),
                    "shots": readings[ticks],
                }
                for ticks in sorted(readings)
            ],
        },
        "steps": {
            "transits": STEP_TRANSITS,
            "sd_ticks": seen.steps.sd,
            "sd_expected_ticks": seen.steps.sd_expected,
        },
        "curves": {
            "speed_mps": seen.curves.speed_mps.tolist(),
            "u_relative": seen.curves.whole.tolist(),
            "parts": {group: part.tolist() for group, part in seen.curves.parts.items()},
        },
        "questions": [_question_data(question, seen) for question in QUESTIONS],
    }


def _side_text(side: Side, unit: str) -> str:
    speed = format_speed(side.speed_mps, side.U95_mps, unit)
    return f"{speed} ({_percent(side.relative)}); {side.rules} {100 * side.share:.0f} %"


def _question_data(question: Question, seen: LabView) -> dict[str, Any]:
    answer = question.answer(seen.bench, seen.seed)
    sides = {"before": answer.before, "after": answer.after}
    return {"question": question.text} | {
        name: None if side is None else vars(side) for name, side in sides.items()
    }


def _lacking(values: Any) -> Any:
    return values != values


def _percent(part: float) -> str:
    return f"{_two(100 * part)} %"


def _two(value: float) -> str:
    return format_value(value, value)


def _finite(value: float) -> float | None:
    return value if math.isfinite(value) else None
