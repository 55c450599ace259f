"""Write the sentences and table rows of a report; a template makes the page from them."""

import datetime
import math
from collections.abc import Iterable
from typing import Any

from markupsafe import Markup

from chrono.cautions import CAUTION
from chrono.measuring.setup_comparison import Comparison
from chrono.processor.shot_records import EdgesUsed
from chrono.reports.budget_text import stated_text, tick_text
from chrono.reports.clock_text import rate_text
from chrono.reports.comparison_text import (
    MATRIX_LEGEND,
    headline_lines,
    is_matrix,
    many_lines,
    matrix_cells,
    names,
    note_lines,
    pair_blocks,
    suspicious_lines,
)
from chrono.reports.findings_text import clock_doubt, unread_line
from chrono.reports.flag_help import FLAG_HELP
from chrono.reports.motion_text import mouth_source_lines
from chrono.reports.page_files import render_page
from chrono.reports.rig_evidence_text import evidence_doubts
from chrono.reports.rig_text import Rows, body_text, calibration_rows, rig_rows, site_text
from chrono.reports.setup_words import (
    count_text,
    mean_text,
    setup_text,
    spread_texts,
    two_digits,
)
from chrono.reports.speed_picture import (
    COLOURS,
    INK,
    MARKER_WORDS,
    NARROW,
    PALE,
    PAPER,
    WIDE,
    caption_text,
    picture_svg,
)
from chrono.reports.summary_text import setup_details, trouble_sentences
from chrono.rigs.rig_model import Rig
from chrono.safe_text import plain
from chrono.session.report_content import RecordingReport, Report, UncountedShots
from chrono.session.session_summary import SetupSummary
from chrono.session.shot_log import ShotRow
from chrono.units import format_speed, format_value, speed_in, to_digits

SHOWN_SHOTS, SHOWN_ENDS = 60, 25
"""Up to the first number, the report lists all shots. If there are more shots, the report lists
only the first 25 and the last 25. Then two printed pages have room for notes."""
SHOWN_SETUPS = 8
MOST_IN_MATRIX = 9
"""More columns do not fit on a page; further columns are in a table below."""
SHOWN_REASONS = 8
SHOWN_NUMBERS = 10
SHOWN_NOTES = 8


def report_page(report: Report, *, for_paper: bool = False) -> str:
    """
    Return a report as an HTML page that needs no other file.

    Parameters
    ----------
    report : Report
    for_paper : bool, optional
        Make the page for printing, with one size of each picture and with fixed colours. For
        screens, there are two sizes, and the colours follow the style of the page.
    """
    names = [each.recorded.name for each in report.recordings]
    return render_page(
        "report.html.jinja",
        title=", ".join(names) if len(names) < 4 else f"{len(names)} recordings",
        headline=_headline(report),
        warnings=_warnings(report),
        comparison=_comparison(report),
        recordings=[
            _recording(each, f"r{place}", for_paper, report.given_rig)
            for place, each in enumerate(report.recordings, 1)
        ],
        cautions=caution_items(),
    )


def _headline(report: Report) -> str:
    """Return the first sentence of the report: the fastest setup, or the mean of a setup."""
    found, unit = report.comparison, report.recordings[0].session.rig.speed_unit
    if found is not None:
        return headline_lines(found, unit, report.damaged_lines)[0]
    for told in report.recordings:
        for setup in told.summary.setups:
            if setup.series is not None:
                word, mean = mean_text(setup.series, unit)
                return f"{setup_text(setup.name)}: {word} {mean}, n {setup.series.n}."
    return "No shot is counted."


def _warnings(report: Report) -> list[str]:
    """Return reasons to doubt the main result of the report, and the problems of the data."""
    found, unit = report.comparison, report.recordings[0].session.rig.speed_unit
    lines = []
    if found is not None:
        lines = headline_lines(found, unit, report.damaged_lines)[1:]
        lines += [line.strip() for line in suspicious_lines(found)]
    for told in report.recordings:
        whose = f"{told.recorded.name}: " if len(report.recordings) > 1 else ""
        evidence = told.summary.evidence
        rig = evidence_doubts(evidence.slope, evidence.trends, evidence.rate)
        troubles = [*_troubles(told), *rig]
        lines += [f"{whose}{plain(line)}" for line in troubles]
    return lines


