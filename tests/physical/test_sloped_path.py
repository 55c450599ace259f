"""Bodies that fall, and light ones: integrated by mechanics, read by the whole program.

A drop's ± is mostly that of the gates' spacing and trip positions; of light bodies and wide
gates the drag's, of single pairs the chords'. The slope counts where a drop begins slowly.
"""

import json
import math
from dataclasses import replace
from pathlib import Path as File
from types import SimpleNamespace

import numpy as np
import pytest
from sloped_path import BODIES, Passed, Path, let_pass, record

from chrono.dashboard.status_text import urgent_lines
from chrono.measuring.speed import measure
from chrono.processor.shot_records import EdgesUsed
from chrono.reader.row_decoding import decode_rows
from chrono.reports.flag_help import FLAG_HELP
from chrono.reports.rig_evidence_text import slope_doubt
from chrono.rigs.line_kinds import FRAMED
from chrono.rigs.rig_file import rig_from_record, rig_record
from chrono.session.recording_loader import read_recording
from chrono.session.rig_evidence import RecentShots, slope_of
from chrono.session.session import Session
from chrono.session.session_summary import summary_of
from chrono.session.speed_models import Assumptions
from chrono.session.view_cache import ViewCache

PAIRS = (EdgesUsed.BOTH, EdgesUsed.LEAD, EdgesUsed.TRAIL)


def read_back(
    where: File, path: Path, name: str, count: int, seed: int = 1, tick_s: float = 62.5e-9
) -> tuple[Session, Passed]:
    rng = np.random.default_rng(seed)
    passed = let_pass(path, BODIES[name], rng, count)
    file = record(where / "bodies.tsv", path, BODIES[name], passed, rng, tick_s)
    return read_recording(file).session, passed


def slope_in(session: Session):
    return slope_of(RecentShots.of(session))


def errors(session: Session, passed: Passed, edges: EdgesUsed):
    """Errors over their U95, of shots as timed by these edges."""
    found = measure(Assumptions(edges=edges).shots(session.log.shots), session.model)
    return (found.speed_mps - passed.speed_mps) / found.U95_mps


def assert_all_found(session: Session, count: int) -> None:
    assert len(session.log) == count
    assert (session.log.shots["flags"] == 0).all()
    assert session.counted().all()


def dropped(spacing_m: float, released_m: float) -> Path:
    return Path(spacing_m=spacing_m, released_m=(released_m, 1.001 * released_m))


@pytest.mark.parametrize(("spacing_m", "released_m"), [(0.1, 0.05), (0.3, 0.35), (0.6, 0.05)])
def test_the_interval_holds_the_speed_of_what_falls(tmp_path, spacing_m, released_m) -> None:
    session, passed = read_back(tmp_path, dropped(spacing_m, released_m), "squash", 600)

    assert_all_found(session, 600)
    for edges in PAIRS:
        z = errors(session, passed, edges)
        assert 0.93 <= np.mean(np.abs(z) <= 1) <= 0.975
        assert abs(np.mean(z)) <= 0.1


def test_the_mean_of_the_gates_speeds_would_not_do(tmp_path) -> None:
    """That is what d/Δt comes to, and more: 1.2 % at 0.5 m through 300 mm."""
    session, passed = read_back(tmp_path, dropped(0.3, 0.33), "squash", 200)
    plain_mps = 0.3 / session.measured().transit_s

    assert np.median(plain_mps / passed.speed_mps - 1) == pytest.approx(-0.0116, abs=0.001)
    assert abs(np.median(session.measured().speed_mps / passed.speed_mps - 1)) < 0.0005


def test_both_gates_see_the_body_s_length(tmp_path) -> None:
    session, _ = read_back(tmp_path, dropped(0.6, 0.1), "steel", 200)
    found = session.measured()
    ratio = session.log.shots["block_a"] / session.log.shots["block_b"]

    assert np.median(ratio) > 2.3, "gate A is blocked for so much longer"
    assert np.median(found.length_a_m) == pytest.approx(0.0245, abs=0.0005)
    assert np.median(found.length_b_m) == pytest.approx(0.0245, abs=0.0005)


