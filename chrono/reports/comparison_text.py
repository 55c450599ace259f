"""Setups compared, as lines for a terminal and as an object for JSON."""

import math
from collections.abc import Sequence
from typing import Any

from chrono.measuring.setup_comparison import (
    MOST_SHOTS,
    Comparison,
    Difference,
    Group,
    MoreShots,
    OneWayAnalysis,
    PairComparison,
    TukeyInterval,
    is_settled,
)
from chrono.reports.launch_text import filled
from chrono.reports.setup_words import two_digits
from chrono.reports.statistics_text import drift_text, table_lines, which_shots
from chrono.safe_text import plain
from chrono.units import format_speed, format_value, speed_in


def comparison_text(found: Comparison, unit: str) -> str:
    """Return a comparison in words and figures, at 95 % coverage."""
    rows = [(group.name, group.series) for group in found.groups]
    lines = table_lines(rows, unit) + in_columns(suspicious_lines(found))
    for pair in found.pairs:
        lines += ["", *in_columns(pair_lines(pair, unit))]
    many = many_lines(found, unit)
    lines += ["", *in_columns(many)] if many else []
    return "\n".join([*lines, *in_columns(drift_lines(found, unit))])


def in_columns(lines: Sequence[str]) -> list[str]:
    """Return sentences as lines within the columns of a terminal, their indents kept."""
    found = []
    for line in lines:
        indent = len(line) - len(line.lstrip())
        found += filled(line.lstrip(), indent) or [""]
    return found


def suspicious_lines(found: Comparison) -> list[str]:
    """Return which shots do not go with the others of their setup."""
    return [
        f"  suspicious in {plain(group.name)}: {which_shots(group.suspicious)}"
        for group in found.groups
        if group.suspicious
    ]


def pair_lines(pair: PairComparison, unit: str) -> list[str]:
    """Return a sentence on speed, what is still open, and a sentence on spread."""
    title = f"{plain(pair.second.name)} against {plain(pair.first.name)}:"
    if pair.difference is None:
        return [title, "  not to be told: at least two counted shots of each are needed"]
    lines = [title, f"  {speed_sentence(pair, pair.difference, unit)}"]
    if pair.pairs:
        lines.append(f"  shot in turn: from {pair.pairs} pairs of neighbouring shots")
    if pair.more_shots is not None:
        lines.append(f"  {more_sentence(pair.more_shots)}")
    return [*lines, *(f"  {line}" for line in _spread_lines(pair))]


def speed_sentence(pair: PairComparison, difference: Difference, unit: str) -> str:
    """Return how much faster the second is, or that it is open."""
    value = difference.difference_mps
    if not is_settled(difference):
        shown = format_speed(value, difference.U95_mps, unit)
        return f"open which is faster: difference {shown} (95 %), zero is in its interval"
    shown = format_speed(abs(value), difference.U95_mps, unit)
    word = "faster" if value > 0 else "slower"
    percent = format_value(
        100 * abs(pair.relative), 100 * difference.U95_mps / pair.first.series.mean_mps
    )
    return f"{word} by {shown} (95 %), {percent} %; {chance_words(difference.p_value)}"


def chance_words(p_value: float) -> str:
    """Return in words how often chance alone does as much, for setups that are equal."""
    for odds, words in ((1_000_000, "a million"), (1000, "a thousand"), (100, "a hundred")):
        if p_value < 1 / odds:
            return f"chance alone would do this less than once in {words} such days"
    if p_value < 0.1:
        return f"chance alone would do this once in {1 / p_value:.0f} such days"
    return f"chance alone would do this on {100 * p_value:.0f} of 100 such days"


def more_sentence(more: MoreShots) -> str:
    """Return how many shots would settle an open difference, and how far that can be told."""
    if more.as_seen >= MOST_SHOTS:
        return f"if it is as small as it looks, {MOST_SHOTS} more of each may not settle it"
    sure = f"{more.as_seen} more of each settle it in four cases of five"
    if more.most is None:
        return f"if it is as large as it looks, {sure}; it may be nothing: then no number does"
    return f"if it is as large as it looks, {sure}; if it is as small as may be, {more.most} do"