def _comparison(report: Report) -> dict[str, Any] | None:
    """Return sentences and notes of a comparison, and a matrix for many setups."""
    found = report.comparison
    if found is None:
        return None
    unit = report.recordings[0].session.rig.speed_unit
    blocks = [
        (head, [line.strip() for line in rest])
        for head, *rest in pair_blocks(found, unit, report.rigs)
    ]
    matrix = is_matrix(found)
    if matrix:
        blocks = [
            (f"Comparison of the two fastest setups: {head}", rest) for head, rest in blocks
        ]
    return {
        "blocks": blocks,
        "matrices": _matrices(found, unit) if matrix else [],
        "legend": (
            "Each cell shows the speed of its row minus the speed of its column, in "
            f"{unit}. Signs: {MATRIX_LEGEND}."
        ),
        "notes": [
            *(many_lines(found) if matrix else []),
            *note_lines(found, unit, report.rigs),
        ],
    }


def _matrices(found: Comparison, unit: str) -> list[dict[str, Any]]:
    """Return tables of the differences between setups, with at most 9 columns each."""
    size = len(found.groups) - 1
    rows = [*zip(names(found), [[""] * size, *matrix_cells(found, unit)], strict=True)]
    pieces = []
    for begin in range(0, size, MOST_IN_MATRIX):
        own = slice(begin, begin + MOST_IN_MATRIX)
        columns = [place + 1 for place in range(size)[own]]
        pieces.append(
            {"columns": columns, "rows": [(name, row[own]) for name, row in rows[begin:]]}
        )
    return pieces


def caution_items() -> tuple[str, list[str]]:
    """Return the heading for the list of cautions, and a list of the cautions."""
    head, *rest = CAUTION.split("\n- ")
    return head, [" ".join(item.split()) for item in rest]


def _recording(
    told: RecordingReport, key: str, for_paper: bool, given_rig: str
) -> dict[str, Any]:
    session, rig = told.session, told.session.rig
    shown, left_out = _shown_shots(told)
    return {
        "key": key,
        "name": told.recorded.name,
        "done": _done(told),
        "notes": session.marks.notes[-SHOWN_NOTES:],
        "more_notes": _more_notes(len(session.marks.notes) - SHOWN_NOTES),
        "picture": caption_text(told.plotted) if _drawable(told) else "",
        "pictures": _pictures(told, key, for_paper),
        "unit": rig.speed_unit,
        "setups": [_setup(each, rig, i) for i, each in enumerate(_counted(told))],
        "mouth": _mouth(told),
        "more_setups": _more_setups(len(_counted(told, all_of_them=True)) - SHOWN_SETUPS),
        "shots": shown,
        "shots_left_out": left_out,
        "aside": [_aside(each, rig.speed_unit) for each in told.aside[:SHOWN_REASONS]],
        "more_aside": _rest(told.aside[SHOWN_REASONS:]),
        "rig_name": rig.name,
        "rig": [*rig_rows(rig), ("body", body_text(rig.body)), ("place", site_text(rig))],
        "calibrations": calibration_rows(rig),
        "budget": _budget(told),
        "file": _file(told, given_rig),
    }


def _more_notes(count: int) -> str:
    if count < 1:
        return ""
    words = (
        "note is not shown here; it is" if count == 1 else "notes are not shown here; they are"
    )
    return f"{count} earlier {words} in the recording"


def _more_setups(count: int) -> str:
    if count < 1:
        return ""
    are = "is" if count == 1 else "are"
    return f"{count_text(count, 'more setup')} {are} left out of this table"


def _done(told: RecordingReport) -> str:
    """Return two or three sentences about the session."""
    session, rig = told.session, told.session.rig
    counted, shots = told.summary.counted, len(session.log)
    setups = len(_counted(told, all_of_them=True))
    named = f", with {count_text(setups, 'setup')}" if setups else ""
    lasted = ""
    if shots > 1:
        seconds = int(session.log.shots["host_us"][-1] - session.log.shots["host_us"][0]) * 1e-6
        minutes = f" in {to_digits(seconds / 60, 3)} minutes"
        lasted = minutes if seconds >= 60 else f" in {seconds:.3g} s"
    return (
        f"{_started(session.started)}{count_text(shots, 'shot')} of {rig.body.name}"
        f"{lasted} through two light gates {rig.spacing_m * 1e3:.6g} mm apart{named}. "
        f"{count_text(counted, 'shot')} counted, "
        f"{shots - counted} set aside."
    )