def test_the_slope_of_drops_is_found_with_the_calibrated_clock_and_delay(tmp_path) -> None:
    """A counter that is 10 % fast and a sensor that is 1 ms late, both as calibrated."""
    session, _ = read_back(tmp_path, dropped(0.6, 0.1), "steel", 20)
    exact = slope_in(session)
    shots, record = session.log.shots, rig_record(session.rig)
    late = round(1e-3 / session.model.unit_s)
    for name in ("lead", "trail", "block_a", "block_b"):
        shots[name] = np.rint(1.1 * (shots[name] + late * (name in ("lead", "trail"))))
    record["calibration"] = {
        "clock": {"rate_error": 0.1, "rate_error_u": 1e-6},
        "latency": {"difference_s": 1e-3, "difference_u_s": 1e-8},
    }
    session.remeasure(rig_from_record(record))

    assert exact.pull_mps2 == pytest.approx(9.81, rel=0.02)
    assert slope_in(session).pull_mps2 == pytest.approx(exact.pull_mps2, rel=1e-4)


def test_the_budget_of_a_drop_has_the_speed_and_the_uncertainty_of_its_row(tmp_path) -> None:
    """They depend on the skew: the body gains speed, so its front takes longer."""
    session, _ = read_back(tmp_path, dropped(0.6, 0.1), "steel", 2)
    for row in session.rows_of(slice(0, 2)):
        budget = session.budget_of(row)
        assert row.skew_us > 100
        assert budget.speed_mps == pytest.approx(row.speed_mps, rel=1e-12)
        assert budget.U95_mps == pytest.approx(row.U95_mps, rel=1e-9)


@pytest.mark.long
@pytest.mark.parametrize("name", ["squash", "rod", "light foam"])
@pytest.mark.parametrize("released_m", [0.05, 0.1, 0.35, 2.0])
@pytest.mark.parametrize("spacing_m", [0.1, 0.3, 0.6])
def test_the_interval_holds_every_drop(tmp_path, spacing_m, released_m, name) -> None:
    session, passed = read_back(tmp_path, dropped(spacing_m, released_m), name, 2000, seed=2)

    assert_all_found(session, 2000)
    for edges in PAIRS:
        z = errors(session, passed, edges)
        assert 0.935 <= np.mean(np.abs(z) <= 1) <= 0.975
        assert abs(np.mean(z)) <= 0.1


@pytest.mark.long
@pytest.mark.parametrize("name", ["foam", "table tennis", "squash", "rod"])
@pytest.mark.parametrize("spacing_m", [0.1, 0.3, 0.6])
def test_the_interval_holds_light_bodies_on_a_level_path(tmp_path, spacing_m, name) -> None:
    path = Path(spacing_m=spacing_m, slope_deg=0.0, speeds_mps=(10.0, 40.0))
    session, passed = read_back(tmp_path, path, name, 2000)

    assert_all_found(session, 2000)
    for edges in PAIRS:
        z = errors(session, passed, edges)
        assert 0.935 <= np.mean(np.abs(z) <= 1) <= 0.975
        assert abs(np.mean(z)) <= 0.1


@pytest.mark.long
@pytest.mark.parametrize("slope_deg", [-90.0, -30.0, 10.0, 45.0])
def test_the_interval_holds_on_every_slope(tmp_path, slope_deg) -> None:
    path = Path(slope_deg=slope_deg, speeds_mps=(6.0, 20.0), window=(1.0, 200.0))
    session, passed = read_back(tmp_path, path, "table tennis", 1500)

    assert_all_found(session, 1500)
    for edges in PAIRS:
        z = errors(session, passed, edges)
        assert 0.935 <= np.mean(np.abs(z) <= 1) <= 0.975
        assert abs(np.mean(z)) <= 0.1


