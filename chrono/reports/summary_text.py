"""Write the summary of recordings as text and for JSON, and the last lines of a session."""

import math
from collections import Counter
from pathlib import Path
from typing import Any

import numpy as np

from chrono.measuring.scatter import Scatter
from chrono.measuring.series_statistics import Series, s_interval
from chrono.processor.shot_records import NEVER_COUNTED, flag_words
from chrono.reports.clock_text import rate_text
from chrono.reports.findings_text import clock_doubt, unread_line
from chrono.reports.launch_text import filled
from chrono.reports.motion_text import mouth_source_lines, muzzle_data, muzzle_details
from chrono.reports.restart_text import cause_words
from chrono.reports.rig_evidence_text import (
    blocking_data,
    blocking_details,
    rate_data,
    rig_doubt_lines,
    slope_data,
    timing_data,
    timing_lines,
    trend_data,
)
from chrono.reports.rig_text import rigs_taken_data, rigs_taken_text
from chrono.reports.setup_words import (
    conditions_text,
    count_text,
    mean_text,
    setup_text,
    three_digits,
    two_digits,
)
from chrono.reports.statistics_text import (
    Detail,
    detail,
    detail_lines,
    drift_data,
    drift_details,
    finite,
    mean_details,
    motion_data,
    motion_details,
    range_details,
    scatter_data,
    scatter_details,
    series_data,
    table_lines,
)
from chrono.reports.trouble_text import lamp_text
from chrono.rigs.rig_model import Rig
from chrono.safe_text import plain
from chrono.session.pooled_samples import PooledRecordings, PooledSetup
from chrono.session.recording_loader import LoadedRecording
from chrono.session.session import Session
from chrono.session.session_summary import SessionTotals, SetupSummary, Summary
from chrono.session.shot_log import ShotRow
from chrono.session.troubles import LampSeen
from chrono.units import format_speed, speed_in

SHOWN_REASONS = 6

NOTICEABLE = 0.3
"""If the gates scatter by less than this part of the launcher's s, they change s by less than
5 %."""


def uncounted(session: Session) -> list[tuple[str, int]]:
    """Return why shots are not counted: each reason with its number of shots, largest first."""
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
    """Return why the program (not the user) does not count a shot."""
    never = flag_words(flags & int(NEVER_COUNTED))
    if never:
        return ", ".join(never)
    if held:
        return "on hold"
    words = ", ".join(flag_words(flags))
    return f"no speed ({words})" if words else "no speed"


def uncounted_lines(session: Session) -> list[str]:
    """Return the reasons why shots are not counted, as lines for a terminal."""
    reasons = uncounted(session)
    if not reasons:
        return []
    words = [f"{count} {plain(reason)}" for reason, count in reasons[:SHOWN_REASONS]]
    rest = sum(count for _, count in reasons[SHOWN_REASONS:])
    words += [f"{rest} for other reasons"] if rest else []
    return filled(f"not counted: {'; '.join(words)}")


def uncounted_data(session: Session) -> list[dict[str, Any]]:
    """Return all reasons why shots are not counted, as objects for JSON."""
    return [{"reason": reason, "shots": count} for reason, count in uncounted(session)]


ALL_SETUPS = "all setups"
SHOWN_NOTES = 20


def shot_line(row: ShotRow, unit: str) -> str:
    """Return one shot as a line for a terminal; the ± of its speed has 95 % coverage."""
    words = [*row.flags]
    if not row.counted:
        words.append("not counted")
    if row.note:
        words.append(plain(row.note))
    speed = format_speed(row.speed_mps, row.U95_mps, unit)
    line = (
        f"{row.number:>4}  {row.time_s:>9.3f} s  {speed:<24}"
        f"  {plain(row.setup):<14}  {', '.join(words)}"
    )
    return line.rstrip()


def summary_data(summary: Summary) -> dict[str, Any]:
    """Return the summary of one recording as an object for JSON, with speeds in m/s."""
    recorded, session = summary.recorded, summary.recorded.session
    tally, evidence = session.processor.tally, summary.evidence
    return {
        "recording": recorded.name,
        "rig": session.rig.name,
        "started": session.started,
        "shots": len(session.log),
        "counted": summary.counted,
        "not_counted": uncounted_data(session),
        "setups": [_setup_data(each) for each in summary.setups],
        "session": _whole_data(summary.whole),
        "timing": timing_data(evidence.timing),
        "slope": slope_data(evidence.slope),
        "trends": trend_data(evidence.trends),
        "counter_rate": rate_data(evidence.rate),
        "rows": session.rows,
        "damaged_lines": session.unusable.lines,
        "lost_lines": tally.lost_lines,
        "board_lost_edges": tally.board_lost,
        "restarts": tally.restarts,
        "restart_causes": {str(cause or "unreported"): n for cause, n in tally.causes.items()},
        "lamps": [_lamp_data(lamp) for lamp in session.lamps],
        "notes": session.marks.notes,
        "unread_records": session.unusable.records,
        "left_out": recorded.left_out,
        "clock": _clock_data(session),
        "clock_doubt": clock_doubt(recorded),
    }


