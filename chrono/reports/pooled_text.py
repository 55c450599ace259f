"""Recordings put together setup by setup, as text for a terminal and as an object for JSON."""

from typing import Any

from chrono.measuring.series_statistics import s_interval
from chrono.reports.launch_text import filled
from chrono.reports.setup_words import count_text, setup_text, three_digits, two_digits
from chrono.reports.statistics_text import (
    Detail,
    detail,
    detail_lines,
    finite,
    mean_details,
    series_data,
    table_lines,
)
from chrono.safe_text import plain
from chrono.session.pooled_samples import PooledRecordings, PooledSetup
from chrono.units import speed_in

SHOWN_RECORDINGS = 6


def pooled_text(pooled: PooledRecordings) -> str:
    """Return recordings put together as lines for a terminal: a table, then details."""
    number = sum(setup.series.n for setup in pooled.setups)
    few = count_text(len(pooled.recordings), "recording")
    lines = filled(f"{few} put together: {count_text(number, 'shot')} counted", 0)
    rigs = ", ".join(plain(name) for name in pooled.rigs[:SHOWN_RECORDINGS])
    if len(pooled.rigs) == 1:
        lines += filled(f"one rig, {rigs}: its shared part counts once")
    else:
        lines += filled(f"{len(pooled.rigs)} rigs, {rigs}: the shared part of each counts")
    if pooled.setups:
        rows = [(setup_text(setup.name), setup.series) for setup in pooled.setups]
        lines += ["", *table_lines(rows, pooled.unit)]
    for setup in pooled.setups:
        lines += ["", *filled(setup_text(setup.name))]
        lines += detail_lines(_details(setup, pooled.unit))
    return "\n".join(lines)


def pooled_data(pooled: PooledRecordings) -> dict[str, Any]:
    """Return recordings put together as an object for JSON, speeds [m/s]."""
    return {
        "recordings": list(pooled.recordings),
        "rigs": list(pooled.rigs),
        "setups": [_setup_data(setup) for setup in pooled.setups],
    }


def _setup_data(setup: PooledSetup) -> dict[str, Any]:
    between = setup.between
    return {
        "setup": setup.name,
        **series_data(setup.series),
        "from": setup.counted,
        "rigs": len(setup.rigs),
        "between_recordings": finite({"F": between.F, "p_value": between.p_value})
        if between
        else None,
    }


def _details(setup: PooledSetup, unit: str) -> list[Detail]:
    series = setup.series
    details = mean_details(series, unit)
    if series.n > 1:
        low, high = s_interval(series.s_mps, series.n)
        s, low, high = (speed_in(unit, value) for value in (series.s_mps, low, high))
        details += detail(
            "s", f"{three_digits(s)} {unit} ({two_digits(low)} … {two_digits(high)})"
        )
    shown = list(setup.counted.items())[:SHOWN_RECORDINGS]
    told = ", ".join(f"{plain(name)} {n}" for name, n in shown)
    more = len(setup.counted) - len(shown)
    details += detail("from", told + (f" and {more} more" if more else ""))
    if setup.between is not None:
        details += detail("recordings", *_between_texts(setup))
    return details


def _between_texts(setup: PooledSetup) -> list[str]:
    assert setup.between is not None
    p = setup.between.p_value
    if not setup.differ:
        return [f"no difference between them is seen (p = {p:.2g})"]
    return [
        f"they differ by more than their shots scatter (p = {p:.2g})",
        "the ± is that of these shots; another day may differ by more",
    ]
