"""Bouncing edges by the physics of beam, noise and comparator: a speed for each, and its ±.

A ball covers a slit, gaussian noise rides on the sensor's signal, a comparator with a small
hysteresis trips as often as it will; the board stamps every trip, or calls those late that
come within its 6 us. None of that knows how the program judges a bounce.
"""

import re
from dataclasses import dataclass, replace
from pathlib import Path

import numpy as np
import pytest
from gate_board import CAPTURE, PIN_INTERRUPT, Board, edges_of
from gate_comparator import Band
from gate_lines import framed_lines
from gate_physics import SQUASH, draw_rigs, fly, rod
from gate_readings import Reading, read_flight, session_of
from speed_rigs import make_rig

from chrono.reports.readiness_text import health_words
from chrono.reports.summary_text import summary_text
from chrono.session.readiness_check import check_recording
from chrono.session.recording_loader import read_recording
from chrono.session.rig_evidence import RecentShots, gate_scatter_of
from chrono.session.session_summary import summary_of

QUEUE = replace(PIN_INTERRUPT, busy_kind="queue")
BOARDS = {"every trip exact": CAPTURE, "trips within 6 us late": QUEUE}
HYSTERESIS = 0.005


@dataclass(frozen=True)
class Case:
    """Speed [m/s], width of the slits [m], noise: its rms, of the signal, and bandwidth."""

    speed_mps: float
    slit_m: float
    rms: float
    bandwidth_hz: float = 1e6


CASES = [
    Case(45.0, 2e-3, 0.03),
    Case(45.0, 2e-3, 0.05),
    Case(45.0, 3e-3, 0.03),
    Case(45.0, 5e-3, 0.03),
    Case(45.0, 5e-3, 0.05),
    Case(116.0, 2e-3, 0.03),
    Case(116.0, 3e-3, 0.05),
    Case(116.0, 5e-3, 0.03),
    Case(116.0, 5e-3, 0.05),
]
AS_STATED: dict[str, float] = {
    "spacing_tolerance_m": 0.5e-3,
    "trip_tolerance_m": 0.2e-3,
    "tilt_limit_rad": float(np.radians(1.0)),
    "latency_mismatch_s": 1e-6,
    "rate_tolerance": 5e-3,
}
"""What rigs are drawn within and state."""
KNOWN: dict[str, float] = dict.fromkeys(AS_STATED, 0.0)
"""Of rigs that know all but the time of an edge."""


def launches(
    folder: Path,
    case: Case,
    board: Board,
    count: int,
    tolerances: dict[str, float],
    *,
    bouncing: bool = True,
    jitter_s: float | None = None,
) -> Reading:
    """Read `count` launches; if `bouncing`, only such as show a bounce in the lines."""
    rng = np.random.default_rng(round(1e7 * case.slit_m + 1e3 * case.rms + case.speed_mps))
    size = 6 * count if bouncing else count
    rigs = draw_rigs(rng, size, slit_m=case.slit_m, hysteresis=HYSTERESIS, **tolerances)
    speeds = case.speed_mps * rng.uniform(0.97, 1.03, size)
    flight = fly(rigs, SQUASH, speeds, drag_coefficient=0.45)
    edges = edges_of(rng, flight, board, [Band(case.rms, case.bandwidth_hz)])
    if bouncing:
        chosen = np.flatnonzero(np.bincount(edges["shot"], minlength=size) > 4)[:count]
        assert len(chosen) == count, "too few of them bounce"
        edges = edges[np.isin(edges["shot"], chosen)]
    stated = {
        ("clock__" if key == "rate_tolerance" else "gates__") + key: value
        for key, value in tolerances.items()
    }
    rig = make_rig(**stated, clock__jitter_s=jitter_s or board.jitter_s)
    return read_flight(rig, flight, framed_lines(edges, board), board, folder)


@pytest.mark.long
@pytest.mark.parametrize("board", BOARDS)
def test_launches_that_bounce_carry_a_speed_that_holds(tmp_path: Path, board: str) -> None:
    held = []
    for case in CASES:
        found = launches(tmp_path, case, BOARDS[board], 60, AS_STATED)
        assert len(found.shots) == 60
        assert found.has_speed.sum() >= 56, case
        held += found.is_held.tolist()
    assert np.mean(held) >= 0.94


@pytest.mark.long
@pytest.mark.parametrize("board", BOARDS)
@pytest.mark.parametrize("case", CASES, ids=str)
def test_the_whole_of_their_uncertainty_holds_in_each_case(
    tmp_path: Path, case: Case, board: str
) -> None:
    found = launches(tmp_path, case, BOARDS[board], 750, AS_STATED)
    assert found.has_speed.mean() >= 140 / 150
    assert found.is_held.mean() >= 0.94
    bias = abs(found.error_mps.mean()) / found.measured.U95_mps[found.has_speed].mean()
    assert bias <= 0.1


@pytest.mark.long
@pytest.mark.parametrize("board", BOARDS)
@pytest.mark.parametrize("case", CASES, ids=str)
def test_what_bounces_leave_open_of_a_transit_holds_by_itself(
    tmp_path: Path, case: Case, board: str
) -> None:
    """Of rigs of which nothing else is uncertain; three in a thousand more is chance."""
    found = launches(tmp_path, case, BOARDS[board], 750, KNOWN)
    assert found.timing_is_held.mean() >= 0.94
    assert found.is_held.mean() >= 0.94


