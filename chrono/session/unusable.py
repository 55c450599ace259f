"""What could not be used of a session's lines and records, with samples to show."""

from collections.abc import Sequence
from dataclasses import dataclass

from chrono.arrays.batch import Control, Sample

SAMPLE_LIMIT = 20


@dataclass(frozen=True)
class DamagedLine:
    """A line that could not be used, with its row in the recording counted from 1."""

    row: int
    text: str
    reason: str


class Unusable:
    """
    Counts what could not be used.

    Attributes
    ----------
    lines : int
        Damaged lines and rows.
    line_samples : list of DamagedLine
        The first of them.
    records : int
        Setups and marks that are none, left out.
    record_reasons : list of str
        Of the first of them: what and when it was, and why it is none.

    Parameters
    ----------
    before : Unusable, optional
        Of the same recording, read before: its records are counted already.
    """

    def __init__(self, before: "Unusable | None" = None) -> None:
        self.lines = 0
        self.line_samples: list[DamagedLine] = []
        self.records: int = before.records if before else 0
        self.record_reasons: list[str] = list(before.record_reasons) if before else []

    def take_lines(self, count: int, samples: Sequence[Sample], rows_before: int) -> None:
        """Take the damaged lines of a batch that `rows_before` rows stand before."""
        self.lines += count
        room = max(SAMPLE_LIMIT - len(self.line_samples), 0)
        for sample in samples[:room]:
            row = rows_before + sample.row + 1
            self.line_samples.append(DamagedLine(row, sample.text, sample.reason))

    def take_record(self, record: Control, problem: ValueError) -> None:
        """Take a record that is none, and why."""
        self.records += 1
        if len(self.record_reasons) < SAMPLE_LIMIT:
            what = f"{record.origin} at {record.host_us * 1e-6:.3f} s"
            self.record_reasons.append(f"{what}: {str(problem)[:120]}")
