"""Running a command in this process, a clear complaint, and shots that are kept as printed."""

import re
from typing import Any


def without_progress(told: str) -> str:
    """Return what a command told, without the lines of progress that a busy machine gets."""
    return re.sub(r"chrono: \d+ of \d+ recordings are done; .*\n", "", told)


class Outcome:
    """What a command left: exit code and both outputs."""

    def __init__(self, code: int, out: str, err: str) -> None:
        self.code, self.out, self.err = code, out, err


def is_one_clear_complaint(outcome: Outcome, *words: str) -> None:
    """Exit code 2, one complaint with these words and a hint, no traceback, no result."""
    lines = outcome.err.splitlines()
    complaints = [line for line in lines if line.startswith("chrono: error: ")]

    assert outcome.code == 2, outcome.err
    assert "Traceback" not in outcome.err
    assert len(complaints) == 1, outcome.err
    assert any(line.startswith("  do: ") for line in lines), outcome.err
    for word in words:
        assert word in outcome.err
    assert outcome.out == ""


def are_kept(printed: list[dict[str, Any]], kept: list[dict[str, Any]]) -> bool:
    """
    Whether a recording begins with the shots that were printed live, as objects of JSON.

    A busy machine reads a line late. The program finds that out by the next shot, and puts the
    time of the shot before earlier. Nothing else of a shot may change, and no time to later.
    """
    times = ("time_s", "time_utc")
    return len(printed) <= len(kept) and all(
        {**before, **{name: after[name] for name in times}} == after
        and all(before[name] >= after[name] for name in times)
        for before, after in zip(printed, kept, strict=False)
    )
