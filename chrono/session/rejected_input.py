"""Count the lines and records that the program could not use, and keep some examples."""

from collections.abc import Sequence
from dataclasses import dataclass

from chrono.arrays.events import LineSample, Record
from chrono.errors import ChronoError
from chrono.reader.recording_rows import kind_of
from chrono.rigs.line_kinds import LineKind
from chrono.session.troubles import BoardUnused

SAMPLE_LIMIT = 20
TELLING_LINES = 5
"""After this many damaged lines, it is certain that the board sends another kind of lines than
the rig states."""


@dataclass(frozen=True)
class DamagedLine:
    """A damaged line and its row in the recording; the first row has the number 1."""

    row: int
    text: str
    reason: str


class RejectedInput:
    """
    Counts the lines and records that the program could not use.

    Attributes
    ----------
    lines : int
        Number of damaged lines and rows.
    line_samples : list of DamagedLine
        The first damaged lines.
    records : int
        Number of invalid setups and marks. The program does not use them.
    record_reasons : list of str
        Texts about the first invalid records: the kind, the time and what is wrong.
    boards : list of BoardUnused
        Boards that reported a counter which cannot measure a shot.

    Parameters
    ----------
    before : RejectedInput, optional
        Result of an earlier reading of the same recording. Invalid records are already counted
        there.
    """

    def __init__(self, before: "RejectedInput | None" = None) -> None:
        self.lines = 0
        self.line_samples: list[DamagedLine] = []
        self.records: int = before.records if before else 0
        self.record_reasons: list[str] = list(before.record_reasons) if before else []
        self.boards: list[BoardUnused] = []

    def take_lines(self, count: int, samples: Sequence[LineSample], rows_before: int) -> None:
        """
        Count the damaged lines of a batch.

        `rows_before` is the number of rows before the batch.
        """
        self.lines += count
        room = SAMPLE_LIMIT - len(self.line_samples)
        for sample in samples[:room]:
            row = rows_before + sample.row + 1
            self.line_samples.append(DamagedLine(row, sample.text, sample.reason))

    def other_kind(self, lines: LineKind) -> LineKind | None:
        """Return the line format of the board; None if unknown or equal to the rig's format."""
        if self.lines < TELLING_LINES:
            return None
        kind = kind_of(sample.text for sample in self.line_samples)
        return None if kind == lines else kind

    def take_record(self, record: Record, problem: ValueError) -> None:
        """Count an invalid record, and store the reason why the record is invalid."""
        self.records += 1
        if len(self.record_reasons) < SAMPLE_LIMIT:
            what = f"{record.origin} at {record.host_us * 1e-6:.3f} s"
            self.record_reasons.append(f"{what}: {str(problem)[:120]}")

    def take_board(self, hello: Record, problem: ChronoError) -> None:
        """Store that the counter of a board cannot measure a shot."""
        if len(self.boards) < SAMPLE_LIMIT:
            self.boards.append(BoardUnused(hello.host_us * 1e-6, problem.message))
