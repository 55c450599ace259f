"""Show the error lab as text, tables and pictures made of characters.

A picture can have any size. Each line of a picture consists of pieces of text, and each piece
has the name of a style.
"""

import math
from collections.abc import Sequence
from itertools import pairwise
from textwrap import wrap
from typing import Any

import numpy as np

from chrono.arrays.array_types import Floats, Ints
from chrono.measuring.error_budget import BOUNCE
from chrono.measuring.improvements import GROUPS
from chrono.processor.shot_records import EdgesUsed
from chrono.reports.budget_text import tick_text
from chrono.reports.character_chart import Chart, Piece, decade_axis, fit_axis
from chrono.reports.guess_text import guess_line
from chrono.reports.setup_words import count_text, two_digits
from chrono.safe_text import plain
from chrono.teaching.error_lab import STEP_TRANSITS, LabView
from chrono.teaching.guesses import Guess
from chrono.teaching.lab_bench import VALUES, Bench
from chrono.teaching.lab_questions import QUESTIONS, Answer, Question, Side
from chrono.units import format_speed, format_value, speed_in

Lines = list[list[Piece]]

LETTERS = dict(zip((*GROUPS, BOUNCE), "spiodagynkltjb", strict=True))
"""The letter that marks the line of each contribution: s spacing, p position, i inclination,
o off its middle, d drag, k clock, l latency, t tick, j jitter, b bounce."""

WHOLE_LETTER = "u"
SHOWN_PART = 0.01
"""A contribution that is always below this part of the whole is not drawn."""


def ladder(seen: LabView, columns: int, lines: int, unit: str) -> Lines:
    """
    Draw the speeds that the counter can show, the shots at each speed, and the true speed.

    Parameters
    ----------
    seen : LabView
    columns, lines : int
        Size of the picture, at least 30 by 6.
    unit : str
        Unit of speeds.
    """
    rungs = np.rint(seen.repeated.transit_ticks * seen.bench.tick_s / seen.rung_s)
    read = rungs[np.isfinite(rungs) & np.isfinite(seen.repeated.measured.speed_mps)]
    true = seen.transit_s / seen.rung_s
    if not len(read):
        return [
            [("No shot has a speed:", "")],
            [("transits are below one tick.", "")],
        ]
    low, high = min(float(read.min()), true), max(float(read.max()), true)
    room = lines - 2
    per_line = max(math.ceil((high - low + 1) / max(room - 2, 1)), 1)
    if per_line == 1:
        drawn = _rungs_to_scale(seen, read.astype(int), columns, room, unit)
    else:
        drawn = _rungs_together(seen, read, per_line, columns, room, unit)
    return [*_ladder_heading(seen, per_line, unit, columns), *drawn[:room]]


def _rungs_to_scale(seen: LabView, read: Ints, columns: int, room: int, unit: str) -> Lines:
    """Draw the speeds that the counter can show, on a linear scale of speed."""
    true = seen.transit_s / seen.rung_s

    def speed(rung: int) -> float:
        return seen.model.speed(rung * seen.rung_s, seen.bench.edges)

    def line_of(first: int, last: int) -> dict[int, int] | None:
        """Return the line of each speed; None if two speeds would be on one line."""
        span = max(speed(first) - speed(last), 1e-12)
        places = {
            n: (speed(first) - speed(n)) / span * (room - 2) for n in range(first, last + 1)
        }
        apart = [b - a for a, b in pairwise(places.values())]
        if not all(map(math.isfinite, places.values())) or min(apart, default=1.0) < 1:
            return None
        return {n: round(place) for n, place in places.items()}

    first = max(min(int(read.min()), math.floor(true)), 1)
    last = max(int(read.max()), math.ceil(true), first + 1)
    at = line_of(first, last)
    is_larger = True
    while is_larger and at is not None:
        is_larger = False
        for wider in ((first, last + 1), (first - 1, last)):
            is_lopsided = true - wider[0] > wider[1] - true + 1
            found = line_of(*wider) if wider[0] >= 1 and not is_lopsided else None
            if found is not None:
                (first, last), at, is_larger = wider, found, True
    if at is None:
        at = {n: line for line, n in enumerate(range(first, last + 1))}
    counts = {n: int((read == n).sum()) for n in at}
    most = max(counts.values())
    empty: list[Piece] = [(f"{'':>9} │", "axis")]
    drawn = [empty for _ in range(max(at.values()) + 1)]
    for n, line in at.items():
        drawn[line] = _rung(seen, n, 1, counts[n], most, columns, unit)
    above = max((line for n, line in at.items() if n < true + 1e-9), default=-1)
    below = min((line for n, line in at.items() if n > true), default=len(drawn))
    if below - above > 1:
        part = (true - math.floor(true)) if above >= 0 else 0.5
        drawn[min(above + max(round(part * (below - above)), 1), below - 1)] = _true_line(
            seen, columns, unit
        )
    else:
        drawn.insert(above + 1, _true_line(seen, columns, unit))
    return drawn


