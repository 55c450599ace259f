"""Make the content of the web page at one moment: all texts, and the numbers for a plot.

All values get their unit, digits and decimal sign here; the web page computes nothing.
"""

import json
import re
from collections.abc import Sequence
from dataclasses import asdict, dataclass
from math import isfinite

import numpy as np

from chrono.measuring.series_statistics import Series
from chrono.reports.character_chart import fit_axis
from chrono.reports.comparison_text import headline_lines
from chrono.reports.guess_text import DotPlot
from chrono.reports.setup_words import mean_text, setup_text, spread_texts
from chrono.safe_text import plain
from chrono.session.pooled_samples import damaged_lines_of
from chrono.session.run import Run
from chrono.session.session import Session
from chrono.session.shot_log import ShotRow
from chrono.session.view_cache import ViewCache
from chrono.units import format_speed, speed_in

PLOTTED_SHOTS = 200
SHOWN_SETUPS = 12
"""Largest number of setups that fit on a page."""

BEAT_MISSED_S = 5.0
"""If a recording does not grow for this time, it has stopped [s]. A board sends one beat per
second."""
LONG_PAUSE_S = 60.0
"""If a board sends no beats, its recording may pause for this time [s]."""

Tick = tuple[float, str]


@dataclass(frozen=True)
class PageShot:
    """
    The latest shot, as the web page shows it.

    Attributes
    ----------
    number : int
    speed, half_width : str
        Speed and its ± (95 %), without unit. `half_width` is empty if the ± is not known; both
        are empty for a hidden shot.
    hidden : bool
        True if speed, ± and flags are not shown yet.
    setup, state : str
        `state` is ``"counted"``, ``"not counted"`` or ``"still open"``.
    flags : tuple of str
    """

    number: int
    speed: str
    half_width: str
    setup: str
    state: str
    flags: tuple[str, ...]
    hidden: bool = False


@dataclass(frozen=True)
class PageSetup:
    """
    The statistics of one setup.

    `values` contains the name and the value of each statistic. `key` is the index of the setup
    in the session; the points of the plot use this index too.
    """

    key: int
    name: str
    now: bool
    values: tuple[tuple[str, str], ...]


@dataclass(frozen=True)
class PagePlot:
    """
    A plot of each shot's speed, in the unit of speed that the page uses.

    Attributes
    ----------
    x, y : tuple of (float, float)
        Ends of each axis.
    x_ticks, y_ticks : tuple of (float, str)
        Place and text of each tick.
    points : tuple of (int, float, float, bool, int)
        Number, speed, half-width of its ± (95 %), counted, key of its setup.
    """

    x: tuple[float, float]
    y: tuple[float, float]
    x_ticks: tuple[Tick, ...]
    y_ticks: tuple[Tick, ...]
    points: tuple[tuple[int, float, float, bool, int], ...]


@dataclass(frozen=True)
class PageRound:
    """
    A round of guesses.

    Attributes
    ----------
    place : int
        Number of the round in this lesson, from 1.
    title : str
        The value that the class guesses.
    phase : str
        ``"open"``, ``"closed"`` or ``"revealed"``.
    count : int
        Number of guesses so far.
    measured : str
        The measured value; empty until the round is revealed.
    plot : DotPlot or None
        Plot of all guesses. After the round is revealed, the plot has the measured value too.
        None while the round is open.
    guesses : tuple of (str, str)
        Name or number of the viewer, and the guess; empty while the round is open.
    """

    place: int
    title: str
    phase: str
    count: int
    measured: str
    plot: DotPlot | None
    guesses: tuple[tuple[str, str], ...]


@dataclass(frozen=True)
class Disclosure:
    """
    The shots and the round of guesses that the page may show.

    Attributes
    ----------
    shots : int or None
        Shots up to this number may be shown. Later shots are only counted on the page. None if
        all shots may be shown.
    round : PageRound or None
        The open round; if no round is open, the last round.
    takes_guesses : bool
        Whether the lesson can have rounds.
    asked_shot : int
        Number of the shot that the round is about; 0 without a round.
    large : int
        Number of the last revealed shot, which is shown large; 0 if the latest shot is large.
    """

    shots: int | None = None
    round: PageRound | None = None
    takes_guesses: bool = False
    asked_shot: int = 0
    large: int = 0