def _started(text: str) -> str:
    try:
        start = datetime.datetime.fromisoformat(text)
    except ValueError:
        return f"{text}: " if text else ""
    zone = start.strftime(" UTC%z") if start.tzinfo else ""
    return f"{start:%Y-%m-%d, %H:%M}{zone}: "


def _drawable(told: RecordingReport) -> bool:
    return bool(told.plotted.setups or len(told.plotted.aside_mps))


def _pictures(told: RecordingReport, key: str, for_paper: bool) -> list[tuple[str, Markup]]:
    """Return the pictures of a recording, each with its width: ``wide`` or ``narrow``."""
    if not _drawable(told):
        return []
    if for_paper:
        return [("wide", Markup(picture_svg(told.plotted, WIDE, key)))]
    sizes = {"wide": WIDE, "narrow": NARROW}
    return [
        (name, _themed(picture_svg(told.plotted, size, f"{key}-{name}")))
        for name, size in sizes.items()
    ]


def _themed(svg: str) -> Markup:
    """Return a picture whose colours change with the light or dark style of the page."""
    for colour, name in colour_names().items():
        svg = svg.replace(colour, f"var(--{name},{colour})")
    return Markup(svg)


def colour_names() -> dict[str, str]:
    """Return the colours of the pictures, each with its name in the style sheet of the page."""
    return {INK: "ink", PALE: "pale", PAPER: "paper"} | {
        colour: f"setup{place}" for place, colour in enumerate(COLOURS)
    }


def _counted(told: RecordingReport, *, all_of_them: bool = False) -> list[SetupSummary]:
    found = [each for each in told.summary.setups if each.series is not None]
    return found if all_of_them else found[:SHOWN_SETUPS]


def _setup(found: SetupSummary, rig: Rig, place: int) -> dict[str, Any]:
    """Return one row of the table of setups, and the sentences below this row."""
    series, unit = found.series, rig.speed_unit
    assert series is not None, "only setups with counted shots have a row"
    _, mean = mean_text(series, unit)
    spread = dict(spread_texts(series, unit))
    details = [(label, "; ".join(texts)) for label, texts in setup_details(found, rig)]
    if any(setup.body for setup in found.setups):
        bodies = dict.fromkeys(body_text(rig.body, setup.body) for setup in found.setups)
        label = "its body" if len(bodies) == 1 else "its bodies"
        details.append((label, "; ".join(bodies)))
    return {
        "mark": MARKER_WORDS[place % len(MARKER_WORDS)],
        "colour": f"setup{place % len(COLOURS)}",
        "name": setup_text(found.name),
        "n": series.n,
        "mean": mean,
        "s": spread.get("s", ""),
        "median": spread.get("median", ""),
        "details": details,
    }


def _mouth(told: RecordingReport) -> str:
    """Return a text that explains how the speeds at the launcher's mouth were computed."""
    mouths = [each.mouth for each in told.summary.setups if each.mouth is not None]
    lines = mouth_source_lines(mouths, told.session.rig)
    return " ".join(line.strip() for line in lines if line)


def _shown_shots(told: RecordingReport) -> tuple[list[dict[str, Any]], str]:
    """Return the listed shots, and a sentence about counted shots that are not listed."""
    session = told.session
    places = session.counted().nonzero()[0].tolist()
    left_out = ""
    if len(places) > SHOWN_SHOTS:
        ends = SHOWN_ENDS
        left_out = (
            f"The list shows the first {ends} and the last {ends} counted shots. The results "
            f"and the picture also use the {_between(places[ends:-ends])}. "
            "`chrono export` lists every shot."
        )
        places = [*places[:ends], *places[-ends:]]
    marks = {each.name: i for i, each in enumerate(_counted(told, all_of_them=True))}
    unit = session.rig.speed_unit
    rows = (next(iter(session.rows_of(slice(place, place + 1)))) for place in places)
    return [_shot(row, marks[row.setup], unit) for row in rows], left_out


def _between(places: list[int]) -> str:
    """Return how many counted shots are not listed, and the numbers of the first and last."""
    return f"{len(places)} counted shots between them ({places[0] + 1} to {places[-1] + 1})"