def _lamp_data(lamp: LampSeen) -> dict[str, Any]:
    frequency = finite({"frequency_hz": lamp.frequency_hz})
    return {"gate": lamp.gate, "trips": lamp.trips, **frequency}


def _clock_data(session: Session) -> dict[str, Any] | None:
    """Return the measured error of the counter's rate; None if it was not measured."""
    rate = session.host_rate
    if rate is None:
        return None
    return {"rate_error": rate.rate_error, "u": rate.u, "U95": rate.U95, "beats": rate.beats}


def summary_text(summary: Summary) -> str:
    """Return the summary of one recording as lines for a terminal: a table, then details."""
    recorded, session, evidence = summary.recorded, summary.recorded.session, summary.evidence
    shots = f"{count_text(len(session.log), 'shot')}, {summary.counted} counted"
    lines = filled(f"{plain(recorded.name)}: {shots}", 0)
    lines += uncounted_lines(session)
    lines += filled(f"rig {plain(session.rig.name)}")
    if session.started:
        lines.append(f"  started {plain(session.started)}")
    lines += _table(summary, session.rig.speed_unit)
    for each in summary.setups:
        lines += ["", *_setup_lines(each, session.rig)]
    if summary.whole is not None and len(summary.setups) > 1:
        lines += ["", *_whole_lines(summary.whole, session.rig.speed_unit)]
    lines += mouth_source_lines([s.mouth for s in summary.setups if s.mouth], session.rig)
    lines += ["", *timing_lines(evidence.timing)] if evidence.timing else []
    lines += rig_doubt_lines(evidence.slope, evidence.trends, evidence.rate)
    lines += _rest(summary)
    return "\n".join(lines)


def _table(summary: Summary, unit: str) -> list[str]:
    rows = [(setup_text(s.name), s.series) for s in summary.setups if s.series]
    if summary.whole is not None and len(rows) > 1:
        rows.append((ALL_SETUPS, summary.whole.series))
    if not rows:
        return []
    return ["", *table_lines(rows, unit), "  ± and ranges in brackets have 95 % coverage"]


def _rest(summary: Summary) -> list[str]:
    """Return the last lines of a summary: notes, rate of the counter, problems of the data."""
    recorded, session = summary.recorded, summary.recorded.session
    lines = _note_lines(session.marks.notes)
    if session.host_rate is not None:
        lines += filled(f"the beats show that the counter runs {rate_text(session.host_rate)}")
    lines += trouble_lines(recorded)
    if session.unusable.records:
        lines += filled(unread_line(session))
    return ["", *lines] if lines else []


def _setup_data(found: SetupSummary) -> dict[str, Any]:
    data = {"setup": found.name, "conditions": found.conditions}
    if found.series is None:
        return {**data, "counted": 0}
    return {
        **data,
        **series_data(found.series),
        **scatter_data(found.scatter),
        **motion_data(found.motion),
        **blocking_data(found.blocking),
        "chords_s_mps": found.hidden.chords_mps if found.hidden else None,
        "bounce_noise_s_mps": found.hidden.noise_mps if found.hidden else None,
        **muzzle_data(found.mouth),
    }


def _whole_data(whole: SessionTotals | None) -> dict[str, Any] | None:
    """Return the statistics of all counted shots of a session as an object for JSON."""
    if whole is None:
        return None
    within = {"s_within_mps": whole.s_within_mps, "within_dof": whole.within_dof}
    return {
        **series_data(whole.series),
        **finite(within),
        "slowest_shot": whole.slowest,
        "fastest_shot": whole.fastest,
        **drift_data(whole.drift),
    }


def _setup_lines(found: SetupSummary, rig: Rig) -> list[str]:
    lines = filled(setup_text(found.name))
    details = setup_details(found, rig)
    return [*lines, *(detail_lines(details) if details else ["    no counted shots"])]