def _spread_lines(pair: PairComparison) -> list[str]:
    low, high = pair.s_ratio_low, pair.s_ratio_high
    if math.isnan(low):
        return []
    ratio, least, most = (two_digits(value) for value in (pair.s_ratio, low, high))
    span = f"s is {ratio} times as large, {least} … {most} (95 %)"
    if low > 1:
        return [f"less repeatable: {span}"]
    return [
        f"more repeatable: {span}" if high < 1 else f"open which is more repeatable: {span}"
    ]


def many_lines(found: Comparison, unit: str) -> list[str]:
    """Return the analysis of variance in a sentence, and Tukey's interval of each pair."""
    if not found.tukey:
        return []
    lines = [_together(found.one_way), "  by Tukey's intervals, all true at once (95 %):"]
    return lines + [_tukey_line(found, tukey, unit) for tukey in found.tukey]


def _together(analysis: OneWayAnalysis | None) -> str:
    if analysis is None:
        return "all setups together: of several rigs, whose own errors each interval holds"
    verdict = "not all means are equal" if analysis.p_value < 0.05 else "no difference is seen"
    return (
        f"all setups together: {verdict} (analysis of variance: F({analysis.between_dof}, "
        f"{analysis.within_dof}) = {analysis.F:.4g}, p = {analysis.p_value:.2g})"
    )


def _tukey_line(found: Comparison, tukey: TukeyInterval, unit: str) -> str:
    first, second = (plain(found.groups[i].name) for i in (tukey.first, tukey.second))
    low, high = (speed_in(unit, v) for v in (tukey.low, tukey.high))
    half = (high - low) / 2
    span = f"{format_value(low, half)} … {format_value(high, half)} {unit}"
    return f"    {second} less {first}: {span}"


def drift_lines(found: Comparison, unit: str) -> list[str]:
    """Return a hint to shoot in turn where the speed drifts over the session."""
    drift = found.drift
    if drift is None or not drift.seen or found.in_turn:
        return []
    return [
        "",
        f"the speed drifts by {drift_text(drift, unit)} (95 %):",
        "  shoot the setups in turn (A B A B), so that drift is not taken for a difference",
    ]


def comparison_data(found: Comparison) -> dict[str, Any]:
    """Return a comparison as an object for JSON, speeds [m/s], None where undefined."""
    analysis = found.one_way
    return {
        "setups": [_group_data(group) for group in found.groups],
        "pairs": [_pair_data(pair) for pair in found.pairs],
        "one_way": _finite(vars(analysis)) if analysis else None,
        "tukey": [_finite(vars(tukey)) for tukey in found.tukey],
        "drift": _finite(vars(found.drift)) if found.drift else None,
    }


def _group_data(group: Group) -> dict[str, Any]:
    return {
        "setup": group.name,
        **_finite(vars(group.series)),
        "suspicious_shots": list(group.suspicious),
    }


def _pair_data(pair: PairComparison) -> dict[str, Any]:
    difference = pair.difference
    return {
        "first": pair.first.name,
        "second": pair.second.name,
        "difference": _finite(vars(difference)) if difference else None,
        "settled": is_settled(difference) if difference else None,
        "pairs_in_turn": pair.pairs,
        "more_shots": pair.more_shots.as_seen if pair.more_shots else None,
        "more_shots_most": pair.more_shots.most if pair.more_shots else None,
        **_finite({k: v for k, v in vars(pair).items() if k.startswith("s_ratio")}),
    }


def _finite(values: dict[str, Any]) -> dict[str, Any]:
    return {
        k: None if isinstance(v, float) and not math.isfinite(v) else v
        for k, v in values.items()
    }
