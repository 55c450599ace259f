"""Shots by leading edges alone are measured with the body that their setup states."""

import io
import json
from pathlib import Path

import numpy as np
import openpyxl
import pytest
from gate_board import SKETCH_1_US, edges_of
from gate_lines import plain_lines, recording_bytes, recording_rows
from gate_physics import FOAM, draw_rigs, fly

from chrono import scripting
from chrono.processor.shot_records import EdgesUsed
from chrono.reader.recording_rows import json_row
from chrono.reader.row_decoding import decode_rows
from chrono.reports.export_table import head_of, shot_table
from chrono.reports.summary_text import summary_data, summary_text
from chrono.reports.table_files import write_workbook
from chrono.rigs.line_kinds import PLAIN
from chrono.rigs.rig_file import default_rig, rig_record
from chrono.session.operator_records import Setup, setup_record
from chrono.session.recording_loader import read_recording
from chrono.session.session import Session
from chrono.session.session_summary import summary_of
from chrono.session.view_cache import ViewCache

SHOTS = 30
OWN = {"mass_kg": FOAM.mass_kg, "diameter_m": FOAM.diameter_m, "length_m": FOAM.length_m}
EXACT = {
    "spacing_tolerance_m": 0.0,
    "trip_tolerance_m": 0.0,
    "tilt_limit_rad": 0.0,
    "latency_mismatch_s": 0.0,
    "off_centre_m": 0.0,
    "rate_tolerance": 0.0,
}


@pytest.fixture(name="foam")
def _foam(tmp_path: Path):
    """Make a recording of foam balls by a rig for squash balls; return it and the truth."""

    def make(*setups: tuple[int, Setup]) -> tuple[Path, np.ndarray]:
        rng = np.random.default_rng(2)
        rigs = draw_rigs(rng, SHOTS, **EXACT)
        flight = fly(rigs, FOAM, rng.uniform(20, 40, SHOTS), drag_coefficient=0.47)
        record = rig_record(default_rig())
        record["gates"]["spacing_m"] = 0.3
        record["lines"] = "plain"
        record["clock"] |= {"frequency_hz": 16e6, "step_s": 1e-6}
        rows = recording_rows(
            record, plain_lines(edges_of(rng, flight, SKETCH_1_US), SKETCH_1_US)
        )
        head, board = rows[:3], rows[3:]
        for shot, setup in sorted(setups, key=lambda each: -each[0]):
            place = 2 * shot
            host_us = int(board[min(place, len(board) - 1)].partition("\t")[0])
            row = json_row(host_us, "setup", setup_record(setup)).decode().rstrip("\n")
            board.insert(place, row)
        path = tmp_path / "foam.tsv"
        path.write_bytes(recording_bytes([*head, *board]))
        return path, flight.speed_mps

    return make


def test_the_stated_body_takes_out_the_error_of_the_rig_s(foam) -> None:
    path, true_mps = foam((0, Setup("squash")), (15, Setup("foam", OWN)))
    session = read_recording(path).session

    error = session.measured().speed_mps / true_mps - 1

    assert len(session.log) == SHOTS
    # a 70 mm ball of 12 g is slowed by some 0.6 % in its own length, the rig's by 0.1 %
    assert 2e-3 < error[:15].mean() < 5e-3
    assert abs(error[15:].mean()) < 3e-4
    parts = [session.measured(slice(i, i + 1)).speed_mps[0] for i in range(SHOTS)]
    assert parts == session.measured().speed_mps.tolist(), "however the log is cut"


def test_rows_budget_and_statistics_are_of_the_same_model(foam) -> None:
    path, _ = foam((0, Setup("foam", OWN)))
    session = read_recording(path).session
    rows = list(session.rows_of(slice(0, SHOTS)))

    for row in (rows[0], rows[-1]):
        budget = session.budget_of(row)
        assert budget.speed_mps == pytest.approx(row.speed_mps, rel=1e-9)
        assert budget.u_mps == pytest.approx(row.u_mps, rel=1e-6)
    chords = next(c for c in budget.contributions if c.name == "chords")
    assert chords.input.radius_m == pytest.approx(FOAM.diameter_m / 2)
    series = session.series("foam")
    assert series.mean_mps == pytest.approx(np.mean([row.speed_mps for row in rows]))
    in_sample = {part.name: part for part in session.sample("foam").shared}
    assert in_sample["chords"].input == chords.input


def test_a_shot_still_open_has_the_speed_that_it_keeps(foam) -> None:
    path, _ = foam((0, Setup("foam", OWN)))
    rows = path.read_bytes().partition(b"\n")[2]
    session = Session(default_rig())
    session.feed(decode_rows(rows, PLAIN))
    (still_open,) = session.open_rows()
    session.finish()
    (closed,) = session.rows_of(slice(SHOTS - 1, SHOTS))

    assert still_open.open
    assert still_open.number == closed.number == SHOTS
    assert still_open.speed_mps == closed.speed_mps
    assert still_open.U95_mps == closed.U95_mps