def setup_details(found: SetupSummary, rig: Rig) -> list[Detail]:
    """Return details of a setup as labels with sentences; none if no shot is counted."""
    unit, series = rig.speed_unit, found.series
    if series is None:
        return []
    conditions = conditions_text(found.conditions)
    return [
        *mean_details(series, unit),
        *scatter_details(series, found.scatter, unit),
        *_hidden_details(found, unit),
        *blocking_details(found.blocking),
        *_motion_details(found, series, rig),
        *(detail("conditions", conditions) if conditions else []),
    ]


def _motion_details(found: SetupSummary, series: Series, rig: Rig) -> list[Detail]:
    """Return sentences about the energy and the speed at the mouth at the mean speed."""
    if found.motion is None:
        return detail(
            "motion",
            f"no energy is computed, because the shots have {found.bodies} different bodies. "
            "Give the setup of each body a name of its own",
        )
    return [
        *motion_details(found.motion, rig.speed_unit),
        *muzzle_details(found.mouth, rig, series.mean_mps),
    ]


def _hidden_details(found: SetupSummary, unit: str) -> list[Detail]:
    """Return sentences about the scatter that the gates may cause."""
    scatter, hidden = found.scatter, found.hidden
    if scatter is None or hidden is None or not scatter.launcher_high_mps > 0:
        return []
    texts = []
    if hidden.chords_mps:
        texts.append(
            "most shots have one pair of edges. If bodies cross the beams at different "
            "heights, the gates cause a scatter of "
            f"{_left_to_launcher(scatter, hidden.chords_mps, unit)}"
        )
    beyond_mps = math.sqrt(max(hidden.noise_mps**2 - scatter.instrument_s_mps**2, 0.0))
    if beyond_mps > NOTICEABLE * scatter.launcher_s_mps:
        texts.append(
            f"edges bounced in {hidden.bounced} of {count_text(hidden.shots, 'shot')}. Slow "
            "noise can also move the edges of the other shots. If it does, the gates cause a "
            f"scatter of {_left_to_launcher(scatter, beyond_mps, unit)}"
        )
    return detail("gates", *texts) if texts else []


def _left_to_launcher(scatter: Scatter, gates_mps: float, unit: str) -> str:
    """Return the scatter that the gates may cause, and limits of the launcher's scatter."""
    left_mps = math.sqrt(max(scatter.launcher_s_mps**2 - gates_mps**2, 0.0))
    gates, least, most = (
        two_digits(speed_in(unit, each))
        for each in (gates_mps, left_mps, scatter.launcher_s_mps)
    )
    return f"{gates}, and the launcher causes {least} to {most}"


def _whole_lines(whole: SessionTotals, unit: str) -> list[str]:
    """Return range, s inside the setups, and drift of all setups together."""
    details = range_details(whole.series, whole.slowest, whole.fastest, unit)
    if whole.within_dof:
        low, high = s_interval(whole.s_within_mps, whole.within_dof + 1)
        values = [speed_in(unit, value) for value in (whole.s_within_mps, low, high)]
        span = f"({two_digits(values[1])} … {two_digits(values[2])})"
        s = f"{three_digits(values[0])} {unit} {span}"
        details += detail("s", f"{s} within setups")
    else:
        details += detail(
            "s", "not known, because no setup has two shots. The mean also has no ±"
        )
    details += drift_details(whole.drift, unit)
    return [f"  {ALL_SETUPS}", *detail_lines(details)]


def _note_lines(notes: list[str]) -> list[str]:
    shown = notes[-SHOWN_NOTES:]
    lines = [line for note in shown for line in filled(f"note: {plain(note)}")]
    earlier = len(notes) - len(shown)
    if not earlier:
        return lines
    return [f"  use --json to see {count_text(earlier, 'earlier note')}", *lines]


def trouble_lines(recorded: LoadedRecording) -> list[str]:
    """Return the problems of a recording's data, as lines for a terminal."""
    lines, lamps, rest = _trouble_parts(recorded)
    return [
        *(f"  {line}" for line in lines),
        *(line for lamp in lamps for line in filled(lamp)),
        *(f"  {line}" for line in rest),
    ]


def trouble_sentences(recorded: LoadedRecording) -> list[str]:
    """Return the problems of a recording's data, one sentence each."""
    return [line for part in _trouble_parts(recorded) for line in part]


