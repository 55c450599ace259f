"""Make texts about the state of a session: a status line, and one line for each problem."""

from __future__ import annotations

import shlex
from typing import TYPE_CHECKING, cast

from rich.text import Text

from chrono.dashboard.clipped_text import fit
from chrono.reports.setup_words import count_text, span_text
from chrono.reports.trouble_text import disk_line, restarts_words, waiting_words
from chrono.safe_text import plain

if TYPE_CHECKING:
    from chrono.measuring.measured_slope import MeasuredSlope
    from chrono.reader.port_reader import LinkStatus
    from chrono.session.replay_run import ReplayRun
    from chrono.session.run import OperatorEdits, Run

NAME_CELLS = 28


def status_line(run: Run) -> Text:
    """Return one line: the recording, the link or the replay, damaged lines, and the clock."""
    parts = [_recording(run)]
    if run.replayed:
        parts.append(_replay(cast("ReplayRun", run)))
    elif run.followed:
        parts.append(_followed(run))
    elif run.live:
        parts.append(_link(run))
    parts += [*_counts(run), *_clock(run)]
    return Text(" · ").join(parts)


def urgent_lines(run: Run, slope: MeasuredSlope | None = None) -> list[str]:
    """Return one line of text for each urgent problem, the worst problem first."""
    lines = [_disk(run), _port(run), _slope(slope)]
    if run.session.on_hold and not run.finished:
        lines.append("ON HOLD: edges are recorded, shots are not counted")
    return [plain(line) for line in lines if line]


def _recording(run: Run) -> Text:
    if run.writer is not None:
        name = fit(run.writer.path.name, NAME_CELLS)
        if run.writer.trouble is not None:
            return Text.assemble(("NOT WRITTEN ", "bold red"), (name, "bold"))
        if run.finished:
            return Text.assemble("Recorded ", (name, "bold"))
        return Text.assemble(("REC ", "bold red"), (name, "bold"))
    if run.live:
        return Text.assemble(("not recorded ", "yellow"), (fit(run.name, NAME_CELLS), "bold"))
    if run.followed:
        return Text.assemble("Recording ", (fit(run.name, NAME_CELLS), "bold"))
    return Text.assemble("Replay of ", (fit(run.name, NAME_CELLS), "bold"), _edits(run.edits))


def _edits(edits: OperatorEdits | None) -> tuple[str, str]:
    """Return a text about where the operator's entries are stored, or an empty text."""
    if edits is None or edits.target is None:
        return "", ""
    if edits.in_copy:
        return f", entries are saved in {fit(edits.target.name, NAME_CELLS)}", "yellow"
    return ", entries are saved in this file", "yellow"


def _replay(run: ReplayRun) -> Text:
    source = run.source
    if source.finished:
        return Text("at the end")
    seen, all_ = run.shots_shown, len(run.recorded.log)
    shots = f"{seen} of {count_text(all_, 'shot')}"
    place = f"{source.now_us() * 1e-6:.1f} s, {100 * run.progress:.0f} %, {shots}"
    if source.paused:
        return Text.assemble(("paused", "bold yellow"), f", {source.pace:g}×, at {place}")
    return Text(f"{source.pace:g}× at {place}")


def _followed(run: Run) -> Text:
    status = run.status
    if status.state != "open":
        word = "lost" if status.state == "lost" else "file is not read"
        return Text.assemble((word, "bold red"))
    if run.unwritten:
        return Text("finished: no program writes to this file")
    if status.silent:
        return Text.assemble((f"nothing new for {span_text(status.silent_s)}", "yellow"))
    return Text.assemble(("followed", "green"), " while it grows")


def _link(run: Run) -> Text:
    status = run.status
    if run.limit_reached:
        return Text("all requested shots are recorded", "green")
    if status.state != "open":
        return Text.assemble((f"link {status.state}", "bold red"))
    text = Text.assemble("link ", ("open", "green"))
    if status.losses:
        times = "once" if status.losses == 1 else f"{status.losses} times"
        text.append(f", lost {times}", "yellow")
    return text