@pytest.mark.long
@pytest.mark.parametrize(
    ("path", "name"),
    [
        (dropped(0.3, 2.0), "squash"),
        (dropped(0.6, 0.05), "rod"),
        (Path(slope_deg=0.0, speeds_mps=(10.0, 40.0)), "foam"),
        (Path(spacing_m=0.6, slope_deg=0.0, speeds_mps=(10.0, 40.0)), "squash"),
    ],
)
def test_many_rigs_come_nearer_to_95_percent(tmp_path, path, name) -> None:
    """Cases that 1,000 rigs once put at 93.5 to 93.9 %; the share found has s = 0.24 %."""
    session, passed = read_back(tmp_path, path, name, 8000, seed=11)
    for edges in PAIRS:
        z = errors(session, passed, edges)
        assert 0.943 <= np.mean(np.abs(z) <= 1) <= 0.959
        assert abs(np.mean(z)) <= 0.05


@pytest.mark.long
@pytest.mark.parametrize("tick_s", [4e-6, 100e-6, 1e-3])
def test_a_coarse_counter_tells_of_drops_too(tmp_path, tick_s) -> None:
    session, passed = read_back(tmp_path, dropped(0.3, 0.5), "squash", 1500, tick_s=tick_s)
    z = errors(session, passed, EdgesUsed.BOTH)

    assert len(session.log) == 1500
    assert 0.935 <= np.mean(np.abs(z) <= 1) <= 0.98
    assert abs(np.mean(z)) <= 0.1


def test_drops_in_bulk_are_those_that_come_row_by_row(tmp_path) -> None:
    """Some thousand edges at once take the short way, a few take the whole one."""
    path = replace(dropped(0.3, 0.1), window=(0.5, 50.0))
    session, _ = read_back(tmp_path, path, "squash", 1100)
    rows = (tmp_path / "bodies.tsv").read_bytes().splitlines(keepends=True)[1:]
    slowly = Session(session.rig)
    for start in range(0, len(rows), 50):
        slowly.feed(decode_rows(b"".join(rows[start : start + 50]), FRAMED))
    slowly.finish()

    assert_all_found(session, 1100)
    assert slowly.log.shots.tobytes() == session.log.shots.tobytes()


def test_a_drop_too_slow_for_the_window_names_the_key(tmp_path) -> None:
    path = replace(dropped(0.1, 0.05), window=(2.0, 200.0))
    session, _ = read_back(tmp_path, path, "squash", 10)
    flags = {flag for row in session.rows_of(slice(0, 10)) for flag in row.flags}
    assert flags == {"too-slow"}
    assert not session.counted().any()
    assert "window.slowest" in FLAG_HELP["too-slow"]


# -- what the edges say of the slope -------------------------------------------------------


@pytest.mark.parametrize(
    ("path", "key"),
    [
        (replace(dropped(0.3, 0.5), stated_deg=0.0), 'gates.slope = "down"'),
        (replace(dropped(0.1, 0.3), stated_deg=0.0), 'gates.slope = "down"'),
        (replace(dropped(0.3, 0.5), slope_deg=30.0, stated_deg=0.0), "gates.slope = "),
        (
            Path(slope_deg=0.0, speeds_mps=(2.5, 4.0), stated_deg=90.0, window=(0.5, 50.0)),
            'gates.slope = "level"',
        ),
    ],
    ids=["dropped, said level", "near gates", "a ramp", "level, said dropped"],
)
def test_a_series_that_contradicts_the_slope_names_the_key(tmp_path, path, key) -> None:
    session, _ = read_back(tmp_path, path, "squash", 10)
    assert key in slope_doubt(slope_in(session))