def _rungs_together(
    seen: LabView, read: Floats, per_line: int, columns: int, room: int, unit: str
) -> Lines:
    """Draw one line for each range of speeds, with the number of shots in this range."""
    true = seen.transit_s / seen.rung_s
    low, high = min(float(read.min()), true), max(float(read.max()), true)
    bins = np.floor(read / per_line).astype(int)
    first, last = math.floor(low / per_line), math.floor(high / per_line)
    spare = room - 1 - (last - first + 1)
    first, last = max(first - spare // 2, 0), last + (spare + 1) // 2
    counts = np.bincount(np.clip(bins - first, 0, last - first), minlength=last - first + 1)
    drawn: Lines = []
    is_drawn = False
    for i, count in enumerate(counts):
        begin = (first + i) * per_line
        if not is_drawn and true < begin + (per_line - 1) / 2:
            drawn.append(_true_line(seen, columns, unit))
            is_drawn = True
        drawn.append(_rung(seen, begin, per_line, int(count), int(counts.max()), columns, unit))
    if not is_drawn:
        drawn.append(_true_line(seen, columns, unit))
    return drawn


def _ladder_heading(seen: LabView, per_line: int, unit: str, columns: int) -> Lines:
    step = tick_text(seen.bench.tick_s)
    half = "half a tick" if seen.bench.edges == EdgesUsed.BOTH else "one tick"
    apart = (
        f"steps of {half} (tick: {step})" if per_line == 1 else f"{per_line} readings per line"
    )
    missing = int((~np.isfinite(seen.repeated.measured.speed_mps)).sum())
    words = f"{count_text(len(seen.repeated.true_mps), 'shot')}, {apart}"
    if missing:
        words += f", {missing} not read"
    past = _place_in_tick(seen)
    phase = "" if math.isnan(past) else f"  whole ticks + {past:.2f}; on average 95 %"
    below = f"{unit:>9}{phase}"
    return [
        [(words[:columns], "axis")],
        [(below if len(below) <= columns else below[:9], "axis")],
    ]


def _true_line(seen: LabView, columns: int, unit: str) -> list[Piece]:
    value = speed_in(unit, seen.bench.speed_mps)
    text = f"{value:>9.6g} ──◂ true value "
    return [(text + "─" * max(columns - len(text) - 1, 0), "true")]


def _rung(
    seen: LabView, begin: int, per_line: int, count: int, most: int, columns: int, unit: str
) -> list[Piece]:
    middle_s = (begin + (per_line - 1) / 2) * seen.rung_s
    speed = speed_in(unit, seen.model.speed(middle_s, seen.bench.edges))
    next_mps = seen.model.speed(middle_s + per_line * seen.rung_s, seen.bench.edges)
    apart = speed - speed_in(unit, next_mps)
    decimals = max(1 - math.floor(math.log10(apart)), 0) if math.isfinite(apart) else 0
    label = f"{speed:>9.{decimals}f}" if math.isfinite(speed) else f"{'∞':>9}"
    room = columns - 17
    cells = max(round(room * count / most), 1) if count else 0
    pieces = [(f"{label} ┤", "axis"), ("█" * cells, "bar")]
    return [*pieces, (f" {count}", "axis")] if count else pieces


def step_picture(seen: LabView, columns: int, lines: int, *, braille: bool = True) -> Lines:
    """Draw the errors of measured transits as bars, and the expected errors as a curve."""
    steps = seen.steps
    middles = (steps.edges[:-1] + steps.edges[1:]) / 2
    top = 1.05 * float(max(steps.counted.max(), steps.expected.max()))
    x = fit_axis(-1.0, 1.0, columns - 9, apart=range(8, 40))
    chart = Chart(x, fit_axis(0.0, top, lines - 4, anchored=True), braille=braille)
    for left, right, count in zip(
        steps.edges[:-1], steps.edges[1:], steps.counted, strict=True
    ):
        cells = range(math.ceil(x.place(left)), math.ceil(x.place(right)))
        for place in cells:  # every second column, so that the curve can be seen
            chart.bar(x.first + (place - 0.25) * x.per_cell, 0.0, float(count), "bar")
    chart.curve(middles.tolist(), steps.expected.tolist(), "true")
    title = "two pairs" if seen.bench.edges == EdgesUsed.BOTH else "one pair: a triangle"
    heading = (
        f"theory: {steps.sd_expected:.3f} tick, simulated: s {steps.sd:.3f} tick "
        f"({STEP_TRANSITS} transits; {title})"
    )
    return [*_wrapped(heading, columns, 2), *chart.lines("ticks")]


def error_picture(
    seen: LabView, columns: int, lines: int, unit: str, *, braille: bool = True
) -> Lines:
    """Draw the relative standard uncertainty at each speed, with one curve per contribution."""
    curves = seen.curves
    shown = _shown_parts(seen)
    legend = _legend(shown, columns)[: max(lines // 5, 1)]
    top = min(float(curves.whole.max()), 1.0)
    bottom = float(curves.whole.min()) / 10
    speeds = [speed_in(unit, float(v)) for v in curves.speed_mps]
    x = decade_axis(speeds[0], speeds[-1], columns - 8)
    y = decade_axis(bottom, 1.2 * top, max(lines - 3 - len(legend), 3), scale=0.01)
    chart = Chart(x, y, braille=braille)
    here = speed_in(unit, seen.bench.speed_mps)
    for place in np.linspace(y.first, y.first + y.per_cell * (y.cells - 1), 2 * y.cells):
        chart.point(here, 10.0 ** float(place), "here")
    for group in reversed(shown):
        _draw_part(chart, speeds, curves.parts[group], LETTERS[group], group)
    _draw_part(chart, speeds, curves.whole, WHOLE_LETTER, "whole")
    heading = f"u in % of speed, for each speed in {unit}"
    return [[(heading[:columns], "axis")], *chart.lines(), *legend]


def _shown_parts(seen: LabView) -> list[str]:
    """Return the groups of errors that the picture shows, the largest share first."""
    parts, whole = seen.curves.parts, seen.curves.whole
    return [g for g in seen.shares if g in parts and (parts[g] > SHOWN_PART * whole).any()]


def _draw_part(
    chart: Chart,
    speeds: Sequence[float],
    values: Sequence[float] | np.ndarray,
    letter: str,
    style: str,
) -> None:
    lowest = 10.0 ** (chart.y.first - chart.y.per_cell / 2)
    kept = [float(v) if v >= lowest else math.nan for v in values]
    chart.curve(list(speeds), kept, style)
    every = max(len(speeds) // 3, 1)
    begin = (sum(map(ord, letter)) * 7) % every
    for i in range(begin, len(speeds), every):
        if math.isfinite(kept[i]):
            chart.sign(speeds[i], kept[i], letter, style)


def _legend(groups: Sequence[str], columns: int) -> Lines:
    """Return a legend: the letter and the name of each curve, in one or more lines."""
    items = [(WHOLE_LETTER, "whole"), *((LETTERS[group], group) for group in groups)]
    lines: Lines = [[]]
    used = 0
    for letter, name in items:
        text = f"{letter} {name}"
        if used and used + 3 + len(text) > columns:
            lines.append([])
            used = 0
        if used:
            lines[-1].append(("   ", ""))
            used += 3
        lines[-1].append((text, name))
        used += len(text)
    return lines


def budget_picture(seen: LabView, columns: int, lines: int, unit: str) -> Lines:
    """Draw a bar for each part of the variance u², the largest part first."""
    room = columns - 25
    drawn: Lines = []
    u = speed_in(unit, seen.budget.u_mps)
    for group, share in [item for item in seen.shares.items() if item[1] > 0][: lines - 1]:
        cells = round(room * share)
        drawn.append(
            [
                (f"{group:<14}{100 * share:>6.1f} % ", ""),
                ("█" * cells if cells else "▏", group),
            ]
        )
    heading = f"shares of u² = ({format_value(u, u)} {unit})²"
    return [[(heading[:columns], "axis")], *drawn]


def _wrapped(text: str, columns: int, most: int) -> Lines:
    return [[(line, "axis")] for line in wrap(text, columns)[:most]]


COLUMNS = 78
EDGE_WORDS = {
    EdgesUsed.BOTH: "both pairs",
    EdgesUsed.LEAD: "leading",
    EdgesUsed.TRAIL: "trailing",
}
ONE_PLACE = 0.1
"""If transits scatter by less than this part of a tick, all end at the same place
between two steps."""

STAYS = 0.02
"""A change of the ± by less than this part does not count as a change."""

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
"""Settings of the error lab, in the order in which they are shown."""


def setting_text(bench: Bench, name: str, unit: str) -> str:
    """Return a setting of the error lab as text for people, such as ``20 mm``."""
    value = getattr(bench, name)
    match name:
        case "speed_mps":
            return f"{speed_in(unit, value):.4g} {unit}"
        case "spacing_m":
            return f"{value * 1e3:.5g} mm"
        case "tick_s" | "jitter_s":
            return tick_text(value) if value else "none"
        case "clock_tolerance":
            return f"± {value * 1e6:.5g} ppm"
        case "trip_m":
            return f"± {value * 1e3:.3g} mm"
        case "spread":
            return f"{100 * value:.3g} %"
    return EDGE_WORDS[value]


def result_lines(seen: LabView, unit: str) -> list[str]:
    """Return the results of the error lab for the chosen settings, one line per result."""
    rules, share = seen.rules
    ticks = seen.transit_s / seen.bench.tick_s
    return [
        speed_line(seen, unit),
        f"{rules}: {100 * share:.0f} % of u²",
        f"a transit is {ticks:.0f} ticks" if ticks > 1e3 else f"a transit is {ticks:.4g} ticks",
        _tick_line(seen, unit),
        f"true value in ±: {seen.held} of {len(seen.repeated.true_mps)}",
    ]


def _place_in_tick(seen: LabView) -> float:
    """Return each transit's part of a tick; NaN if this varies or another error is larger."""
    ticks = seen.transit_s / seen.bench.tick_s
    is_one = seen.rules[0] == "tick" and seen.bench.spread * ticks < ONE_PLACE
    is_one &= bool(np.isfinite(seen.repeated.measured.speed_mps).all())
    return math.modf(ticks)[0] if is_one else math.nan


def _held_lines(seen: LabView) -> list[str]:
    """Explain why the ± contains the true value in more or less than 95 % of the shots."""
    if not np.isfinite(seen.repeated.measured.speed_mps).all():
        return []
    if not math.isnan(past := _place_in_tick(seen)):
        return [
            f"transit = whole ticks + {past:.2f}; on average the ± holds 95 % of true values"
        ]
    return ["all shots use the same gates; with many gates, ± contains 95 % of true values"]


def _tick_line(seen: LabView, unit: str) -> str:
    """Return the lowest speed at which the tick causes half of u², as text."""
    from_mps = seen.tick_rules_from_mps
    if math.isnan(from_mps):
        return f"tick: < 50 % of u² to {_three(speed_in(unit, VALUES['speed_mps'][-1]))} {unit}"
    return f"tick: 50 % of u² at {_three(speed_in(unit, from_mps))} {unit}"


def speed_line(seen: LabView, unit: str) -> str:
    """Return the speed with its ± as text; the text also has the ± in per cent."""
    budget = seen.budget
    if not budget.U95_mps < budget.speed_mps:
        speed = _three(speed_in(unit, budget.speed_mps))
        return f"{speed} {unit}: the ± is larger than the speed"
    text = format_speed(budget.speed_mps, budget.U95_mps, unit)
    return f"{text} ({_percent(budget.U95_mps / budget.speed_mps)})"


def answer_lines(answer: Answer, unit: str) -> list[str]:
    """Return the computed answer to a question, in lines of at most 58 columns."""
    before, after = answer.before, answer.after
    if answer.has_no_mean:
        return ["No simulated shot has a speed, so there is no mean."]
    if after is None:
        return ["The change has no effect on the result."]
    return [
        f"before  {_side_text(before, unit)}",
        f"after   {_side_text(after, unit)}",
        _change_line(after.relative / before.relative),
    ]


def _change_line(ratio: float) -> str:
    if abs(ratio - 1) < STAYS:
        return f"this change alters the ± (in %) by less than {100 * STAYS:g} %"
    return f"the new ± (in %) is {two_digits(ratio)} times the old ±"


def lab_text(seen: LabView, *, braille: bool = True, estimate: Guess | None = None) -> str:
    """Return the error lab in 78 columns: settings, results, pictures, answers to questions."""
    unit = seen.bench.base.speed_unit
    lines = [f"Error lab with {plain(seen.bench.base.name)}", ""]
    for name, title in NAMES.items():
        lines.append(f"  {title:<10}{setting_text(seen.bench, name, unit)}")
    lines += ["", *(f"  {line}" for line in (*result_lines(seen, unit), *_held_lines(seen)))]
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
    """Return the lines of a picture as plain text, without styles."""
    return ["".join(text for text, _ in line).rstrip() for line in picture]


def lab_data(seen: LabView) -> dict[str, Any]:
    """Return the values that `lab_text` shows, as an object for JSON in SI units."""
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
    return f"{speed} ({_percent(side.relative)}); {100 * side.share:.0f} % {side.rules}"


def _question_data(question: Question, seen: LabView) -> dict[str, Any]:
    answer = question.answer(seen.bench, seen.seed)
    sides = {"before": answer.before, "after": answer.after}
    return {"question": question.text} | {
        name: None if side is None else vars(side) for name, side in sides.items()
    }


def _lacking(values: Any) -> Any:
    return values != values


def _percent(part: float) -> str:
    """Return a ratio in per cent, with enough digits to compare two ratios."""
    return f"{two_digits(100 * part)} %"


def _three(value: float) -> str:
    """Return a number with three digits; a number from 1000 on becomes a whole number."""
    return f"{value:.0f}" if abs(value) >= 999.5 else f"{value:.3g}"


def _finite(value: float) -> float | None:
    return value if math.isfinite(value) else None
