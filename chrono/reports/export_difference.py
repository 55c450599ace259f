"""Report how an export differs from an earlier export of the same recordings.

Two shots are the same shot if the times of their first edges differ by at most 0.5 ms.
"""

import csv
import math
from collections.abc import Iterable, Mapping
from dataclasses import dataclass
from pathlib import Path
from typing import Any

from chrono.errors import OptionError
from chrono.reports.setup_words import count_text, three_digits
from chrono.safe_text import plain

SAME_S = 5e-4
"""First edges that differ by at most this time [s] count as the same edge."""
SHOWN = 40
LEAST_MPS = 1.5e-6
"""Smaller differences have no meaning, because both tables are rounded to 1e-6."""

_NUMBERS = "time_s", "speed_mps", "U95_mps"
_NEEDED = {"recording", "shot", *_NUMBERS, "flags"}


@dataclass(frozen=True)
class ShotChange:
    """
    A shot that differs between two exports.

    Attributes
    ----------
    recording : str
    time_s : float
        Time of its first edge, since the session's start [s].
    before, now : mapping or None
        `shot`, `speed_mps`, `U95_mps` and `flags` in each export; None if there is no shot.
    """

    recording: str
    time_s: float
    before: Mapping[str, Any] | None
    now: Mapping[str, Any] | None

    @property
    def size(self) -> float:
        """The larger change (of speed or ±), divided by the earlier ±; may be infinite."""
        if self.before is None or self.now is None:
            return math.inf
        was, is_now = self.before["speed_mps"], self.now["speed_mps"]
        if math.isnan(was) != math.isnan(is_now):
            return math.inf
        scale = self.before["U95_mps"]
        if math.isnan(was) or not scale > 0:
            return 0.0
        return max(abs(is_now - was), abs(self.now["U95_mps"] - scale)) / float(scale)


@dataclass(frozen=True)
class ExportDifference:
    """Numbers of shots in two exports, and the shots that differ, the largest change first."""

    before: int
    now: int
    changes: tuple[ShotChange, ...]


def read_export(path: Path) -> list[dict[str, Any]]:
    """
    Read the shots of an earlier export, a CSV file with decimal points or decimal commas.

    Raises
    ------
    OptionError
        If the file cannot be read, or is not an export of shots.
    """
    try:
        text = path.read_text("utf-8-sig")
    except (OSError, UnicodeDecodeError) as error:
        reason = getattr(error, "strerror", None) or "the file is not text"
        raise OptionError(
            f"the earlier export cannot be read: {reason}",
            where=str(path),
            hint="give a CSV file that chrono export wrote",
        ) from error
    head = text.partition("\n")[0]
    comma = ";" in head
    reader = csv.DictReader(text.splitlines(), delimiter=";" if comma else ",")
    try:
        names, rows = reader.fieldnames, list(reader)
    except csv.Error as error:
        raise _no_export(path, "one row cannot be read") from error
    if not set(names or ()) >= _NEEDED:
        raise _no_export(path, "some columns are missing")
    try:
        return [_read(row, comma) for row in rows]
    except (ValueError, AttributeError, TypeError) as error:
        raise _no_export(path, "one row cannot be read") from error


def _no_export(path: Path, why: str) -> OptionError:
    return OptionError(
        f"the file is not a table of shots from chrono export: {why}",
        where=str(path),
        hint="give a CSV file that chrono export wrote",
    )


def _read(row: Mapping[str, str], comma: bool) -> dict[str, Any]:
    def number(text: str) -> float:
        return float(text.replace(",", ".") if comma else text) if text else math.nan

    numbers = {name: number(row[name] or "") for name in _NUMBERS}
    words = {"recording": row["recording"], "flags": row["flags"] or ""}
    return {"shot": int(row["shot"]), **words, **numbers}


def compare_exports(
    before: Iterable[Mapping[str, Any]], now: Iterable[Mapping[str, Any]]
) -> ExportDifference:
    """
    Return which shots differ between two exports.

    Recordings with the same name are compared. If each export has only one recording, these
    two recordings are compared, even if their names differ.
    """
    old, new = _by_recording(before), _by_recording(now)
    if len(old) == len(new) == 1:
        old = {next(iter(new)): next(iter(old.values()))}
    changes: list[ShotChange] = []
    for name in dict.fromkeys([*new, *old]):
        changes += _changes(name, old.get(name, []), new.get(name, []))
    changes.sort(key=lambda change: -change.size)
    counts = [sum(map(len, side.values())) for side in (old, new)]
    return ExportDifference(counts[0], counts[1], tuple(changes))


