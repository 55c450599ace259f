"""A corrected rig in a recording, and what it changes against an earlier export."""

import io
import json
import shutil
import sys
from pathlib import Path

import pytest

BANDS = Path(__file__).parents[2] / "recordings" / "two-and-three-bands.tsv"


@pytest.fixture(name="recording")
def _recording(tmp_path: Path) -> Path:
    return Path(shutil.copy(BANDS, tmp_path / "bands.tsv"))


def test_a_corrected_slope_is_one_more_row_and_measures_again(chrono, recording, tmp_path):
    before = recording.read_bytes()
    for name, comma in (("old.csv", ()), ("comma.csv", ("--decimal-comma",))):
        chrono("export", recording, "-o", tmp_path / name, *comma)
        same = chrono("export", recording, "--against", tmp_path / name)
        assert same.out == "this export has 40 shots; no shot differs from the earlier export\n"

    done = chrono("rig", "correct", recording, "--set", "gates.slope=down", "--yes")

    assert done.code == 0
    assert "gates.slope_rad: 0 → 1.570796" in done.out
    after = recording.read_bytes()
    assert after.startswith(before)
    (row,) = after[len(before) :].splitlines()
    assert row.split(b"\t")[1] == b"rig"
    assert row.split(b"\t")[0] == before.splitlines()[-1].split(b"\t")[0], "it came last"
    against = ("export", recording, "--against", tmp_path / "old.csv")
    assert " shots differ (the largest change is first)" in chrono(*against).out
    data = json.loads(chrono(*against, "--json").out)
    assert len(data["changes"]) > 30
    first = data["changes"][0]
    assert first["now"]["speed_mps"] != first["before"]["speed_mps"]


@pytest.mark.parametrize("answer", ["n\n", "", "yes please\n"])
def test_without_a_yes_nothing_is_added(chrono, recording, monkeypatch, answer):
    monkeypatch.setattr(sys, "stdin", io.StringIO(answer))
    done = chrono("rig", "correct", recording, "--set", "gates.slope=down")
    assert done.out.endswith("nothing was added\n")
    assert recording.read_bytes() == BANDS.read_bytes()


def test_a_yes_adds_it(chrono, recording, monkeypatch):
    monkeypatch.setattr(sys, "stdin", io.StringIO("y\n"))
    chrono("rig", "correct", recording, "--set", "window.slowest=1 m/s")
    assert b'"slowest_mps": 1.0' in recording.read_bytes().splitlines()[-1]


@pytest.mark.parametrize(
    ("words", "said"),
    [
        (("--set", "gates.slop=down"), "unknown key gates.slop"),
        (("--set", "gates.slope=3 mm"), "gates.slope is"),
        (("--set", "gates.slope"), "does not have the form KEY=VALUE: "),
        (("--set", "calibration.clock.u=1 ppm"), "can only be set in a rig file"),
        (("--set", "gates.slope=level"), "already has this rig"),
        ((), "already has this rig"),
    ],
)
def test_what_corrects_nothing_is_refused(chrono, recording, words, said):
    done = chrono("rig", "correct", recording, *words, "--yes")
    assert done.code == 2
    assert said in done.err
    assert recording.read_bytes() == BANDS.read_bytes()


def test_against_writes_nothing(chrono, recording, tmp_path):
    done = chrono("export", recording, "--against", recording, "-o", tmp_path / "x.csv")
    assert done.code == 2
    assert not (tmp_path / "x.csv").exists()


def test_a_starter_for_drops_counts_slow_shots_that_fall(chrono, tmp_path):
    chrono("rig", "new", tmp_path / "drop.toml", "--drops")
    rig = json.loads(chrono("rig", "check", tmp_path / "drop.toml", "--json").out)
    assert rig["gates"]["slope_rad"] == pytest.approx(1.5707963)
    assert rig["window"]["slowest_mps"] == 0.5
    both = ("--drops", "--scenario", "drop-test")
    assert chrono("rig", "new", tmp_path / "x.toml", *both).code == 2


def test_a_scenario_with_a_board_is_refused(chrono, tmp_path):
    both = ("--board", "uno", "--scenario", "drop-test")
    done = chrono("rig", "new", tmp_path / "x.toml", *both)
    assert done.code == 2
    assert "--board cannot be used with --scenario" in done.err
    assert not (tmp_path / "x.toml").exists()
