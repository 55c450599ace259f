"""Why shots do not enter the statistics, and how many for each reason."""

from collections import Counter
from typing import Any

import numpy as np

from chrono.plain import plain
from chrono.processor.table import NEVER_COUNTED, flag_words
from chrono.reports.physical import filled
from chrono.session.session import Session

SHOWN_REASONS = 6


def uncounted(session: Session) -> list[tuple[str, int]]:
    """Return the reasons, the most frequent first, and how many shots each keeps out."""
    found: Counter[str] = Counter()
    for part in session.log.chunks():
        out = np.flatnonzero(~session.counted(part))
        if not len(out):
            continue
        shots = session.log.shots[part][out]
        said = session.marks.at(shots["key"])
        for place, flags in enumerate(shots["flags"].tolist()):
            mark = said.marks.get(place)
            if mark is not None and mark.counted is False:
                found[f"set aside: {mark.reason}" if mark.reason else "set aside"] += 1
            else:
                found[_reason(int(flags), bool(said.held[place]))] += 1
    return sorted(found.items(), key=lambda item: (-item[1], item[0]))


def _reason(flags: int, held: bool) -> str:
    """Return what keeps a shot out of which nobody said that it should not count."""
    never = flag_words(flags & int(NEVER_COUNTED))
    if never:
        return ", ".join(never)
    if held:
        return "on hold"
    words = ", ".join(flag_words(flags))
    return f"no speed ({words})" if words else "no speed"


def uncounted_lines(session: Session) -> list[str]:
    """Return why shots do not count as lines for a terminal, none if all do."""
    reasons = uncounted(session)
    if not reasons:
        return []
    words = [f"{count} {plain(reason)}" for reason, count in reasons[:SHOWN_REASONS]]
    rest = sum(count for _, count in reasons[SHOWN_REASONS:])
    words += [f"{rest} for other reasons"] if rest else []
    return filled(f"not counted: {'; '.join(words)}")


def uncounted_data(session: Session) -> list[dict[str, Any]]:
    """Return what `uncounted_lines` shows, all of it, as objects for JSON."""
    return [{"reason": reason, "shots": count} for reason, count in uncounted(session)]
