"""Clocking and replaying without a dashboard: a line a shot on standard output."""

import json
import sys
import time
from datetime import datetime
from pathlib import Path

from chrono.cautions import CAUTION
from chrono.reports.export import shot_records
from chrono.reports.summary import shot_line
from chrono.session.counter_rate import remeasured_words
from chrono.session.live import disk_line, much_waits
from chrono.session.recorded import Findings
from chrono.session.run import Run

POLL_S = 0.01


def default_recording() -> Path:
    """Return a name for a new recording in this folder, by the time of day."""
    return Path(f"session-{datetime.now():%Y%m%d-%H%M%S}.tsv")


def print_shots(run: Run, shots: int | None, as_json: bool, findings: Findings) -> None:
    """
    Drive a run to its end, printing each shot when it is final.

    Parameters
    ----------
    run : Run
        Not started yet; it is closed in the end.
    shots : int or None
        Stop after so many shots; None for no limit. Ctrl+C stops as well.
    as_json : bool
        Print JSON objects, one a line, with the columns of the export.
    findings : Findings
        Takes what went wrong on the way.

    Raises
    ------
    PortError
        If the port cannot be opened, or no board speaks on it.
    """
    if run.live:
        tell(CAUTION)
    run.start()
    printed, remeasured_us, disk = 0, None, DiskTeller()
    try:
        while not run.finished and (shots is None or printed < shots):
            if not run.step():
                time.sleep(POLL_S)
            complaint = run.complaint()
            if complaint:
                run.give_up()
                raise complaint
            if run.remeasured_us != remeasured_us:
                remeasured_us = run.remeasured_us
                tell(remeasured_words(run.session))
            printed = _print_from(run, printed, as_json)
            disk.look(run)
    except KeyboardInterrupt:
        tell("stopped")
    finally:
        findings.lines += run.close()
    _print_from(run, printed, as_json)


class DiskTeller:
    """Says once when a disk is in trouble, when much waits for it, and when all is well."""

    def __init__(self) -> None:
        self._known: tuple[str | None, bool] = (None, False)

    def look(self, run: Run) -> None:
        """Say what has changed."""
        writer = run.writer
        if writer is None:
            return
        now = writer.trouble, writer.trouble is not None and much_waits(writer)
        if now != self._known:
            self._known = now
            tell(f"disk: {disk_line(writer) or 'all is written'}")


def tell(text: str) -> None:
    """Say something that is no result."""
    print(text, file=sys.stderr, flush=True)


def _print_from(run: Run, start: int, as_json: bool) -> int:
    session = run.session
    part = slice(start, len(session.log))
    if part.start == part.stop:
        return start
    if as_json:
        for record in shot_records(session, run.name, part):
            print(json.dumps(record, allow_nan=False), flush=True)
    else:
        for row in session.rows_of(part):
            print(shot_line(row, session.rig.speed_unit), flush=True)
    return part.stop
