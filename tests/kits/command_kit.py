"""Running a command in this process, and what a clear complaint looks like."""


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
