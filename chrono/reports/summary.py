"""What the shots of a session come to, as text lines and as objects for JSON."""

import math
from typing import Any

from chrono.clock.rate import rate_text
from chrono.measuring.statistics import Series
from chrono.plain import plain
from chrono.reports.muzzle import muzzle_data, muzzle_lines
from chrono.reports.words import mean_text, setup_text, spread_texts
from chrono.rigs.file import Rig
from chrono.session.recorded import Recorded, unread_line
from chrono.session.session import Session
from chrono.session.shotlog import ShotRow
from chrono.session.summary import SetupSummary, Summary
from chrono.units import format_speed

SHOWN_NOTES = 20


def shot_line(row: ShotRow, unit: str) -> str:
    """Return one shot as a line for a terminal, its speed with ± at 95 % coverage."""
    words = [*row.flags]
    if not row.counted:
        words.append("not counted")
    if row.note:
        words.append(plain(row.note))
    speed = format_speed(row.speed_mps, row.U95_mps, unit)
    line = (
        f"{row.number:>4}  {row.time_s:>9.3f} s  {speed:<24}"
        f"  {plain(row.setup):<14}  {', '.join(words)}"
    )
    return line.rstrip()


def summary_data(summary: Summary) -> dict[str, Any]:
    """Return the summary of one recording as an object for JSON, speeds [m/s]."""
    recorded, session = summary.recorded, summary.recorded.session
    tally = session.processor.tally
    return {
        "recording": recorded.name,
        "rig": session.rig.name,
        "started": session.started,
        "shots": len(session.log),
        "counted": summary.counted,
        "setups": [_setup_data(each) for each in summary.setups],
        "rows": session.rows,
        "damaged_lines": session.unusable.lines,
        "lost_lines": tally.lost_lines,
        "board_lost_edges": tally.board_lost,
        "restarts": tally.restarts,
        "notes": session.marks.notes,
        "unread_records": session.unusable.records,
        "left_out": recorded.left_out,
        "clock": _clock_data(session),
        "clock_doubt": recorded.clock_doubt,
    }


def _clock_data(session: Session) -> dict[str, Any] | None:
    """Return the counter's relative rate error where the host's clock gave it."""
    rate = session.host_rate
    if rate is None:
        return None
    return {"rate_error": rate.rate_error, "u": rate.u, "U95": rate.U95, "beats": rate.beats}


def summary_text(summary: Summary) -> str:
    """Return the summary of one recording as lines for a terminal."""
    recorded, session = summary.recorded, summary.recorded.session
    lines = [
        f"{plain(recorded.name)}: rig {plain(session.rig.name)}, "
        f"{len(session.log)} shots, {summary.counted} counted"
    ]
    if session.started:
        lines.append(f"  started {plain(session.started)}")
    for each in summary.setups:
        lines += _setup_lines(each, session.rig)
    lines += _note_lines(session.marks.notes)
    if session.host_rate is not None:
        lines.append(f"  by its beats the counter runs {rate_text(session.host_rate)}")
    lines += trouble_lines(recorded)
    if session.unusable.records:
        lines.append(f"  {unread_line(session)}")
    return "\n".join(lines)


def _setup_data(found: SetupSummary) -> dict[str, Any]:
    data = {"setup": found.setup.name, "conditions": found.setup.conditions}
    if found.series is None:
        return {**data, "counted": 0}
    return {**data, **series_data(found.series), **muzzle_data(found.mouth)}


def series_data(series: Series) -> dict[str, Any]:
    """Return the statistics of a series as an object for JSON, None where undefined or ∞."""
    values = {
        "counted": series.n,
        "mean_mps": series.mean_mps,
        "u_mean_mps": series.u_mean_mps,
        "U95_mean_mps": series.U95_mean_mps,
        "k": series.k,
        "dof": series.dof,
        "u_random_mean_mps": series.u_random_mean_mps,
        "random_dof": series.random_dof,
        "U95_random_mean_mps": series.U95_random_mean_mps,
        "u_shared_mean_mps": series.u_shared_mean_mps,
        "U95_shared_mean_mps": series.U95_shared_mean_mps,
        "s_mps": series.s_mps,
        "median_mps": series.median_mps,
        "min_mps": series.min_mps,
        "max_mps": series.max_mps,
        "range_mps": series.range_mps,
    }
    return {
        k: None if isinstance(v, float) and not math.isfinite(v) else v
        for k, v in values.items()
    }


def _setup_lines(found: SetupSummary, rig: Rig) -> list[str]:
    unit, name, series = rig.speed_unit, setup_text(found.setup.name), found.series
    if series is None:
        return [f"  {name}: no counted shots"]
    lines = [f"  {name}: {series.n} counted, {' '.join(mean_text(series, unit))} (95 %)"]
    spread = spread_texts(series, unit)
    if spread:
        words = "   ".join(f"{word} {value}" for word, value in spread)
        lines.append(f"    {words}   [{unit}]")
    lines += muzzle_lines(found.mouth, rig)
    conditions = found.setup.conditions.items()
    if conditions:
        lines.append(
            "    conditions: " + ", ".join(f"{plain(k)} {plain(v)}" for k, v in conditions)
        )
    return lines


def _note_lines(notes: list[str]) -> list[str]:
    lines = [f"  note: {plain(note)}" for note in notes[-SHOWN_NOTES:]]
    earlier = len(notes) - len(lines)
    return [f"  {earlier} earlier notes are in --json", *lines] if earlier else lines


def trouble_lines(recorded: Recorded) -> list[str]:
    """Return what is wrong with a recording's data, a line each."""
    tally = recorded.session.processor.tally
    counts = (
        (recorded.session.unusable.lines, "damaged lines, not used"),
        (tally.lost_lines, "lines lost on the way"),
        (tally.board_lost, "edges lost on the board"),
        (tally.restarts, "restarts of the board"),
    )
    lines = [f"  {count} {word}" for count, word in counts if count]
    if recorded.left_out:
        lines.append(f"  left out at the end: {recorded.left_out}")
    return lines