EVERYTHING = Disclosure()


@dataclass(frozen=True)
class PageState:
    """
    The whole content of the web page at one moment.

    Attributes
    ----------
    recording, rig, unit : str
    shots, counted : int
        Numbers of shots in the whole session.
    hidden : int
        Number of hidden shots; nothing on the page is computed from them.
    hold : bool
        Whether a hold is on, so that shots are not counted now.
    trouble : str
        Problem of the recording; empty while the recording is followed.
    finished : bool
        True if no program writes the recording any more.
    quiet_after_s : float
        If the recording has not grown for this time, it has stopped [s].
    latest : PageShot or None
    headline : tuple of str
        The fastest setup, and reasons to doubt it. Empty if there are fewer than two setups, or
        more setups than the page shows.
    setups : tuple of PageSetup
        First the setup in use now, then the other setups, the latest first.
    plot : PagePlot or None
        Plot of the speeds; None without a speed.
    takes_guesses : bool
    round : PageRound or None
        The round, as in `Disclosure`.
    """

    recording: str
    rig: str
    unit: str
    shots: int
    counted: int
    hidden: int
    hold: bool
    trouble: str
    finished: bool
    quiet_after_s: float
    latest: PageShot | None
    headline: tuple[str, ...]
    setups: tuple[PageSetup, ...]
    plot: PagePlot | None
    takes_guesses: bool
    round: PageRound | None


def page_state_of(
    run: Run,
    unit: str = "",
    decimal: str = ".",
    looks: ViewCache | None = None,
    shown: Disclosure = EVERYTHING,
) -> PageState:
    """
    Return the current content of the page for a run.

    Parameters
    ----------
    run : Run
    unit : str, optional
        One of `chrono.units.SPEED_UNITS`; the default is the rig's unit.
    decimal : str, optional
        The decimal sign.
    looks : ViewCache, optional
        Cache of the run's session. If you use the same cache again, old shots are not built
        again.
    shown : Disclosure, optional
        The shots and the round of guesses that the page may show.
    """
    session, status = run.session, run.status
    unit = unit or session.rig.speed_unit
    looks = looks or ViewCache(session)
    view = looks.view(PLOTTED_SHOTS)
    keys = _setup_keys(session, view.rows)
    limit = view.shots if shown.shots is None else min(shown.shots, view.shots)
    hidden = view.shots - limit
    large = shown.large if hidden and shown.large <= view.shots else 0
    latest = looks.row(large - 1) if large else view.latest
    plotted = looks.rows(limit - PLOTTED_SHOTS, limit) if hidden else view.rows
    has_beats = session.rig.lines.has_beats
    return PageState(
        recording=plain(run.name),
        rig=plain(session.rig.name),
        unit=unit,
        shots=view.shots,
        counted=int(np.count_nonzero(session.counted())),
        hidden=hidden,
        hold=session.on_hold and not run.finished,
        trouble=plain(status.reason) if status.state in ("lost", "failed") else "",
        finished=run.finished or run.unwritten,
        quiet_after_s=BEAT_MISSED_S if has_beats else LONG_PAUSE_S,
        latest=_shot(latest, limit, unit, decimal) if latest is not None else None,
        headline=() if hidden else _headline(looks, unit, decimal),
        setups=tuple(
            _setup(name, keys[name], name == session.setup_now.name, series, unit, decimal)
            for name in _now_first(session, keys)[:SHOWN_SETUPS]
            for series in [looks.series_of_first(limit, name) if hidden else looks.series(name)]
        ),
        plot=_plot(plotted, keys, unit, decimal),
        takes_guesses=shown.takes_guesses,
        round=shown.round,
    )


_DIFFERENCE = re.compile(r" by [\d.]+ ± [\d.]+ ")
"""Pattern of the numbers in a headline. Points in names do not match."""