def _trouble_parts(recorded: LoadedRecording) -> tuple[list[str], list[str], list[str]]:
    """Return sentences about damaged or lost data, lamps, and unused data."""
    tally = recorded.session.processor.tally
    counts = (
        (recorded.session.unusable.lines, "damaged line", ", not used"),
        (tally.lost_lines, "line", " of the board did not reach the computer"),
        (tally.board_lost, "edge", " lost on the board"),
        (tally.restarts, "restart", f" of the board{_by(cause_words(tally.causes))}"),
    )
    lines = [f"{n} {what}{'s' * (n > 1)}{where}" for n, what, where in counts if n]
    lamps = [lamp_text(lamp) for lamp in recorded.session.lamps]
    rest = (
        [f"incomplete end of the recording: {recorded.left_out}"] if recorded.left_out else []
    )
    return lines, lamps, rest


def _by(causes: str) -> str:
    return f": {causes}" if causes else ""


SHOWN_RECORDINGS = 6


def pooled_text(pooled: PooledRecordings) -> str:
    """Return the combined results of several recordings as lines: a table, then details."""
    number = sum(setup.series.n for setup in pooled.setups)
    few = count_text(len(pooled.recordings), "recording")
    lines = filled(f"{few} with {count_text(number, 'counted shot')} together", 0)
    lines += filled(rigs_taken_text(pooled.rigs))
    lines += filled(
        "all recordings have the same rig, so the error that all shots share counts only once"
        if len(pooled.rigs.recordings) == 1
        else "the shots of one rig share an error; a rig with more shots counts more"
    )
    if pooled.setups:
        rows = [(setup_text(setup.name), setup.series) for setup in pooled.setups]
        lines += ["", *table_lines(rows, pooled.unit)]
    for setup in pooled.setups:
        lines += ["", *filled(setup_text(setup.name))]
        lines += detail_lines(_details(setup, pooled.unit))
    return "\n".join(lines)


def pooled_data(pooled: PooledRecordings) -> dict[str, Any]:
    """Return the combined results of several recordings as an object for JSON, in m/s."""
    return {
        "recordings": list(pooled.recordings),
        "rigs": rigs_taken_data(pooled.rigs),
        "setups": [_pooled_setup_data(setup) for setup in pooled.setups],
    }


def _pooled_setup_data(setup: PooledSetup) -> dict[str, Any]:
    return {
        "setup": setup.name,
        **series_data(setup.series),
        "from": setup.counted,
        "rigs": len(setup.rigs),
        "between_recordings": finite({"p_value": setup.differing_p}),
    }


def _details(setup: PooledSetup, unit: str) -> list[Detail]:
    series = setup.series
    details = mean_details(series, unit)
    if series.n > 1:
        low, high = s_interval(series.s_mps, series.n)
        s, low, high = (speed_in(unit, value) for value in (series.s_mps, low, high))
        details += detail(
            "s", f"{three_digits(s)} {unit} ({two_digits(low)} … {two_digits(high)})"
        )
    shown = list(setup.counted.items())[:SHOWN_RECORDINGS]
    told = ", ".join(f"{plain(name)} {n}" for name, n in shown)
    more = len(setup.counted) - len(shown)
    details += detail("from", told + (f" and {more} more" if more else ""))
    if not math.isnan(setup.differing_p):
        details += detail("recordings", *_between_texts(setup))
    return details


def _between_texts(setup: PooledSetup) -> list[str]:
    number = "p < 0.001" if setup.differing_p < 0.001 else f"p = {setup.differing_p:.2g}"
    if not setup.differ:
        return [f"the shots show no difference between the recordings ({number})"]
    return [
        f"the recordings differ by more than the scatter of their shots can cause ({number})",
        "the ± is valid for these shots only; on another day the recordings may differ more",
    ]


def session_end_lines(session: Session, recording: Path | None) -> list[str]:
    """
    Return lines with the file, the number of shots, the means, and the next command.

    Parameters
    ----------
    session : Session
        The session, after its end.
    recording : Path or None
        The file of the session; None if nothing was recorded.
    """
    name = plain(str(recording)) if recording is not None else "not recorded"
    counted = int(session.counted().sum())
    lines = [f"{name}: {count_text(len(session.log), 'shot')}, {counted} counted"]
    for setup in session.setups.names:
        series = session.series(setup)
        if series is not None:
            word, mean = mean_text(series, session.rig.speed_unit)
            lines.append(f"  {setup_text(setup)}: n {series.n}, {word} {mean}")
    if recording is not None:
        lines.append(f"next: chrono summary {_quoted(name)}")
    return lines


def _quoted(name: str) -> str:
    return f'"{name}"' if " " in name else name