def test_two_pairs_of_edges_depend_on_the_body_by_its_drag_alone() -> None:
    path = Path(__file__).parents[2] / "recordings" / "two-and-three-bands.tsv"
    session = read_recording(path).session
    before = session.measured().speed_mps

    session.setups._setups = [
        Setup(each.name, {"mass_kg": 0.001}) for each in session.setups._setups
    ]

    assert (session.log.shots["used"] == EdgesUsed.BOTH).all()
    # a ball of a gram is slowed by κ = 0.35/m: between gates 300 mm apart (κd)²/24
    gained = session.measured().speed_mps / before - 1
    assert gained == pytest.approx((0.355 * 0.3) ** 2 / 24, rel=0.15)


@pytest.mark.parametrize("mass_kg", [1e-6, 1e-9])
def test_the_lightest_body_has_a_speed_above_zero(foam, mass_kg) -> None:
    path, _ = foam((0, Setup("feather", OWN | {"mass_kg": mass_kg})))
    measured = read_recording(path).session.measured()

    assert np.all(measured.speed_mps >= 0)
    # the air that such a body moves along weighs more than itself: that is what flies
    assert np.all(measured.U95_mps > 0.03 * measured.speed_mps), "and little is known of it"


def test_a_setup_that_is_corrected_measures_its_shots_anew(foam) -> None:
    path, true_mps = foam((0, Setup("ball")))
    rows = path.read_bytes().partition(b"\n")[2]
    session = Session(default_rig())
    session.feed(decode_rows(rows, PLAIN))
    looks, before = ViewCache(session), session.measured_by
    was = looks.view().series.mean_mps

    corrected = setup_record(Setup("ball", OWN, corrects="ball"))
    session.feed(decode_rows(json_row(10**9, "setup", corrected), PLAIN))

    assert session.measured_by > before
    now = looks.view().series.mean_mps
    assert now < was
    assert now == pytest.approx(true_mps[: looks.view().series.n].mean(), rel=1e-3)


LIGHT = Setup("sling", {"mass_kg": 0.01, "length_m": 0.04}, {"bands": "2", "angle": "0 deg"})
HEAVY = Setup("sling", {"mass_kg": 0.02, "length_m": 0.04}, {"bands": "3", "angle": "0 deg"})
NEVER = Setup("sling", {"mass_kg": 0.5, "length_m": 0.5}, {"bands": "9"})


def test_values_that_differ_between_setups_with_one_name_are_left_open(foam) -> None:
    path, _ = foam((0, LIGHT), (SHOTS // 2, HEAVY), (SHOTS, NEVER))
    recorded = read_recording(path)
    (told,) = head_of(recorded.session, "foam").setups
    assert told == {
        "name": "sling",
        "body": {"mass_kg": None, "length_m": 0.04},
        "conditions": {"bands": None, "angle": "0 deg"},
    }
    (summed,) = summary_data(summary_of(recorded))["setups"]
    assert summed["conditions"] == {"bands": None, "angle": "0 deg"}
    assert "bands differs, angle 0 deg" in summary_text(summary_of(recorded))
    stream = io.BytesIO()
    write_workbook([shot_table(recorded.session, "foam")], stream)
    names, values = openpyxl.load_workbook(stream)["setups"].values
    row = dict(zip(names, values, strict=True))
    assert (row["mass_kg"], row["length_m"]) == (None, 0.04)
    assert row["conditions"] == "bands differs, angle 0 deg"


def test_a_setup_that_never_flew_does_not_speak_for_the_shots(foam) -> None:
    path, _ = foam((0, LIGHT), (SHOTS, NEVER))
    session = read_recording(path).session
    assert session.setups.last("sling") == NEVER
    assert session.setups_with_shots("sling") == (LIGHT,)
    assert session.setups_with_shots("nobody's") == (Setup(),)
    (told,) = head_of(session, "foam").setups
    assert told == setup_record(LIGHT)
    assert scripting.read(path).setups["sling"] == LIGHT


def test_a_comparison_says_which_setup_has_shots_of_different_bodies(foam, chrono) -> None:
    path, _ = foam((0, LIGHT), (10, HEAVY), (20, Setup("air")))
    note = "The shots of sling have 2 bodies of different mass or diameter."
    assert note in " ".join(chrono("compare", path).out.split())
    data = json.loads(chrono("compare", path, "--json").out)
    assert [each["bodies"] for each in data["setups"]] == [2, 1]

    same, _ = foam((0, LIGHT), (10, LIGHT), (20, Setup("air")))
    assert "different mass" not in " ".join(chrono("compare", same).out.split())


def test_setups_joined_from_recordings_with_different_bodies_say_so(foam, chrono) -> None:
    morning, _ = foam((0, LIGHT), (15, Setup("air")))
    morning = morning.rename(morning.with_name("morning.tsv"))
    evening, _ = foam((0, HEAVY), (15, Setup("air")))
    words = " ".join(chrono("compare", morning, evening, "--pool").out.split())
    assert "The shots of sling have 2 bodies of different mass or diameter." in words
    assert "The shots of air" not in words