def _clock(run: Run) -> list[Text]:
    """
    Return a text about the rate of the counter if the computer's clock measures this rate.
    """
    rate = run.session.host_rate
    if rate is not None:
        from chrono.reports.clock_text import rate_text

        text = Text(f"clock {rate_text(rate)}")
        if run.remeasured_us is not None:
            text.append(
                f", speeds were computed again after {run.remeasured_us * 1e-6:.0f} s",
                "yellow",
            )
        return [text]
    if not run.session.rig.clock.from_host:
        return []
    known = "rate cannot be computed from the beats" if run.finished else "rate not known yet"
    return [Text.assemble((f"clock {known}", "yellow"))]


def _counts(run: Run) -> list[Text]:
    tally = run.session.processor.tally
    counts = (
        (run.session.unusable.lines, "damaged"),
        (tally.lost_lines, "lost"),
    )
    words = [f"{count} {word}" for count, word in counts if count]
    parts = [Text.assemble((f"lines: {', '.join(words)}", "yellow"))] if words else []
    if run.session.unusable.records:
        parts.append(
            Text.assemble(
                (f"setups and marks not used: {run.session.unusable.records}", "yellow")
            )
        )
    if tally.restarts:
        from chrono.reports.restart_text import cause_words

        causes = cause_words(tally.causes)
        restarts = restarts_words(tally.restarts) + (f" ({causes})" if causes else "")
        parts.append(Text.assemble((restarts, "yellow")))
    if run.session.lamps:
        trips = ", ".join(f"{lamp.gate} {lamp.trips}" for lamp in run.session.lamps)
        parts.append(Text.assemble((f"gate signals caused by a lamp: {trips}", "yellow")))
    if tally.board_lost:
        lost = count_text(tally.board_lost, "edge")
        parts.append(Text.assemble((f"the board lost {lost}", "yellow")))
    return parts


def _disk(run: Run) -> str:
    writer, waiting = run.writer, waiting_words(run.waiting_s)
    if waiting:
        return f"DISK: {waiting}"
    if writer is None or not (writer.trouble or writer.moves):
        return ""
    if writer.trouble is None:
        return f"FILE: {disk_line(writer)}"
    more = "The measurement continues. Make space on the disk, or press w for another file"
    return f"DISK: {disk_line(writer)}. {more}"


def _slope(slope: MeasuredSlope | None) -> str:
    if slope is None or not slope.contradicts:
        return ""
    from chrono.reports.rig_evidence_text import slope_doubt

    return f"SLOPE: {slope_doubt(slope)}"


def _port(run: Run) -> str:
    status = run.status
    if run.followed:
        return _followed_trouble(status)
    if not run.live:
        return ""
    if status.state == "lost":
        why = f": {status.reason}" if status.reason else ""
        return f"LINK LOST: {status.port}{why}. {_ways_back(run)}"
    if status.state == "failed":
        return f"READING ENDED: {status.reason}"
    complaint = run.complaint()
    if complaint is not None:
        return f"{complaint.message}: {complaint.hint}"
    if status.silent and run.session.rig.lines.has_beats:
        return f"SILENT for {status.silent_s:.0f} s: {_awaited(run)}"
    return ""


def _ways_back(run: Run) -> str:
    """Return advice for a lost link to the board. The board's port may have a new name."""
    appeared = run.status.appeared
    if not appeared:
        return "Check the cable and the power. The program tries again"
    words = f"New port: {', '.join(appeared)}"
    if run.writer is None:
        return f"{words}. To continue, quit and start chrono clock with this port"
    line = f"chrono clock {appeared[0]} --resume {shlex.quote(str(run.writer.path))}"
    return f"{words}. To continue, quit and type: {line}"


def _awaited(run: Run) -> str:
    """Return a text about shots that may still change, because the board sends no data now."""
    waiting = run.session.open_rows()
    if not waiting:
        return "the board sends nothing"
    if len(waiting) == 1:
        return f"shot {waiting[0].number} waits for data from the board"
    return f"{len(waiting)} shots wait for data from the board"


def _followed_trouble(status: LinkStatus) -> str:
    if status.state == "lost":
        return f"RECORDING NOT READ: the file {status.reason}. The program will try again"
    if status.state == "failed":
        return f"READING ENDED: the recording {status.reason}"
    return ""