def _by_recording(rows: Iterable[Mapping[str, Any]]) -> dict[str, list[Mapping[str, Any]]]:
    found: dict[str, list[Mapping[str, Any]]] = {}
    for row in rows:
        found.setdefault(row["recording"], []).append(row)
    return found


def _changes(
    name: str, old: list[Mapping[str, Any]], new: list[Mapping[str, Any]]
) -> list[ShotChange]:
    found, i, j = [], 0, 0
    while i < len(old) or j < len(new):
        was_s = old[i]["time_s"] if i < len(old) else math.inf
        now_s = new[j]["time_s"] if j < len(new) else math.inf
        if abs(was_s - now_s) <= SAME_S:
            if _differs(old[i], new[j]):
                found.append(ShotChange(name, now_s, old[i], new[j]))
            i, j = i + 1, j + 1
        elif was_s < now_s:
            found.append(ShotChange(name, was_s, old[i], None))
            i += 1
        else:
            found.append(ShotChange(name, now_s, None, new[j]))
            j += 1
    return found


def _differs(was: Mapping[str, Any], now: Mapping[str, Any]) -> bool:
    if was["shot"] != now["shot"] or was["flags"] != now["flags"]:
        return True
    pairs = [(was[name], now[name]) for name in ("speed_mps", "U95_mps")]
    return any(math.isnan(x) != math.isnan(y) or abs(x - y) > LEAST_MPS for x, y in pairs)


def export_difference_text(found: ExportDifference) -> str:
    """Return the shots that differ between two exports as lines, the largest change first."""
    now, changed = count_text(found.now, "shot"), len(found.changes)
    if not changed:
        return f"this export has {now}; no shot differs from the earlier export"
    differ = "1 shot differs:"
    if changed > 1:
        differ = f"{changed} shots differ (the largest change is first):"
    lines = [f"this export has {now}, the earlier export has {found.before}; {differ}"]
    lines += [_line(change) for change in found.changes[:SHOWN]]
    if changed > SHOWN:
        more = count_text(changed - SHOWN, "more shot")
        largest = found.changes[SHOWN].size
        by = (
            f" by at most {three_digits(100 * largest)} % of the earlier ±"
            if math.isfinite(largest)
            else ""
        )
        lines.append(f"{more} changed{by}; to list all changes, use --json")
    return "\n".join(lines)


def _line(change: ShotChange) -> str:
    where = f"{plain(change.recording)} at {change.time_s:.3f} s: "
    if change.before is None:
        return f"{where}only in the new export: shot {_shot(change.now)}"
    if change.now is None:
        return f"{where}only in the earlier export: shot {_shot(change.before)}"
    return f"{where}shot {_shot(change.before)} → {_shot(change.now)}"


def _shot(values: Mapping[str, Any] | None) -> str:
    assert values is not None, "at least one export contains this shot"
    speed, u95 = values["speed_mps"], values["U95_mps"]
    told = "no speed" if math.isnan(speed) else f"{speed:.6f} ± {u95:.6f} m/s"
    flags = f" ({plain(values['flags'])})" if values["flags"] else ""
    return f"{values['shot']}, {told}{flags}"


def difference_data(found: ExportDifference) -> dict[str, Any]:
    """Return all shots that differ as an object for JSON; a missing shot or speed is None."""
    return {
        "shots_before": found.before,
        "shots_now": found.now,
        "changes": [
            {
                "recording": change.recording,
                "time_s": change.time_s,
                "before": _plain(change.before),
                "now": _plain(change.now),
            }
            for change in found.changes
        ],
    }


def _plain(values: Mapping[str, Any] | None) -> dict[str, Any] | None:
    if values is None:
        return None
    kept = {name: values[name] for name in ("shot", "speed_mps", "U95_mps", "flags")}
    return {name: None if value != value else value for name, value in kept.items()}
