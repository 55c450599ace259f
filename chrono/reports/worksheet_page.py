"""Make worksheets for a school class, pages with the right answers, and a table of marks."""

from dataclasses import dataclass
from typing import Any

from chrono.cautions import PAPER_CAUTION
from chrono.measuring.error_budget import Input
from chrono.reports.number_format import LENGTHS, TIMES, NumberFormat
from chrono.reports.page_files import render_page
from chrono.reports.setup_words import count_text, setup_text
from chrono.teaching.worksheet import (
    RESTATED_STEP,
    Facts,
    SheetShot,
    Task,
    Worksheet,
    half_width,
)
from chrono.teaching.worksheet_marking import AnswerVerdict, Marking
from chrono.units import SPEED_UNITS

_COLUMNS = {
    4: ("A lead", "A trail", "B lead", "B trail"),
    2: ("A lead", "B lead"),
    1: ("transit",),
}
"""Names of a shot's counter values, for each possible number of values."""


_NO_SIGNS = str.maketrans("", "", ".,−-")
MUCH_LARGER = 3.0
"""Chance rarely makes the standard deviation of a few shots this many times too large."""


@dataclass(frozen=True)
class SheetRow:
    """One row of the page with the right answers: question, calculation, and answer."""

    asked: str
    working: str
    answer: str


def sheet_page(found: Worksheet, figures: NumberFormat) -> str:
    """Return all worksheets as one page; each worksheet begins on a new sheet of paper."""
    return render_page(
        "worksheet.html.jinja",
        name=found.name,
        rig=found.rig.name,
        body=found.rig.body.name,
        tasks=[_sheet(task, figures) for task in found.tasks],
        unit=figures.speed,
        time_unit=figures.time_unit,
        length_unit=figures.length,
        source=_source(found, figures),
        cautions=PAPER_CAUTION,
    )


def key_page(found: Worksheet, figures: NumberFormat) -> str:
    """Return one page with the right answers for all groups, and with the calculations."""
    return render_page(
        "worksheet_key.html.jinja",
        name=found.name,
        tasks=[_key(task, figures) for task in found.tasks],
        unit=figures.speed,
        time_unit=figures.time_unit,
        cautions=PAPER_CAUTION,
    )


def _source(found: Worksheet, figures: NumberFormat) -> str:
    """Return a text that says where the values of a worksheet come from."""
    spacing = found.tasks[0].facts.spacing
    words = _limit(spacing, 1 / (1 + RESTATED_STEP * (found.tasks[0].group - 1)), figures)
    return (
        f"The counter values come unchanged from the recording {found.name}. Only the ± of the "
        f"spacing is assumed. The rig states {words}. Each group gets a different ± and "
        "different shots, so no two groups have the same results."
    )


def _limit(stated: Input, factor: float, figures: NumberFormat) -> str:
    if stated.distribution == "normal":
        return f"u = {figures.stated_length(stated.u * factor)}"
    return f"± {figures.stated_length(stated.half_width * factor)}"


def _sheet(task: Task, figures: NumberFormat) -> dict[str, Any]:
    facts = task.facts
    return {
        "group": task.group,
        "setup": setup_text(task.shots[0].setup),
        "columns": _COLUMNS[len(task.shots[0].edges)],
        "shots": [(shot.number, shot.edges) for shot in task.shots],
        "two_pairs": facts.pairs == 2,
        "many": len(task.shots) > 1,
        "first": task.shots[0].number,
        "largest": facts.modulus - 1,
        "modulus": facts.modulus,
        "is_interval": len(task.shots[0].edges) == 1,
        "facts": fact_rows(facts, figures),
        "corrected": bool(facts.rate_error or facts.latency_s),
        "calibrated": any(
            stated.distribution == "normal"
            for stated in (facts.spacing, facts.rate, facts.latency)
        ),
        "trips": facts.trip is not None,
    }


