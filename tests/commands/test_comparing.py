"""`compare` on the demo recordings, and on what cannot be compared."""

import json
from pathlib import Path

import pytest
from command_kit import is_one_clear_complaint

RECORDINGS = Path(__file__).parents[2] / "recordings"
BANDS = RECORDINGS / "two-and-three-bands.tsv"


def test_compare_says_in_a_sentence_which_setup_is_faster(chrono):
    done = chrono("compare", BANDS)

    assert done.code == 0, done.err
    assert "three bands against two bands:" in done.out
    assert "faster by 4.87 ± 0.34 m/s (95 %), 22.0 %; chance alone" in done.out
    assert "open which is more repeatable" in done.out


def test_compare_as_json_holds_what_the_sentence_says(chrono):
    data = json.loads(chrono("compare", BANDS, "--json").out)

    (pair,) = data["pairs"]
    assert pair["settled"]
    assert pair["difference"]["difference_mps"] == pytest.approx(4.8747, abs=1e-3)
    assert [each["n"] for each in data["setups"]] == [20, 20]


def test_recordings_are_told_apart_and_several_setups_are_compared_at_once(chrono):
    done = chrono("compare", BANDS, RECORDINGS / "plain-lines-4us.tsv")

    assert done.code == 0, done.err
    assert "two-and-three-bands.tsv: two bands" in done.out
    assert "analysis of variance" in done.out
    assert done.out.count(" less ") == 3 + done.out.count("less than once")


def test_one_setup_alone_is_shown_and_said_to_be_alone(chrono):
    done = chrono("compare", RECORDINGS / "plain-lines-4us.tsv")

    assert done.code == 1
    assert "60 counted" in done.out
    assert "two setups" in done.err


def test_a_file_that_is_not_there_is_one_complaint(chrono):
    is_one_clear_complaint(chrono("compare", "none.tsv"), "none.tsv")
