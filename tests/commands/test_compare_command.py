"""`compare` on the demo recordings, and on what cannot be compared."""

import json
from pathlib import Path

import pytest
from command_kit import is_one_clear_complaint

RECORDINGS = Path(__file__).parents[2] / "recordings"
BANDS = RECORDINGS / "two-and-three-bands.tsv"


def flat(text: str) -> str:
    """Return a text without its line breaks."""
    return " ".join(text.split())


def test_compare_says_in_a_sentence_which_setup_is_faster(chrono):
    done = chrono("compare", BANDS)

    assert done.code == 0, done.err
    assert "three bands against two bands:" in done.out
    assert flat(done.out).startswith(
        "three bands is faster than two bands by 4.9 ± 0.4 m/s (95 %). setup"
    )
    assert "faster by 4.9 ± 0.4 m/s (95 %), which is 22.1 %" in flat(done.out)
    assert "in less than 1 of 1000 sessions (p < 0.001)" in flat(done.out)
    assert "show which setup has less scatter" in done.out
    assert flat(done.out).endswith("Rigs: there is one recording, so there is one rig.")


def test_compare_as_json_holds_what_the_sentence_says(chrono):
    data = json.loads(chrono("compare", BANDS, "--json").out)

    (pair,) = data["pairs"]
    assert pair["settled"]
    assert (pair["verdict"], pair["faster"]) == ("faster", "three bands")
    assert data["fastest"] == "three bands"
    assert pair["difference"]["difference_mps"] == pytest.approx(4.9127, abs=1e-3)
    assert pair["without_drift"]["difference_mps"] == pytest.approx(4.8747, abs=1e-3)
    assert data["rigs"] == [{"recordings": [BANDS.name], "basis": "alone"}]
    assert [each["n"] for each in data["setups"]] == [20, 20]


def test_recordings_are_told_apart_and_several_setups_are_compared_at_once(chrono):
    done = chrono("compare", BANDS, RECORDINGS / "plain-lines-4us.tsv")

    assert done.code == 0, done.err
    assert "two-and-three-bands.tsv: two bands" in done.out
    text = flat(done.out)
    assert text.count(" against ") == 3
    assert "All setups together: not all setups are equally fast (p < 0.001)." in text
    assert "If setups are in different recordings, a drift" in text
    assert "Rigs: 2 different rigs for the 2 recordings. If all recordings have the" in text


def test_one_setup_alone_is_shown_and_said_to_be_alone(chrono):
    done = chrono("compare", RECORDINGS / "plain-lines-4us.tsv")

    assert done.code == 1
    assert "two bands           60" in done.out
    assert "two setups" in done.err


def test_a_file_that_is_not_there_is_one_complaint(chrono):
    is_one_clear_complaint(chrono("compare", "none.tsv"), "none.tsv")


def test_names_from_outside_are_harmless_whole_and_within_sixty_columns(chrono, tmp_path):
    rows = BANDS.read_bytes().splitlines(keepends=True)
    evil, long = "\x1b[2J=cmd()\n", "very long " * 30
    text = b"".join(rows).replace(b"two bands", b"TWO").replace(b"three bands", b"THREE")
    for old, new in (("TWO", evil), ("THREE", long)):
        text = text.replace(f'"{old}"'.encode(), json.dumps(new).encode())
    (tmp_path / "evil.tsv").write_bytes(text)

    done = chrono("compare", "evil.tsv")

    assert done.code == 0, done.err
    assert "\x1b" not in done.out
    assert "·[2J=cmd()·" in done.out
    assert max(map(len, done.out.splitlines())) <= 60
    assert flat(done.out).count("very") == 63, "shortened in the headline, whole in the rest"