def fact_rows(facts: Facts, figures: NumberFormat) -> list[tuple[str, str, str, str]]:
    """Return one row for each value of the rig: name, symbol, value, and uncertainty."""
    rate, latency = facts.rate, facts.latency
    rows = [
        (
            "spacing of the gates",
            "d",
            figures.stated_length(facts.spacing_m),
            _limit(facts.spacing, 1, figures),
        )
    ]
    if facts.trip is not None:
        rows.append(
            ("place in the beam where each gate trips", "g", "", _limit(facts.trip, 1, figures))
        )
    rows += [
        ("time of one unit of the counter", "c", figures.stated_time(facts.unit_s), ""),
        ("step of the counter", "T", figures.stated_time(facts.tick_s), ""),
        (
            "error of the counter's rate",
            "r",
            f"{figures.plainly(facts.rate_error * 1e6)} ppm",
            f"u = {figures.plainly(rate.u * 1e6)} ppm"
            if rate.distribution == "normal"
            else f"± {figures.plainly(rate.half_width * 1e6)} ppm",
        ),
        (
            "delay of sensor B minus delay of sensor A",
            "b",
            figures.stated_time(facts.latency_s)
            if facts.latency_s >= 0
            else f"−{figures.stated_time(-facts.latency_s)}",
            f"u = {figures.stated_time(latency.u)}"
            if latency.distribution == "normal"
            else f"± {figures.stated_time(latency.half_width)}",
        ),
        ("jitter of one edge's time", "j", "", f"u = {figures.stated_time(facts.jitter_s)}"),
    ]
    return rows


def _key(task: Task, figures: NumberFormat) -> dict[str, Any]:
    return {
        "group": task.group,
        "setup": setup_text(task.shots[0].setup),
        "shots": [_shot_answer(shot, figures) for shot in task.shots],
        "two_pairs": task.facts.pairs == 2,
        "speed_rows": _speed_rows(task, figures),
        "limit_rows": _limit_rows(task, figures),
        "combined_rows": _combined_rows(task, figures),
        "first": task.shots[0].number,
        "rules": _rules(task),
        "scatter": _scatter(task, figures) if len(task.shots) > 1 else "",
    }


def _shot_answer(shot: SheetShot, figures: NumberFormat) -> dict[str, Any]:
    own = figures.to_uncertainty(figures.in_speed(shot.own_mps), figures.in_speed(shot.U95_mps))
    half = figures.to_uncertainty(
        figures.in_speed(shot.U95_mps), figures.in_speed(shot.U95_mps)
    )
    return {
        "number": shot.number,
        "transits": shot.transits,
        "time": figures.number(figures.in_time(shot.time_s)),
        "speed": figures.number(figures.in_speed(shot.speed_mps)),
        "own": f"{own} ± {half}",
    }


def _speed_rows(task: Task, figures: NumberFormat) -> list[SheetRow]:
    unit, facts, first = figures.speed, task.facts, task.shots[0]
    counts = " + ".join(str(transit) for transit in first.transits)
    mean = f"({counts}) / 2" if facts.pairs == 2 else counts
    correction = (
        f" / (1 + r) − b, r = {_plain_rate(facts, figures)}" if facts.rate_error else ""
    )
    correction = correction or (" − b" if facts.latency_s else "")
    rows = [
        SheetRow(
            f"time of shot {first.number}",
            f"t = {mean} × {figures.stated_time(facts.unit_s)}{correction}",
            f"{figures.number(figures.in_time(first.time_s))} {figures.time_unit}",
        ),
        SheetRow(
            f"speed of shot {first.number}",
            f"v = d / t = {figures.stated_length(facts.spacing_m)} / "
            f"{figures.number(figures.in_time(first.time_s))} {figures.time_unit}",
            f"{figures.number(figures.in_speed(first.speed_mps))} {unit}",
        ),
    ]
    if len(task.shots) > 1:
        rows += [
            SheetRow(
                "mean of the speeds",
                f"sum / {len(task.shots)}",
                f"{figures.number(figures.in_speed(task.mean_mps))} {unit}",
            ),
            SheetRow(
                "standard deviation s of the speeds",
                f"√(sum of (speed − mean)² / {len(task.shots) - 1})",
                f"{figures.number(figures.in_speed(task.s_mps))} {unit}",
            ),
        ]
    return rows


