"""Two rods from recordings to the rig file."""

import json

import numpy as np
import pytest
from command_kit import is_one_clear_complaint
from passing import make_beams, record_rods

from chrono.arrays import machine_code
from chrono.rigs.rig_file import load_rig, with_keys
from chrono.session.recording_loader import add_rig

RIG = (
    '[gates]\nspacing = "300 mm"\nspacing_tolerance = "1 mm"\n'
    '[window]\nslowest = "0.2 m/s"\n[body]\nlength = "40 mm"\n'
)


@pytest.fixture(name="bench")
def _bench(tmp_path):
    rng = np.random.default_rng(5)
    beams = make_beams(rng, 0.3008)
    record_rods(tmp_path / "short.tsv", rng, beams, 0.04)
    record_rods(tmp_path / "long.tsv", rng, beams, 0.14)
    (tmp_path / "rig.toml").write_text(RIG)
    return 0.3008 + float(np.diff(beams.trip_m.mean(axis=1))[0])


RODS = ("calibrate", "rods", "short.tsv", "long.tsv", "--rig", "rig.toml")
LENGTHS = ("--short", "40 mm", "--long", "140 mm")


def test_the_work_of_both_recordings_is_told_before_the_first_is_read(
    chrono, tmp_path, bench, monkeypatch
) -> None:
    told: list[int] = []
    monkeypatch.setattr(machine_code, "prepare_loops", told.append)

    chrono(*RODS, *LENGTHS)

    assert told[0] == sum((tmp_path / f"{rod}.tsv").stat().st_size for rod in ("short", "long"))


def test_two_rods_put_the_spacing_into_the_rig_file(chrono, tmp_path, bench) -> None:
    outcome = chrono(*RODS, *LENGTHS)

    assert outcome.code == 0, outcome.err
    found = load_rig(tmp_path / "rig.toml").calibration.spacing
    assert abs(found.spacing_m - bench) < 2 * found.spacing_u_m < 0.4e-3
    assert "10 and 10 passes" in outcome.out
    assert list(tmp_path.glob("rig.toml.before-*"))


def test_a_spacing_in_doubt_is_written_only_if_that_is_accepted(
    chrono, tmp_path, bench
) -> None:
    typed = ("--short", "40 mm", "--long", "145 mm")
    outcome = chrono(*RODS, *typed)
    assert outcome.code == 1
    assert "the long rod is 1" in outcome.err
    assert "--accept" in outcome.err
    assert (tmp_path / "rig.toml").read_text() == RIG

    assert chrono(*RODS, *typed, "--accept").code == 0
    assert load_rig(tmp_path / "rig.toml").calibration.spacing.spacing_m > 0.31


def test_a_rig_that_was_corrected_tells_that_both_bodies_were_balls(
    chrono, tmp_path, bench
) -> None:
    recorded, rig = tmp_path / "long.tsv", load_rig(tmp_path / "rig.toml")
    add_rig(recorded, rig)
    assert chrono(*RODS, *LENGTHS, "--dry-run").code == 0
    add_rig(recorded, with_keys(rig, {"body.length": "140 mm"}))
    doubted = chrono(*RODS, *LENGTHS, "--dry-run")
    assert doubted.code == 1
    assert "round" in doubted.err


def test_balls_are_found_by_the_setups_that_flew(chrono, tmp_path, bench) -> None:
    """A setup entered after the last pass, or before it with another body, hides no ball."""
    lengths_m = {"short.tsv": 0.04, "long.tsv": 0.14}
    for name, length_m in lengths_m.items():
        rows = (tmp_path / name).read_text("utf-8").splitlines()
        begin = next(place for place, row in enumerate(rows) if "\tboard\t" in row)
        for place, stated_m in ((len(rows), 0.5), (begin, length_m), (begin, 0.3)):
            record = json.dumps({"name": "ball", "body": {"length_m": stated_m}})
            host_us = rows[min(place, len(rows) - 1)].split("\t")[0]
            rows.insert(place, f"{host_us}\tsetup\t{record}")
        (tmp_path / name).write_text("\n".join(rows) + "\n", "utf-8")
    doubted = chrono(*RODS, *LENGTHS, "--dry-run")
    assert doubted.code == 1
    assert "round" in doubted.err


def test_recordings_in_the_wrong_order_are_told(chrono, bench) -> None:
    turned = ("calibrate", "rods", "long.tsv", "short.tsv", "--rig", "rig.toml", *LENGTHS)
    is_one_clear_complaint(chrono(*turned), "is about 140 mm long")


@pytest.mark.parametrize(
    ("words", "told"),
    [
        (("--short", "140 mm", "--long", "40 mm"), "the difference is -100 mm"),
        (("--short", "40 mm", "--long", "120 mm"), "the gates would be"),
        (("--short", "40", "--long", "140 mm"), "--short"),
        (("--short", "40 mm"), "--long"),
        (("--short=-40 mm", "--long", "60 mm"), "--short: the length of a rod cannot be"),
        (("--short", "40 mm", "--long", "0 mm"), "--long: the length of a rod cannot be"),
        ((*LENGTHS, "--length-tolerance=-1 mm"), "--length-tolerance"),
        ((*LENGTHS, "--length-tolerance", "40 mm"), "cannot have a tolerance of ± 0.04 m"),
        ((*LENGTHS, "--short-setup", "nobody's"), "no counted shots of setup"),
    ],
)
def test_rods_asked_for_wrongly_are_refused_in_one_line(
    chrono, tmp_path, bench, words, told
) -> None:
    is_one_clear_complaint(chrono(*RODS, *words), told)
    assert (tmp_path / "rig.toml").read_text() == RIG


def test_one_recording_is_not_that_of_two_rods(chrono, bench) -> None:
    same = ("calibrate", "rods", "short.tsv", "short.tsv", "--rig", "rig.toml", *LENGTHS)
    is_one_clear_complaint(chrono(*same), "the same recording")
