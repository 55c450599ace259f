"""Make texts about shots, error budgets and statistics, without control characters."""

from __future__ import annotations

from math import isfinite
from typing import TYPE_CHECKING

from rich.text import Text

from chrono.dashboard.clipped_text import fit, flow
from chrono.dashboard.dialogs import setup_form
from chrono.reports.flag_help import FLAG_HELP
from chrono.reports.setup_words import mean_text, setup_text, spread_texts
from chrono.safe_text import plain
from chrono.session.operator_records import (
    COUNT_AGAIN,
    HOLD_OFF,
    HOLD_ON,
    NOTE,
    SET_ASIDE,
    Said,
    Setup,
)
from chrono.units import ABSENT_TEXT, format_speed, speed_in

if TYPE_CHECKING:
    from chrono.measuring.error_budget import Budget
    from chrono.measuring.series_statistics import Series
    from chrono.session.session import Session
    from chrono.session.shot_log import ShotRow

SEGMENT_COLOURS = ("cyan", "yellow", "green", "magenta", "blue", "red", "white")
SAID_WORDS = {
    SET_ASIDE: "{} set aside",
    COUNT_AGAIN: "{} counted",
    NOTE: "note on {}",
    HOLD_ON: "hold",
    HOLD_OFF: "end of hold",
}
STATISTICS_CELLS = 28
LEAST_NAME = 8
"""Smallest number of cells for a setup's name."""
LEAST_SHARE = 0.005
"""A contribution below half a percent is added to the rest."""


def speed_text(row: ShotRow, unit: str) -> str:
    """Return the speed of a shot and its ± (95 %) as text without a unit."""
    return format_speed(row.speed_mps, row.U95_mps, unit).removesuffix(f" {unit}")


def counted_text(row: ShotRow) -> str:
    """Return one word about a shot: "open", "yes" (counted) or "no" (not counted)."""
    if row.open:
        return "open"
    return "yes" if row.counted else "no"


def flags_text(row: ShotRow, unit: str) -> str:
    """
    Return the flags of a shot as text.

    After the flag "companion", add the companion's speed.
    """
    return ", ".join(
        f"companion {speed_in(unit, row.companion_speed_mps):.4g} {unit}"
        if flag == "companion" and isfinite(row.companion_speed_mps)
        else flag
        for flag in row.flags
    )


def shot_state(row: ShotRow) -> tuple[str, str]:
    """Return a shot's state (open, counted or not counted) as text, and the text's style."""
    if row.open:
        return "still open", "italic"
    return ("counted", "green") if row.counted else ("not counted", "bold yellow")


def shot_text(row: ShotRow, cells: int) -> Text:
    """Return a text about a shot: number, time, setup and state, followed by the whole note."""
    state, style = shot_state(row)
    head = f"shot {row.number} · {row.time_s:.1f} s · "
    room = max(cells - len(head) - len(f" · {state}"), LEAST_NAME)
    text = Text.assemble(head, fit(setup_text(row.setup), room), " · ", (state, style))
    if row.note:
        text.append(f" · {plain(row.note)}")
    return text


def flag_lines(row: ShotRow, unit: str, cells: int, *, explained: bool = True) -> Text:
    """
    Return the flags of a shot as text; if `explained` is True, explain each flag.

    For a shot without flags, add the body's measured lengths if this text fits into `cells`.
    """
    if not row.flags:
        from chrono.reports.rig_evidence_text import lengths_text

        words = f"no flags · {lengths_text(row.length_a_mm, row.length_b_mm)}"
        seen = isfinite(row.length_a_mm) or isfinite(row.length_b_mm)
        words = words if seen and len(words) <= cells else "no flags"
        return Text.assemble((words, "bright_black"))
    text = Text("flags: ").append(flags_text(row, unit), "bold yellow")
    for flag in row.flags if explained else ():
        text.append(f"\n{flag}: {FLAG_HELP.get(flag, '')}", "bright_black")
    return text


def budget_bar(budget: Budget, cells: int) -> Text:
    """
    Draw a bar with a legend that shows the share of each contribution to the variance.

    Parameters
    ----------
    budget : Budget
    cells : int
        Length of the bar.
    """
    parts = _shares(budget)
    text = Text()
    for i, width in enumerate(_cells([share for _, share in parts], cells)):
        colour = SEGMENT_COLOURS[i % len(SEGMENT_COLOURS)]
        text.append(f"{i + 1}".ljust(width)[:width], f"black on {colour}")
    legend = [
        Text(f"{i + 1} {name} {100 * share:.0f} %", SEGMENT_COLOURS[i % len(SEGMENT_COLOURS)])
        for i, (name, share) in enumerate(parts)
    ]
    return text.append("\n").append_text(flow(legend, cells))