def _plain_rate(facts: Facts, figures: NumberFormat) -> str:
    return f"{figures.plainly(facts.rate_error * 1e6)} ppm"


def _limit_rows(task: Task, figures: NumberFormat) -> list[SheetRow]:
    limits, facts = task.limits, task.facts
    path, time, speed = (_of(figures, kind) for kind in ("length", "time", "speed"))
    gates = f" SIGN 2 × {path.stated(half_width(facts.trip))}" if facts.trip else ""
    paths = (
        f"{path.stated(facts.spacing_m)} SIGN {path.stated(half_width(facts.spacing))}{gates}"
    )
    t, tick, late = (
        time.six(task.shots[0].time_s),
        time.stated(facts.tick_s),
        time.stated(half_width(facts.latency)),
    )
    times = (
        f"({t} SIGN {tick}) × (1 SIGN {figures.plainly(half_width(facts.rate))}) SIGN {late}"
    )
    high, low = limits.speed_high_mps, limits.speed_low_mps
    share = 50 * (high - low) / task.shots[0].speed_mps
    fast = f"{path.six(limits.path_high_m)} / {time.six(limits.time_low_s)}"
    slow = f"{path.six(limits.path_low_m)} / {time.six(limits.time_high_s)}"
    return [
        SheetRow("longest path", paths.replace("SIGN", "+"), path.answer(limits.path_high_m)),
        SheetRow("shortest path", paths.replace("SIGN", "−"), path.answer(limits.path_low_m)),
        SheetRow("longest time", times.replace("SIGN", "+"), time.answer(limits.time_high_s)),
        SheetRow("shortest time", times.replace("SIGN", "−"), time.answer(limits.time_low_s)),
        SheetRow("highest speed", fast, speed.answer(high)),
        SheetRow("lowest speed", slow, speed.answer(low)),
        SheetRow(
            "half of the speeds' difference",
            "this half, divided by v",
            f"{figures.number(share)} %",
        ),
    ]


def _combined_rows(task: Task, figures: NumberFormat) -> list[SheetRow]:
    combined, facts = task.combined, task.facts
    path, time, speed = (_of(figures, kind) for kind in ("length", "time", "speed"))
    v, U = task.shots[0].speed_mps, combined.U_mps  # noqa: N806
    rounded = [figures.to_uncertainty(figures.in_speed(x), figures.in_speed(U)) for x in (v, U)]
    time_s = task.shots[0].time_s
    gates = (
        (" + 2 u(g)²", f" + 2 × {path.four(combined.u_trip_m)}²") if facts.trip else ("", "")
    )
    parts = (combined.u_tick_s, combined.u_jitter_s, combined.u_rate_s, combined.u_latency_s)
    squares = " + ".join(f"{time.four(part)}²" for part in parts)
    relative = (
        f"√(({path.six(combined.u_path_m)} / {path.stated(facts.spacing_m)})² + "
        f"({time.six(combined.u_time_s)} / {time.six(task.shots[0].time_s)})²)"
    )
    return [
        SheetRow(
            "u of the path",
            f"√(u(d)²{gates[0]}) = √({path.four(combined.u_spacing_m)}²{gates[1]})",
            path.answer(combined.u_path_m),
        ),
        SheetRow(
            "u of the time",
            f"√(u(T)² + u(j)² + (t · u(r))² + u(b)²) = √({squares})",
            time.answer(combined.u_time_s),
        ),
        SheetRow(
            "u of the speed divided by the speed",
            relative,
            f"{figures.number(100 * combined.u_relative)} %",
        ),
        SheetRow("u of the speed", "times v", speed.answer(combined.u_mps)),
        SheetRow("U = 2 u", "about 95 %", speed.answer(U)),
        SheetRow(
            "result",
            "rounded to the last digit of U",
            f"({' ± '.join(rounded)}) {figures.speed}",
        ),
        SheetRow(
            "significant digits",
            f"the digits of {rounded[0]}",
            str(len(rounded[0].translate(_NO_SIGNS).lstrip("0"))),
        ),
        *(
            [
                SheetRow(
                    "u of the speed from step and jitter alone",
                    f"v / t · √(u(T)² + u(j)²) = {speed.six(v)} / {time.six(time_s)} · "
                    f"√({time.four(parts[0])}² + {time.four(parts[1])}²)",
                    speed.answer(combined.u_random_mps),
                )
            ]
            if len(task.shots) > 1
            else []
        ),
    ]


