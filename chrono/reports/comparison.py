"""Setups compared, as lines for a terminal and as an object for JSON."""

import math
from typing import Any

from chrono.measuring.anova import OneWay, TukeyInterval
from chrono.measuring.comparison import (
    MOST_SHOTS,
    Comparison,
    Group,
    PairComparison,
    is_settled,
)
from chrono.measuring.statistics import Difference
from chrono.plain import plain
from chrono.units import format_speed, format_value, speed_in


def comparison_text(found: Comparison, unit: str) -> str:
    """Return a comparison in words and figures, at 95 % coverage."""
    lines = [_group_line(group, unit) for group in found.groups]
    if len(found.groups) < 2:
        return "\n".join(lines)
    for pair in found.pairs:
        lines += ["", *pair_lines(pair, unit)]
    if found.one_way is not None:
        lines += ["", *many_lines(found, found.one_way, unit)]
    return "\n".join([*lines, *drift_lines(found, unit)])


def _group_line(group: Group, unit: str) -> str:
    series = group.series
    words = f"{plain(group.name)}: {series.n} counted, mean "
    return words + format_speed(series.mean_mps, series.U95_mean_mps, unit)


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
    return f"chance alone would do this once in {1 / p_value:.0f} such days"


def more_sentence(more: int) -> str:
    """Return how many shots would settle an open difference."""
    if more >= MOST_SHOTS:
        return f"if it is as small as it looks, {MOST_SHOTS} shots more of each may not do"
    return (
        f"if it is as large as it looks, {more} more of each setup settle it "
        "in four cases of five"
    )


def _spread_lines(pair: PairComparison) -> list[str]:
    low, high = pair.s_ratio_low, pair.s_ratio_high
    if math.isnan(low):
        return []
    span = f"s is {pair.s_ratio:.2g} times as large, {low:.2g} … {high:.2g} (95 %)"
    if low > 1:
        return [f"less repeatable: {span}"]
    return [
        f"more repeatable: {span}" if high < 1 else f"open which is more repeatable: {span}"
    ]


def many_lines(found: Comparison, analysis: OneWay, unit: str) -> list[str]:
    """Return the analysis of variance in a sentence, and Tukey's interval of each pair."""
    verdict = "not all means are equal" if analysis.p_value < 0.05 else "no difference is seen"
    lines = [
        f"all setups together: {verdict} (analysis of variance: F({analysis.between_dof}, "
        f"{analysis.within_dof}) = {analysis.F:.4g}, p = {analysis.p_value:.2g})",
        "  by Tukey's intervals, all true at once (95 %):",
    ]
    return lines + [_tukey_line(found, tukey, unit) for tukey in found.tukey]


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
    half = speed_in(unit, (drift.high_mps - drift.low_mps) / 2)
    slope = speed_in(unit, drift.slope_mps)
    return [
        "",
        f"the speed drifts by {10 * slope:+.3g} ± {10 * half:.2g} {unit} in ten shots (95 %):",
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
    return {"setup": group.name, **_finite(vars(group.series))}


def _pair_data(pair: PairComparison) -> dict[str, Any]:
    difference = pair.difference
    return {
        "first": pair.first.name,
        "second": pair.second.name,
        "difference": _finite(vars(difference)) if difference else None,
        "settled": is_settled(difference) if difference else None,
        "pairs_in_turn": pair.pairs,
        "more_shots": pair.more_shots,
        **_finite({k: v for k, v in vars(pair).items() if k.startswith("s_ratio")}),
    }


def _finite(values: dict[str, Any]) -> dict[str, Any]:
    return {
        k: None if isinstance(v, float) and not math.isfinite(v) else v
        for k, v in values.items()
    }
