"""Write how an assumption changes the results of a recording, as text and for JSON."""

import math
from textwrap import wrap
from typing import Any

import numpy as np

from chrono.arrays.array_types import Floats
from chrono.measuring.series_statistics import Series
from chrono.measuring.speed import Measured
from chrono.processor.shot_records import EdgesUsed, flag_words
from chrono.reports.budget_text import tick_text
from chrono.reports.character_chart import axis_lines, fit_axis
from chrono.reports.setup_words import count_text, setup_text, three_digits
from chrono.reports.statistics_text import series_data
from chrono.safe_text import plain
from chrono.session.session import Session
from chrono.session.speed_models import Assumptions
from chrono.teaching.what_if import SetupPair, WhatIf
from chrono.units import ABSENT_TEXT, format_speed, format_value, speed_in, to_digits

WIDE = 80
EDGE_WORDS = {EdgesUsed.LEAD: "leading", EdgesUsed.TRAIL: "trailing"}


def what_if_text(found: WhatIf, width: int = WIDE) -> str:
    """
    Return recorded and recomputed shots and setups, and effects that are not computed.

    Each line has at most `width` characters, and `width` must be 60 or more. The table shows
    the number of clock steps in each transit only if `width` is 80 or more.
    """
    unit = found.recorded.session.rig.speed_unit
    titles = (f"{title} [{unit}]" for title in ("recorded", "as if"))
    table = _row(("shot", *titles, "difference", "steps", ""), width)
    for i in range(len(found.places)):
        table += _row(_shot_cells(found, i, unit), width)
    below = [line for pair in found.setups for line in ("", *_setup_lines(pair, unit))]
    below += ["", *_agreement_lines(found), "", "What this computation cannot show:"]
    below += [f"- {note}" for note in notes_of(found)]
    above = [f"{plain(found.recorded.name)}, measured as if", *_supposed_lines(found), ""]
    return "\n".join([*_folded(above, width), *table, *_folded(below, width)])


HISTOGRAM_CELLS, HISTOGRAM_LINES = 48, 6


def what_if_short(found: WhatIf, width: int = WIDE) -> str:
    """Return a short text with histograms, in lines of at most 60 characters."""
    unit = found.recorded.session.rig.speed_unit
    above = [f"{plain(found.recorded.name)}, measured as if", *_supposed_lines(found)]
    above += [line for pair in found.setups for line in _short_lines(pair, unit)]
    recorded = found.true.speed_mps[found.compared]
    supposed = recorded + found.difference_mps[found.compared]
    drawn = ["", *_histograms(recorded, supposed, unit), ""] if len(recorded) else []
    width = min(width, 60)
    below = _folded(_agreement_lines(found)[:1], width)
    return "\n".join([*_folded(above, width), *drawn, *below])


def _short_lines(pair: SetupPair, unit: str) -> list[str]:
    """Return the recorded and the recomputed mean of a setup in one line, and s in another."""
    before, after = pair.recorded, pair.supposed
    if before is None or after is None:
        return _setup_lines(pair, unit)
    means, spreads = (
        " → ".join(texts)
        for texts in (
            [format_speed(one.mean_mps, one.U95_mean_mps, unit) for one in (before, after)],
            [f"{three_digits(speed_in(unit, one.s_mps))} {unit}" for one in (before, after)],
        )
    )
    lines = [f"{setup_text(pair.name)}: mean {means}"]
    return lines if before.n < 2 or after.n < 2 else [*lines, f"  s {spreads}"]


def _histograms(recorded: Floats, supposed: Floats, unit: str) -> list[str]:
    """Draw the recorded and the recomputed speeds as two histograms on the same axis."""
    columns = [speed_in(unit, 1.0) * speeds_mps for speeds_mps in (recorded, supposed)]
    both = np.concatenate(columns)
    axis = fit_axis(float(both.min()), float(both.max()), HISTOGRAM_CELLS, (6, 8, 10, 12))
    lines: list[str] = []
    for title, speeds in zip(("as recorded", "as if"), columns, strict=True):
        places = np.floor((speeds - axis.low) / axis.per_cell).astype(int)
        counts = np.bincount(np.clip(places, 0, axis.cells - 1), minlength=axis.cells)
        most = int(counts.max())
        lines.append(f"{title} [{unit}], the highest bar is {count_text(most, 'shot')}:")
        heights = np.ceil(counts * min(HISTOGRAM_LINES, most) / most).astype(int)
        for height in range(int(heights.max()), 0, -1):
            lines.append("".join("█" if h >= height else " " for h in heights).rstrip())
        lines += axis_lines(axis)
    return lines


def _folded(lines: list[str], width: int) -> list[str]:
    """Break lines that are too long; indent each continued line by two more columns."""
    folded = []
    for line in lines:
        indent = " " * (len(line) - len(line.lstrip()))
        folded += wrap(
            line.strip(),
            width - 2,
            initial_indent=indent,
            subsequent_indent=f"{indent}  ",
        ) or [""]
    return folded