@pytest.mark.long
def test_what_bounces_leave_open_holds_over_the_nine_cases(tmp_path: Path) -> None:
    for board in BOARDS.values():
        held = [launches(tmp_path, case, board, 30, KNOWN).timing_is_held for case in CASES]
        assert np.concatenate(held).mean() >= 0.95


@pytest.mark.parametrize(
    ("fast", "slow", "hysteresis", "told"),
    [
        (0.01, 0.0, 0.0, True),
        (0.01, 0.02, 0.0, True),
        (0.02, 0.01, 0.02, True),
        (0.02, 0.02, 0.0, True),
        (0.04, 0.0, 0.0, False),  # all bounce: what they state is more than they scatter
    ],
)
def test_the_summary_names_the_noise_that_scatters_a_launcher_without_scatter(
    tmp_path: Path, fast: float, slow: float, hysteresis: float, told: bool
) -> None:
    """Slow noise (1 kHz) beside fast (300 kHz) moves edges, and only the fast one bounces."""
    rng = np.random.default_rng(5)
    rigs = draw_rigs(rng, 1, off_centre_m=0.0, hysteresis=hysteresis).repeated(60)
    body = rod(60e-3)
    flight = fly(rigs, body, np.full(60, 20.0), drag_coefficient=0.47)
    noise = [Band(fast, 3e5), *([Band(slow, 1e3)] if slow else [])]
    rig = make_rig(
        gates__off_centre_m=0.0,
        body__shape="flat",
        body__length_m=60e-3,
        body__diameter_m=10e-3,
        body__mass_kg=20e-3,
    )
    lines = framed_lines(edges_of(rng, flight, CAPTURE, noise), CAPTURE)
    session = session_of(rig, lines, tmp_path)
    scatter_mps = float(np.nanstd(session.measured().speed_mps, ddof=1))
    hidden = gate_scatter_of(RecentShots.of(session), "", 20.0)
    assert hidden.bounced >= 10
    assert 0.2 <= scatter_mps / hidden.noise_mps <= 1.1
    words = " ".join(summary_text(summary_of(read_recording(tmp_path / "lines.tsv"))).split())
    assert told == bool(
        re.search(
            r"edges bounced in \d+ of 60 shots\. .* the gates cause a scatter of \S+, and the "
            r"launcher causes \S+ to \S+",
            words,
        )
    )


# -- where the rule ends --------------------------------------------------------------------

SLOW = Case(45.0, 5e-3, 0.03, 3e4)
"""Noise that takes 33 us for a period, twice as long as it shifts an edge at 3 sigma."""


@pytest.mark.parametrize(
    ("case", "least", "most"),
    [
        (SLOW, 0.0, 0.0),
        (Case(116.0, 2e-3, 0.03, 3e5), 0.0, 0.05),
        (Case(45.0, 2e-3, 0.03, 3e5), 0.3, 0.7),
        (Case(45.0, 5e-3, 0.03, 3e5), 0.95, 1.0),
    ],
    ids=str,
)
def test_only_noise_fast_against_the_shift_it_makes_shows_as_a_bounce(
    tmp_path: Path, case: Case, least: float, most: float
) -> None:
    """The share of shots with a bounce: 0.1, 0.16, 0.4, 1.0 periods in rms over slope."""
    found = launches(tmp_path, case, CAPTURE, 150, KNOWN, bouncing=False)
    assert least <= (found.shots["bounce"] > 0).mean() <= most


def test_slow_noise_is_held_by_a_jitter_that_allows_for_it_and_by_nothing_else(
    tmp_path: Path,
) -> None:
    shift_s = SLOW.rms * SLOW.slit_m / SLOW.speed_mps
    blind = launches(tmp_path, SLOW, CAPTURE, 300, KNOWN, bouncing=False)
    told = launches(tmp_path, SLOW, CAPTURE, 300, KNOWN, bouncing=False, jitter_s=shift_s)
    assert blind.timing_is_held.mean() < 0.2
    assert told.timing_is_held.mean() >= 0.94


@pytest.mark.parametrize(
    ("case", "board"),
    [
        (Case(116.0, 2e-3, 0.03), CAPTURE),
        (Case(45.0, 2e-3, 0.03, 3e5), QUEUE),
        (Case(116.0, 5e-3, 0.05, 1e5), PIN_INTERRUPT),
    ],
    ids=["fast", "late", "hidden"],
)
def test_check_says_the_jitter_that_holds_shots_without_a_bounce(
    tmp_path: Path, case: Case, board: Board
) -> None:
    found = launches(tmp_path, case, board, 200, KNOWN, bouncing=False)
    assert found.timing_is_held.mean() < 0.9
    told = health_words(check_recording(tmp_path / "lines.tsv", None).health)
    (bounce,) = (item for item in told.troubles if item.name == "bounce")
    (stated,) = re.findall(r'set jitter = "([\d.e-]+) us" under \[clock\]', bounce.advice)
    again = launches(
        tmp_path, case, board, 200, KNOWN, bouncing=False, jitter_s=1e-6 * float(stated)
    )
    assert again.timing_is_held.mean() >= 0.94
    troubles = check_recording(tmp_path / "lines.tsv", None).health.troubles
    assert "bounce" not in [item.name for item in troubles]