@dataclass(frozen=True)
class _Kind:
    """Writes lengths, times or speeds as text, in the unit that the school class uses."""

    figures: NumberFormat
    unit: str
    size: float

    def six(self, value: float) -> str:
        return self.figures.number(value / self.size)

    def four(self, value: float) -> str:
        """Write a value with four digits."""
        return self.figures.number(value / self.size, 4)

    def stated(self, value: float) -> str:
        return self.figures.plainly(value / self.size)

    def answer(self, value: float) -> str:
        return f"{self.six(value)} {self.unit}"


def _of(figures: NumberFormat, kind: str) -> _Kind:
    unit, size = {
        "length": (figures.length, LENGTHS[figures.length]),
        "time": (figures.time_unit, TIMES[figures.time]),
        "speed": (figures.speed, SPEED_UNITS[figures.speed]),
    }[kind]
    return _Kind(figures, unit, size)


def _scatter(task: Task, figures: NumberFormat) -> str:
    """Return whether the launcher causes the scatter, or whether the gates may cause it."""
    ratio = task.s_mps / task.combined.u_random_mps
    if ratio > MUCH_LARGER:
        return (
            f"s is {figures.number(ratio, 2)} times as large as the scatter from the counter's "
            "step and the jitter: the launcher causes the scatter, not the gates."
        )
    return (
        "s is not much larger than the scatter that the counter's step and the jitter cause. "
        "Perhaps the gates cause all of the scatter."
    )


def _rules(task: Task) -> str:
    """Return the largest contribution to u, and U if this contribution were halved."""
    combined, facts = task.combined, task.facts
    time_s = task.shots[0].time_s
    parts = {
        "the spacing": combined.u_spacing_m / facts.spacing_m,
        "the place where the gates trip": combined.u_trip_m * 2**0.5 / facts.spacing_m,
        "the counter's step": combined.u_tick_s / time_s,
        "the jitter": combined.u_jitter_s / time_s,
        "the counter's rate": combined.u_rate_s / time_s,
        "the sensors' delays": combined.u_latency_s / time_s,
    }
    name, largest = max(parts.items(), key=lambda part: part[1])
    square = sum(part**2 for part in parts.values())
    share = largest**2 / square
    left = (1 - 0.75 * share) ** 0.5
    return (
        f"{name[0].upper()}{name[1:]} contributes most to u: {100 * share:.0f} % of u². "
        f"If you halve this part of u, U becomes {100 * left:.0f} % of its value above."
    )


def marking_lines(found: Marking, figures: NumberFormat) -> list[str]:
    """Return a table of all verdicts, then the right value for each wrong answer."""
    lines = ["group " + "".join(f"{name:>6}" for name in found.quantities)]
    for group in found.groups:
        answers = (found.answers.get((group, name)) for name in found.quantities)
        cells = (answer.verdict.value if answer else "-" for answer in answers)
        lines.append(f"{group:>5} " + "".join(f"{cell:>6}" for cell in cells))
    lines.append("")
    lines += [
        f"group {answer.group}, {answer.quantity}: {answer.text} is "
        f"{_VERDICTS[answer.verdict]}; the right answer is {figures.number(answer.key)}"
        for answer in found.answers.values()
        if answer.verdict != AnswerVerdict.RIGHT
    ]
    right = sum(answer.verdict == AnswerVerdict.RIGHT for answer in found.answers.values())
    return [*lines, f"{right} of {count_text(len(found.answers), 'answer')} right"]


_VERDICTS = {AnswerVerdict.SHORT: "rounded too far", AnswerVerdict.WRONG: "wrong"}