def _headline(looks: ViewCache, unit: str, decimal: str) -> tuple[str, ...]:
    if not 2 <= len(looks.groups()) <= SHOWN_SETUPS:
        return ()
    found = looks.comparison()
    assert found is not None, "there are two setups"
    lines = headline_lines(found, unit, damaged_lines_of(looks.session))
    return tuple(_DIFFERENCE.sub(lambda by: _signed(by[0], decimal), line) for line in lines)


def page_state_json(shown: PageState) -> bytes:
    """Return the content of the page as one line of JSON."""
    return json.dumps(asdict(shown), allow_nan=False, separators=(",", ":")).encode("ascii")


def _setup_keys(session: Session, rows: Sequence[ShotRow]) -> dict[str, int]:
    """Return the key of each setup that has shots, and the key of the present setup."""
    names = session.setups.names
    used = {session.setups.name(int(place)) for place in np.unique(session.log.setup)}
    used |= {row.setup for row in rows}
    if session.setup_now.name or not used:
        used.add(session.setup_now.name)
    return {name: key for key, name in enumerate(names) if name in used}


def _now_first(session: Session, keys: dict[str, int]) -> list[str]:
    """Return the names of the setups: first the present setup, then from latest to oldest."""
    now = session.setup_now.name
    return sorted(keys, key=lambda name: (name != now, -keys[name]))


def _shot(row: ShotRow, limit: int, unit: str, decimal: str) -> PageShot:
    speed, _, half = format_speed(row.speed_mps, row.U95_mps, unit).partition(" ± ")
    counted = "counted" if row.counted else "not counted"
    hidden = row.number > limit
    return PageShot(
        number=row.number,
        speed="" if hidden else _signed(speed.removesuffix(f" {unit}"), decimal),
        half_width="" if hidden else _signed(half.removesuffix(f" {unit}"), decimal),
        setup=setup_text(row.setup),
        state="still open" if row.open else counted,
        flags=() if hidden else row.flags,
        hidden=hidden,
    )


def _setup(
    name: str, key: int, is_now: bool, series: Series | None, unit: str, decimal: str
) -> PageSetup:
    return PageSetup(key, setup_text(name), is_now, _values(series, unit, decimal))


def _values(series: Series | None, unit: str, decimal: str) -> tuple[tuple[str, str], ...]:
    if series is None:
        return (("n", "0"),)
    name, mean = mean_text(series, unit)
    values = [(name, mean.removesuffix(f" {unit}")), *spread_texts(series, unit)]
    return ("n", str(series.n)), *((word, _signed(text, decimal)) for word, text in values)


def _plot(
    rows: Sequence[ShotRow], keys: dict[str, int], unit: str, decimal: str
) -> PagePlot | None:
    points = tuple(
        (
            row.number,
            speed_in(unit, row.speed_mps),
            speed_in(unit, row.U95_mps) if isfinite(row.U95_mps) else 0.0,
            row.counted,
            keys[row.setup],
        )
        for row in rows
        if isfinite(row.speed_mps)
    )
    if not points:
        return None
    y, y_ticks = _axis(
        min(speed - half for _, speed, half, _, _ in points),
        max(speed + half for _, speed, half, _, _ in points),
        decimal,
    )
    first, last = points[0][0], max(points[-1][0], points[0][0] + 5)
    _, x_ticks = _axis(first, last, decimal)
    x = (first - 0.5, last + 0.5)
    whole = [tick for tick in x_ticks if tick[1].isdigit() and x[0] < tick[0] < x[1]]
    return PagePlot(x, y, tuple(whole), y_ticks, points)


def _axis(
    low: float, high: float, decimal: str
) -> tuple[tuple[float, float], tuple[Tick, ...]]:
    """For a range of values, return the ends of a plot axis and its tick marks (about six)."""
    axis = fit_axis(low, high, 7, apart=(1,))
    places = [(axis.first + cell * axis.per_cell, text) for cell, text in axis.ticks()]
    kept = [
        (place, _signed(text, decimal))
        for place, text in places
        if low - axis.per_cell < place < high + axis.per_cell
    ]
    return (kept[0][0], kept[-1][0]), tuple(kept)


def _signed(text: str, decimal: str) -> str:
    return text.replace(".", decimal)