def what_if_data(found: WhatIf) -> dict[str, Any]:
    """Return the recorded and the recomputed values as an object for JSON, in SI units."""
    return {
        "recording": found.recorded.name,
        "as_if": _supposed_data(found),
        "shots": [_shot_data(found, i) for i in range(len(found.places))],
        "new_shots": found.new,
        "setups": [
            {
                "setup": pair.name,
                "recorded": _series_data(pair.recorded),
                "as_if": _series_data(pair.supposed),
            }
            for pair in found.setups
        ],
        "compared": int(found.compared.sum()),
        "within_U95": int(found.within.sum()),
        "explained_by_steps": int(found.explained.sum()) if found.steps_alone else None,
        "not_known": notes_of(found),
    }


def notes_of(found: WhatIf) -> list[str]:
    """Return sentences about effects that are not computed."""
    as_if, notes = found.as_if, []
    if as_if.tick_s is not None:
        notes += _step_notes(found)
    if as_if.spacing_m is not None or as_if.clock_error:
        notes.append(
            "The ± does not include the assumed error, because nobody knows this error of a "
            "real rig."
        )
    if as_if.clock_error and as_if.tick_s is not None:
        notes.append(
            "The assumed error of the clock changes the transit times. The moments at which "
            "the clock ticks stay the same."
        )
    if as_if.edges != EdgesUsed.BOTH:
        notes += _edge_notes(found)
    if found.missing or found.new:
        notes.append(
            "With the assumed values, the edges form other pairs. Number of recorded shots "
            f"that disappear: {found.missing}; number of new shots: {found.new}."
        )
    return notes


def _step_notes(found: WhatIf) -> list[str]:
    step, recorded = tick_text(found.tick_s), tick_text(found.recorded_tick_s)
    phases = round(found.tick_s / found.recorded_tick_s)
    counted = (
        (
            "in which the body passes from gate to gate in less than one tick of the clock",
            found.within_a_step,
            "These shots have no speed",
        ),
        (
            "in which the body blocks a gate for less than one tick of the clock",
            found.blocked_within_a_step,
            "The body length of these shots may be unknown",
        ),
        (
            "without a recorded speed, but with a speed from the assumed values",
            found.sound_only_so,
            "The reason: the long ticks hide the chatter of a gate",
        ),
    )
    return [
        f"The board recorded the times in steps of {recorded}, with its own jitter. The "
        "recorded speed and the new speed both contain these errors. More exact times are not "
        "known.",
        f"The first tick of a {step} clock can begin at {phases} different moments "
        "(phases). Each phase gives slightly different readings.",
        *(f"Number of shots {what}: {count}. {so}." for what, count, so in counted if count),
    ]


def _edge_notes(found: WhatIf) -> list[str]:
    end = "front" if found.as_if.edges == EdgesUsed.LEAD else "back"
    notes = [
        f"One pair of edges measures only when the {end} of the body passes. The ± includes "
        "the effect of drag. The ± also includes the effect if bodies miss the middle of the "
        "beams."
    ]
    if found.without_speed:
        notes.append(
            "Number of shots that have no speed, because their "
            f"{EDGE_WORDS[found.as_if.edges]} edges cannot be used: {found.without_speed}."
        )
    return notes


def _supposed_lines(found: WhatIf) -> list[str]:
    as_if, lines = found.as_if, []
    if as_if.tick_s is not None:
        lines.append(
            f"the clock ticked every {tick_text(found.tick_s)} "
            f"({_steps(found)} of {tick_text(found.recorded_tick_s)}), phase {as_if.phase:g}"
        )
    if as_if.spacing_m is not None:
        true_m = found.recorded.session.rig.spacing_m
        lines.append(
            f"the rig stated a gate spacing of {as_if.spacing_m * 1e3:.6g} mm "
            f"(the recording states {true_m * 1e3:.6g} mm)"
        )
    if as_if.clock_error:
        word = "fast" if as_if.clock_error > 0 else "slow"
        lines.append(f"the counter ran {abs(as_if.clock_error) * 1e6:.6g} ppm too {word}")
    if as_if.edges != EdgesUsed.BOTH:
        lines.append(f"only the {EDGE_WORDS[as_if.edges]} edges of each shot were used")
    return [f"  {line}" for line in lines]


def _steps(found: WhatIf) -> str:
    count = round(found.tick_s / found.recorded_tick_s)
    given = tick_text(found.as_if.tick_s or 0.0)
    taken = "" if given == tick_text(found.tick_s) else f"instead of {given}: "
    return f"{taken}{count} recorded steps" if count > 1 else f"{taken}the recorded step"


def _shot_cells(found: WhatIf, i: int, unit: str) -> tuple[str, ...]:
    true, so = found.true, found.supposed
    difference = found.difference_mps[i]
    steps = so.transit_s[i] / found.tick_s
    return (
        str(i + 1),
        _speed_cell(true, i, unit),
        _speed_cell(so, i, unit),
        _signed(speed_in(unit, difference), speed_in(unit, true.U95_mps[i])),
        to_digits(steps, 6) if math.isfinite(steps) else ABSENT_TEXT,
        ", ".join(_words(found, i)),
    )