def _shot(row: ShotRow, place: int, unit: str) -> dict[str, Any]:
    return {
        "number": row.number,
        "mark": MARKER_WORDS[place % len(MARKER_WORDS)],
        "colour": f"setup{place % len(COLOURS)}",
        "speed": format_speed(row.speed_mps, row.U95_mps, unit).removesuffix(f" {unit}"),
        "remark": ", ".join([*row.flags, *([row.note] if row.note else [])]),
    }


def _aside(found: UncountedShots, unit: str) -> dict[str, Any]:
    numbers = [
        f"{number} ({speed_in(unit, speed):.4g})" if math.isfinite(speed) else str(number)
        for number, speed in found.shots[:SHOWN_NUMBERS]
    ]
    more = len(found.shots) - len(numbers)
    return {
        "count": len(found.shots),
        "reason": found.reason,
        "numbers": ", ".join(numbers) + (f" … and {more} more" if more else ""),
        "meaning": " ".join(FLAG_HELP[word] for word in found.flags if word in FLAG_HELP),
    }


def _rest(groups: Iterable[UncountedShots]) -> str:
    counts = [len(group.shots) for group in groups]
    if not counts:
        return ""
    more, others = count_text(sum(counts), "shot"), count_text(len(counts), "other reason")
    return f"{more} more for {others}"


def _budget(told: RecordingReport) -> dict[str, Any] | None:
    """Return the error budget of the shot with the median speed."""
    budget, row = told.budget, told.typical
    if budget is None or row is None:
        return None
    unit = told.session.rig.speed_unit
    pairs = "two pairs" if row.edges_used == EdgesUsed.BOTH.name.lower() else "one pair"
    tick_s = told.session.rig.clock.tick_s
    return {
        "shot": (
            f"Shot {row.number} has the median speed of {setup_text(row.setup)}: "
            f"{format_speed(row.speed_mps, row.U95_mps, unit)}. Its transit lasted "
            f"{row.transit_us:.7g} us, which is "
            f"{to_digits(row.transit_us * 1e-6 / tick_s, 6)} ticks of {tick_text(tick_s)}. "
            f"The speed comes from {pairs} of edges."
        ),
        "rows": [
            (
                each.name,
                stated_text(each),
                each.input.distribution,
                each.input.nature,
                two_digits(speed_in(unit, each.u_out)),
                f"{100 * budget.share(each):.1f}",
            )
            for each in budget.noticeable
        ],
        "sums": (
            f"Random part of u: {two_digits(speed_in(unit, budget.u_random_mps))}. "
            f"Shared part of u: {two_digits(speed_in(unit, budget.u_shared_mps))}. "
            f"Combined u: {two_digits(speed_in(unit, budget.u_mps))}. "
            f"Coverage factor k: {budget.k:.3f}. "
            f"U95 = k × u: {two_digits(speed_in(unit, budget.U95_mps))} {unit}. Speeds, if the "
            f"transit were one tick longer or one tick shorter: {_limits(told)}."
        ),
    }


def _limits(told: RecordingReport) -> str:
    budget, unit = told.budget, told.session.rig.speed_unit
    assert budget is not None, "the limits are computed from an error budget"
    ends = [speed_in(unit, end) for end in (budget.lowest_mps, budget.highest_mps)]
    low, high = (
        format_value(end, ends[1] - ends[0]) if math.isfinite(end) else "∞" for end in ends
    )
    return f"{low} … {high} {unit}"


def _file(told: RecordingReport, given_rig: str) -> Rows:
    recorded, session = told.recorded, told.session
    rows = [
        ("recording", recorded.name),
        ("size", f"{told.fingerprint.size} bytes, {session.rows} rows"),
        ("SHA-256", told.fingerprint.sha256),
    ]
    measured = (
        f"the rig file {given_rig} instead of the rig in the recording"
        if given_rig
        else "the rig in the recording"
    )
    rows.append(("measured with", measured))
    if session.host_rate is not None:
        rows.append(("counter's rate, from its beats", rate_text(session.host_rate)))
    troubles = "; ".join(map(plain, _troubles(told)))
    rows.append(("data that could not be used", troubles or "none"))
    return rows


def _troubles(told: RecordingReport) -> list[str]:
    """Return sentences about the parts of a recording that the program could not use."""
    troubles = trouble_sentences(told.recorded)
    if told.session.unusable.records:
        troubles.append(unread_line(told.session))
    return [*filter(None, [*troubles, clock_doubt(told.recorded)])]
