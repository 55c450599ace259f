"""What could not be used of a session's lines and records, with samples to show."""

from collections.abc import Sequence
from dataclasses import dataclass

from chrono.arrays.events import LineSample, Record
from chrono.errors import ChronoError
from chrono.reader.recording_rows import kind_of
from chrono.rigs.line_kinds import LineKind
from chrono.session.troubles import BoardUnused

SAMPLE_LIMIT = 20
TELLING_LINES = 5
"""So many lines tell that a rig states another kind than the board sends."""


@dataclass(frozen=True)
class DamagedLine:
    """A line that could not be used, with its row in the recording counted from 1."""

    row: int
    text: str
    reason: str


class RejectedInput:
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
    boards : list of BoardUnused
        Boards, or what a board became, whose counter cannot tell a shot.

    Parameters
    ----------
    before : RejectedInput, optional
        Of the same recording, read before: its records are counted already.
    """

    def __init__(self, before: "RejectedInput | None" = None) -> None:
        self.lines = 0
        self.line_samples: list[DamagedLine] = []
        self.records: int = before.records if before else 0
        self.record_reasons: list[str] = list(before.record_reasons) if before else []
        self.boards: list[BoardUnused] = []

    def take_lines(self, count: int, samples: Sequence[LineSample], rows_before: int) -> None:
        """Take the damaged lines of a batch that `rows_before` rows stand before."""
        self.lines += count
        room = max(SAMPLE_LIMIT - len(self.line_samples), 0)
        for sample in samples[:room]:
            row = rows_before + sample.row + 1
            self.line_samples.append(DamagedLine(row, sample.text, sample.reason))

    def other_kind(self, lines: LineKind) -> LineKind | None:
        """Return the kind of which the lines are that are none of the rig's, if it is clear."""
        if self.lines < TELLING_LINES:
            return None
        kind = kind_of(sample.text for sample in self.line_samples)
        return None if kind == lines else kind

    def take_record(self, record: Record, problem: ValueError) -> None:
        """Take a record that is none, and why."""
        self.records += 1
        if len(self.record_reasons) < SAMPLE_LIMIT:
            what = f"{record.origin} at {record.host_us * 1e-6:.3f} s"
            self.record_reasons.append(f"{what}: {str(problem)[:120]}")

    def take_board(self, hello: Record, problem: ChronoError) -> None:
        """Take a hello that tells of a counter that cannot be used."""
        if len(self.boards) < SAMPLE_LIMIT:
            self.boards.append(BoardUnused(hello.host_us * 1e-6, problem.message))