def _speed_cell(measured: Measured, i: int, unit: str) -> str:
    text = format_speed(measured.speed_mps[i], measured.U95_mps[i], unit)
    return text.removesuffix(f" {unit}")


def _words(found: WhatIf, i: int) -> list[str]:
    """Return notes on a shot: new flags, and whether the two speeds disagree."""
    if found.places[i] < 0:
        return ["not there"]
    session, place = found.session, int(found.places[i])
    before = set(_flags(found.recorded.session, i))
    words = [word for word in _flags(session, place) if word not in before]
    words = [word for word in words if not word.endswith("-only")]
    if found.compared[i] and not found.within[i]:
        words.append("outside")
    both = math.isfinite(found.difference_mps[i])
    if both and not found.compared[i] and not words:
        words.append("not counted")
    return words


def _flags(session: Session, place: int) -> tuple[str, ...]:
    return flag_words(int(session.log.shots["flags"][place]))


def _signed(value: float, uncertainty: float) -> str:
    text = format_value(value, uncertainty / 10)
    return f"+{text}" if value > 0 else text


def _row(cells: tuple[str, ...], width: int) -> list[str]:
    """Return one row of the table as lines of text; a long last cell needs several lines."""
    columns: tuple[int, ...] = (-4, 16, 16, -10, -8)
    if width < WIDE:
        cells, columns = (*cells[:4], cells[-1]), (-4, 14, 14, -10)
    parts = [
        f"{text:>{-column}}" if column < 0 else f"{text:<{column}}"
        for text, column in zip(cells, columns, strict=False)
    ]
    first = "  ".join([*parts, cells[-1]]).rstrip()
    if width >= WIDE or len(first) <= width - 2:
        return [first]
    return ["  ".join(parts).rstrip(), f"{'':>{4 + 2}}{cells[-1]}"]


def _setup_lines(pair: SetupPair, unit: str) -> list[str]:
    lines = [f"{setup_text(pair.name)}:"]
    for title, series in (("as recorded", pair.recorded), ("as if", pair.supposed)):
        lines.append(f"  {title:<12}{_series_text(series, unit)}")
    return lines


def _series_text(series: Series | None, unit: str) -> str:
    if series is None:
        return "no counted shots"
    mean = format_speed(series.mean_mps, series.U95_mean_mps, unit)
    s = f", s {three_digits(speed_in(unit, series.s_mps))} {unit}" if series.n > 1 else ""
    return f"{series.n} counted, mean {mean} (95 %){s}"


def _agreement_lines(found: WhatIf) -> list[str]:
    compared = int(found.compared.sum())
    if not compared:
        return ["No shot is counted both in the recording and in this computation."]
    lines = [
        f"In {int(found.within.sum())} of {count_text(compared, 'shot')}, the new ± contains "
        "the recorded speed."
    ]
    if found.steps_alone:
        half_s = np.unique(found.by_steps_s[found.compared]).max()
        lines.append(
            "The steps of the clock can change a transit by up to "
            f"{to_digits(half_s * 1e6, 3)} us (95 %). The steps alone can explain the change "
            f"of the speed in {int(found.explained.sum())} of {count_text(compared, 'shot')}."
        )
    return lines


def _supposed_data(found: WhatIf) -> dict[str, Any]:
    as_if: Assumptions = found.as_if
    return {
        "tick_s": found.tick_s,
        "recorded_tick_s": found.recorded_tick_s,
        "phase": as_if.phase,
        "spacing_m": found.session.rig.spacing_m,
        "recorded_spacing_m": found.recorded.session.rig.spacing_m,
        "clock_error": as_if.clock_error,
        "edges": EDGE_WORDS.get(as_if.edges, "both"),
    }


def _shot_data(found: WhatIf, i: int) -> dict[str, Any]:
    place = int(found.places[i])
    return {
        "shot": i + 1,
        "recorded": _measured_data(found.recorded.session, found.true, i, i),
        "as_if": None if place < 0 else _measured_data(found.session, found.supposed, place, i),
        "difference_mps": _finite(found.difference_mps[i]),
        "compared": bool(found.compared[i]),
        "within_U95": bool(found.within[i]) if found.compared[i] else None,
    }


def _measured_data(session: Session, measured: Measured, place: int, i: int) -> dict[str, Any]:
    return {
        "speed_mps": _finite(measured.speed_mps[i]),
        "U95_mps": _finite(measured.U95_mps[i]),
        "transit_s": _finite(measured.transit_s[i]),
        "edges_used": EdgesUsed(int(session.log.shots["used"][place])).name.lower(),
        "flags": list(_flags(session, place)),
    }


def _series_data(series: Series | None) -> dict[str, Any] | None:
    return None if series is None else series_data(series)


def _finite(value: float) -> float | None:
    return float(value) if math.isfinite(value) else None
