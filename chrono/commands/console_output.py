"""Print one line per shot on standard output if there is no dashboard."""

import json
import sys
from collections.abc import Callable, Iterator
from contextlib import suppress
from datetime import datetime
from itertools import count
from pathlib import Path

from chrono.cautions import CAUTION
from chrono.commands.output_streams import abandon_output, why
from chrono.commands.stop_signals import noted_signals
from chrono.reader.recording_writer import RecordingWriter
from chrono.reports.clock_text import remeasured_words
from chrono.reports.export_table import shot_records
from chrono.reports.findings_text import Findings
from chrono.reports.summary_text import session_end_lines, shot_line
from chrono.reports.trouble_text import disk_line, restarts_words, waiting_words
from chrono.safe_text import plain
from chrono.session.run import Run, turns


def default_recording() -> Path:
    """Return an unused file name for a new recording, made from the date and the time."""
    stem = f"session-{datetime.now():%Y%m%d-%H%M%S}"
    names = (Path(f"{stem}{'' if n == 1 else f'-{n}'}.tsv") for n in count(1))
    return next(path for path in names if not path.exists())


def print_shots(
    run: Run,
    shots: int | None,
    as_json: bool,
    findings: Findings,
    look_after: Callable[[], None] = lambda: None,
) -> None:
    """
    Run a session to its end, and print each complete shot.

    Parameters
    ----------
    run : Run
        A run that has not started yet. This function closes the run at the end.
    shots : int or None
        Stop after this many whole shots; None for no limit. Ctrl+C and the signals that end
        programs also stop the run.
    as_json : bool
        Print JSON objects, one per line, with the columns of the export.
    findings : Findings
        Collects the problems of the run.
    look_after : callable, optional
        Function that is called once in each turn of the loop, for other work.

    Raises
    ------
    PortError
        If the port cannot be opened, or if no board answers on this port.
    """
    if run.near_launches:
        tell(CAUTION)
    run.start()
    results, teller = ShotPrinter(run, shots, as_json), RunReporter()
    with noted_signals() as ending:
        try:
            run.session.make_ready()
            for _ in turns(run):
                results.print_new()
                teller.look(run)
                look_after()
                if ending.asked or results.done:
                    break
        finally:
            if words := waiting_words(run.waiting_s):
                tell(words)
            findings.take(run.close())
        if ending.asked:
            tell("stopped")
        results.print_new()
        findings.lines += results.troubles
    if run.live:
        print_session_end(run)


def print_session_end(run: Run) -> None:
    """Print the number of shots and the name of the recording at the end of a session."""
    path = run.writer.path if run.writer is not None else None
    tell("\n".join(session_end_lines(run.session, path)))


class ShotPrinter:
    """
    Print each shot of a session exactly once on standard output.

    Parameters
    ----------
    run : Run
    limit : int or None
        Print no more shots than this.
    as_json : bool
        Print JSON objects instead of lines for people.

    Attributes
    ----------
    troubles : list of str
        The reasons why shots can no longer be printed. The run continues.
    """

    def __init__(self, run: Run, limit: int | None, as_json: bool) -> None:
        self._run, self._as_json = run, as_json
        self._printed = run.shots_before
        self._limit = None if limit is None else run.shots_before + limit
        self.troubles: list[str] = []

    @property
    def done(self) -> bool:
        """True if all wanted shots are printed, and no shot is in progress."""
        if self._limit is None or self._printed < self._limit:
            return False
        return not self._run.in_a_shot

    def print_new(self) -> None:
        """Print all complete shots that are not printed yet."""
        end = len(self._run.session.log)
        if self._limit is not None:
            end = min(end, self._limit)
        part, self._printed = slice(self._printed, end), max(self._printed, end)
        if part.start >= part.stop or self.troubles:
            return
        try:
            for line in self._lines(part):
                print(line, flush=True)
        except OSError as error:
            abandon_output()
            kept = "; all shots are in the recording" if self._run.writer is not None else ""
            trouble = f"the program can no longer print shots: {why(error)}{kept}"
            self.troubles.append(trouble)
            tell(trouble)

    def _lines(self, part: slice) -> Iterator[str]:
        session, writer = self._run.session, self._run.writer
        if self._as_json:
            for record in shot_records(session, self._run.name, part):
                yield json.dumps(record, allow_nan=False)
            return
        unsaved = (
            "  (not saved on the disk yet)" if writer is not None and writer.trouble else ""
        )
        for row in session.rows_of(part):
            yield shot_line(row, session.rig.speed_unit) + unsaved


class RunReporter:
    """Print one message for each change of the disk, the link, the board and the speeds."""

    def __init__(self) -> None:
        self._trouble: str | None = None
        self._told_bytes = 0
        self._waits = False
        self._restarts: int | None = None
        self._moves = 0
        self._link = "open"
        self._remeasured_us: int | None = None

    def look(self, run: Run) -> None:
        """Report everything that has changed since the last call."""
        if run.remeasured_us != self._remeasured_us:
            self._remeasured_us = run.remeasured_us
            tell(remeasured_words(run.session))
        if run.near_launches:
            self._look_at_link(run)
        self._look_at_board(run.session.processor.tally.restarts)
        if run.writer is not None:
            self._look_at_disk(run.writer)
            self._look_at_wait(waiting_words(run.waiting_s))

    def _look_at_link(self, run: Run) -> None:
        """Report when the link is lost, and when the board sends data again."""
        status = run.status
        is_back = status.state == "open" and status.answered
        if status.state == self._link or not (is_back or status.state in {"lost", "failed"}):
            return
        self._link = status.state
        reason = f": {plain(status.reason)}" if status.reason and not is_back else ""
        word = "found again" if is_back else status.state
        what = "link" if run.live else "recording"
        tell(f"the {what} is now {word} ({plain(status.port)}){reason}")

    def _look_at_disk(self, writer: RecordingWriter) -> None:
        """Report a disk problem; repeat the report when the waiting data have doubled."""
        for move in writer.moves[self._moves :]:
            tell(f"the recording continues in another file: {plain(move)}")
        self._moves = len(writer.moves)
        has_grown = writer.pending_bytes >= 2 * self._told_bytes
        if writer.trouble != self._trouble or (writer.trouble is not None and has_grown):
            self._trouble, self._told_bytes = writer.trouble, max(writer.pending_bytes, 1000)
            is_well = writer.trouble is None
            tell(f"state of the disk: {'all data are saved' if is_well else disk_line(writer)}")

    def _look_at_board(self, restarts: int) -> None:
        """Report a restart of the board after the recording was begun or resumed."""
        if self._restarts is not None and restarts > self._restarts:
            tell(
                f"{restarts_words(restarts)}: a shot during the restart may be shown as two "
                "shots"
            )
        self._restarts = restarts

    def _look_at_wait(self, words: str) -> None:
        """Report that shots begin to wait for the disk, or that the disk has stored them."""
        if bool(words) != self._waits:
            self._waits = bool(words)
            tell(f"state of the disk: {words or 'all data are saved'}")


def tell(text: str) -> None:
    """Print a message on standard error; do nothing if standard error is closed."""
    with suppress(OSError, ValueError):
        print(text, file=sys.stderr, flush=True)