def setup_values_text(setup: Setup) -> str:
    """Return the launch conditions of a setup and the body's mass and length as text."""
    _, conditions, mass, length = setup_form(setup)
    return " · ".join(part for part in (conditions, mass, length and f"{length} long") if part)


def statistics_text(series: Series | None, setup: Setup, shots: int, unit: str) -> Text:
    """
    Return the statistics of one setup as text with one value per line.

    `shots` is the number of shots in the session.
    """
    text = Text().append(fit(setup_text(setup.name), STATISTICS_CELLS), "bold")
    conditions = setup_values_text(setup)
    if conditions:
        text.append(f"\n{fit(conditions, STATISTICS_CELLS)}")
    if series is None:
        return text.append("\nno counted shots yet", "bright_black")
    for name, value in _values(series, unit):
        text.append(f"\n{name:<7}", "bright_black").append(value)
    return text.append(f"\nshots in the session: {shots}", "bright_black")


def statistics_lines(
    series: Series | None, setup: Setup, shots: int, unit: str, cells: int
) -> Text:
    """Return the statistics of one setup as text on as few lines as possible."""
    parts = [setup_text(setup.name), setup_values_text(setup)]
    text = Text().append(fit(" · ".join(part for part in parts if part), cells), "bold")
    if series is None:
        return text.append("\nno counted shots yet", "bright_black")
    values = [
        Text.assemble((f"{name} ", "bright_black"), value)
        for name, value in _values(series, unit)
    ]
    values.append(Text(f"shots in the session: {shots}", "bright_black"))
    return text.append("\n").append_text(flow(values, cells))


def _values(series: Series, unit: str) -> list[tuple[str, str]]:
    spread = [(name, f"{value} {unit}") for name, value in spread_texts(series, unit)]
    return [("n", f"{series.n} counted"), mean_text(series, unit), *spread]


def shot_lines(row: ShotRow, setup: Setup, unit: str) -> list[str]:
    """Return lines of text with all known facts about one shot."""
    lines = [
        f"speed     {format_speed(row.speed_mps, row.U95_mps, unit)}",
        f"time      {row.time_s:.3f} s",
        f"setup     {setup_text(row.setup)}",
        f"          {setup_values_text(setup)}",
        f"state     {shot_state(row)[0]}",
        f"note      {plain(row.note)}",
        *(f"{flag}: {FLAG_HELP.get(flag, '')}" for flag in row.flags),
    ]
    return [line for line in lines if not line.isspace() and line.strip() != "note"]


def _shares(budget: Budget) -> list[tuple[str, float]]:
    """
    Return the name and share of each contribution, the largest first.

    The sum of all small contributions gets the name "rest".
    """
    shares: dict[str, float] = {}
    for part in budget.noticeable:
        shares[part.name] = shares.get(part.name, 0.0) + budget.share(part)
    ordered = sorted(shares.items(), key=lambda item: -item[1])
    shown = [(name, share) for name, share in ordered if share >= LEAST_SHARE]
    rest = sum(share for _, share in ordered) - sum(share for _, share in shown)
    return [*shown, ("rest", rest)] if rest >= LEAST_SHARE else shown


def _cells(shares: list[float], cells: int) -> list[int]:
    """Return the width of each part of a bar in characters; each part has at least one."""
    if not shares:
        return []
    widths = [max(round(share * cells), 1) for share in shares]
    widths[0] = max(widths[0] + cells - sum(widths), 1)
    return widths


def large_text(row: ShotRow | None, unit: str) -> str:
    """Return the speed of a shot and its ± as text for a display with large digits."""
    if row is None:
        return ABSENT_TEXT
    return format_speed(row.speed_mps, row.U95_mps, unit)


def said_text(said: Said, session: Session) -> str:
    """Return a text that describes an entry of the operator, such as a mark or a setup."""
    if isinstance(said, Setup):
        name = setup_text(said.name)
        return f"setup {name}" if said.corrects is None else f"correction of setup {name}"
    text = f": {plain(said.text)}" if said.text else ""
    whose = "the session" if said.shot is None else f"shot {session.number_of(said.shot)}"
    return SAID_WORDS[said.action].format(whose) + text