def test_check_summary_and_the_dashboard_say_it(tmp_path, chrono) -> None:
    path = replace(dropped(0.3, 0.5), stated_deg=0.0)
    session, _ = read_back(tmp_path, path, "squash", 10)
    file = tmp_path / "bodies.tsv"
    key = 'gates.slope = "down"'

    checked = chrono("check", file)
    assert checked.code == 1
    assert "not ready because the measured edges do not fit the slope" in checked.out
    assert key in checked.out
    summed = chrono("summary", file)
    assert summed.code == 1
    assert key in " ".join(summed.out.split())
    assert key in summed.err
    (data,) = json.loads(chrono("summary", file, "--json").out)
    assert data["slope"]["contradicts"] is True
    run = SimpleNamespace(
        writer=None,
        waiting_s=0.0,
        status=None,
        followed=False,
        live=False,
        finished=True,
        session=session,
    )
    (line,) = urgent_lines(run, ViewCache(session).slope())
    assert line.startswith("SLOPE: ")
    assert key in line


def false_alarms(tmp_path: File, path: Path, name: str, series: int, shots: int = 8) -> int:
    """In how many series, each with a rig and a path of its own, the slope is doubted."""
    wrong = 0
    for seed in range(series):
        rng = np.random.default_rng(seed)
        one = let_pass(path, BODIES[name], rng, 1)
        places = np.repeat(one.edges_s, shots, axis=0)
        # shots of one rig: another speed each time stretches all its times alike
        places = places * (1 + 0.02 * rng.standard_normal(shots))[:, None, None]
        same = Passed(
            places,
            np.repeat(one.speed_mps, shots),
            np.repeat(one.rate_error, shots),
            one.jitter_s,
        )
        file = record(tmp_path / f"{seed}.tsv", path, BODIES[name], same, rng)
        told = slope_in(read_recording(file).session)
        wrong += told is not None and told.contradicts
        file.unlink()
    return wrong


@pytest.mark.long
@pytest.mark.parametrize(
    ("path", "name"),
    [
        (Path(slope_deg=0.0, speeds_mps=(2.5, 10.0), off_centre_m=5e-3), "squash"),
        (Path(spacing_m=0.6, slope_deg=0.0, speeds_mps=(3.0, 20.0)), "rod"),
        (Path(spacing_m=0.6, slope_deg=0.0, speeds_mps=(5.0, 20.0)), "foam"),
    ],
    ids=["squash", "rod", "foam"],
)
def test_clean_sessions_are_not_doubted(tmp_path, path, name) -> None:
    # of 300 each, 0 … 6 were; two in a hundred are allowed, more than five by chance seldom
    assert false_alarms(tmp_path, path, name, 100) <= 5


def test_a_session_as_stated_is_not_doubted(tmp_path) -> None:
    for path in (dropped(0.3, 0.35), Path(slope_deg=0.0)):
        session, _ = read_back(tmp_path, path, "squash", 40)
        told = slope_in(session)
        assert told is not None
        assert not told.contradicts
        assert slope_doubt(told) == ""


def test_the_speed_at_the_mouth_is_that_of_the_fall(tmp_path) -> None:
    """A ball that is pushed down at 2 m/s half a metre above the middle of the gates."""
    path = replace(Path(spacing_m=0.1, speeds_mps=(2.0, 2.0)), window=(0.5, 50.0))
    session, _ = read_back(tmp_path, path, "squash", 20)
    record_ = session.rig.model_dump()
    record_["site"]["muzzle_distance_m"] = 1.0  # `let_pass` launches a metre before midway
    session.remeasure(type(session.rig).model_validate(record_, by_name=True))
    (setup,) = summary_of(_Loaded(session)).setups
    assert setup.mouth is not None
    assert setup.mouth.speed_mps == pytest.approx(2.0, abs=setup.mouth.U95_mps)
    assert setup.mouth.U95_mps < 0.15
    assert math.isfinite(setup.mouth.reynolds)


class _Loaded:
    """As much of a loaded recording as a summary asks for."""

    def __init__(self, session: Session) -> None:
        self.session = session
