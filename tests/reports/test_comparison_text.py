"""What is said of compared setups: golden texts of many situations, and each sentence."""

from dataclasses import replace

import numpy as np
import pytest
from comparison_situations import SITUATIONS, Situation, agreed, near

from chrono.measuring.error_budget import Contribution, chords, normal
from chrono.measuring.series_statistics import Sample
from chrono.measuring.setup_comparison import (
    MOST_SHOTS,
    Comparison,
    Difference,
    MoreShots,
    Verdict,
    compare_groups,
    group_of,
)
from chrono.reports.comparison_text import (
    chance_words,
    comparison_data,
    difference_text,
    headline_lines,
    matrix_lines,
    more_sentence,
    note_lines,
    pair_lines,
    ratio_text,
)
from chrono.session.pooled_samples import groups_from


def found(situation: Situation) -> Comparison:
    return compare_groups(groups_from(situation.recordings))


def test_at_least_forty_situations_were_read() -> None:
    assert len(SITUATIONS) >= 40
    assert agreed().keys() == SITUATIONS.keys()


@pytest.mark.parametrize("name", SITUATIONS)
def test_what_is_said_in_a_situation_is_what_was_agreed(name: str) -> None:
    text = SITUATIONS[name]().text()
    assert text == agreed()[name]
    assert max(map(len, text.splitlines())) <= 60


def test_the_notes_say_that_setups_of_one_pair_of_edges_may_be_aimed_differently() -> None:
    def notes(shared: tuple[Contribution, ...]) -> str:
        speeds, own = np.array([20.0, 20.2, 20.1]), np.full(3, 0.1)
        groups = [
            group_of(name, Sample(np.arange(3) + place, speeds, own, own, shared=shared))
            for place, name in enumerate("AB")
        ]
        return " ".join(note_lines(compare_groups(groups), "m/s"))

    assert "another height, so the ± is larger (gates.off_centre in the rig)" in notes(
        (Contribution(chords("", 0.02, 5e-3), 40.0),)
    )
    assert "height" not in notes((Contribution(normal("", 0.1), 1.0),))


@pytest.mark.parametrize("name", SITUATIONS)
def test_headline_pairs_and_sum_of_a_situation_agree(name: str) -> None:
    text = " ".join(agreed()[name].split())
    headline = text.split(" setup n ")[0]
    claims = "is faster than" in headline or "is the fastest" in headline
    if claims and "if the launcher did not drift" not in headline:
        assert "do not show a difference" not in text
        assert " faster by " in text or " slower by " in text or "*" in text
    if "whether" in headline or "show a difference" in headline:
        assert "not all setups are equally fast" not in text
        assert "*" not in text.split("* difference,")[0]


@pytest.mark.parametrize(
    ("p", "words"),
    [
        (1e-7, "in less than 1 of 1000 sessions (p < 0.001)"),
        (0.0042, "in 4 of 1000 sessions (p = 0.004)"),
        (0.04, "in 4 of 100 sessions (p = 0.04)"),
        (0.049, "in 5 of 100 sessions (p = 0.049)"),
        (0.3, "in 30 of 100 sessions (p = 0.3)"),
    ],
)
def test_chance_is_told_in_sessions_and_as_p(p: float, words: str) -> None:
    one = Difference(1.0, 0.5, 9.0)
    assert chance_words(replace(one, p_adjusted=p)) == (
        "if all setups were equally fast, chance alone would make at least two differ this "
        "much " + words
    )
    assert chance_words(one).startswith(
        "if both setups were equally fast, chance would cause such a difference in 8 of"
    )


@pytest.mark.parametrize(
    ("difference", "text"),
    [
        (5.0, "5.00 ± 0.34 m/s (95 %)"),
        (0.3402, "0.3402 ± 0.3400 m/s (95 %)"),
        (-0.3402, "-0.3402 ± 0.3400 m/s (95 %)"),
        (0.342, "0.342 ± 0.340 m/s (95 %)"),
        (0.3399, "0.34 ± 0.34 m/s (95 %)"),
        (0.1, "0.10 ± 0.34 m/s (95 %)"),
    ],
)
def test_rounding_never_hides_that_zero_is_outside_the_interval(difference, text) -> None:
    u = 0.34 / 2.5705818356363146  # Student's t of 5 degrees of freedom
    size, signed = difference_text(Difference(difference, u, 5.0), "m/s")
    assert signed == text
    assert size == text.lstrip("-")


def test_many_leading_setups_are_counted() -> None:
    groups = []
    for place, name in enumerate("abcdefg"):
        number = 1 + place + 7 * np.arange(6)
        speeds = (20.0 if name in "fg" else 30.0) + np.array([0.1, -0.1, 0.2, -0.2, 0.0, 0.0])
        sample = Sample(number, speeds, np.full(6, 0.01), np.full(6, 0.01))
        groups.append(group_of(name, sample))
    headline = " ".join(headline_lines(compare_groups(groups), "m/s"))
    assert "The fastest setup may be one of 5 setups, but not f or g." in headline


def test_how_many_more_shots_settle_it() -> None:
    assert more_sentence(MoreShots(MOST_SHOTS, None)) == (
        "even if the true difference is as large as measured, 1000 more shots of each setup "
        "may be too few to show it"
    )
    assert more_sentence(MoreShots(1, None), ", shot in turn,") == (
        "if the true difference is as large as measured, 1 more shot of each setup, "
        "shot in turn, shows it in 4 of 5 tries; if there is no true difference, more shots "
        "cannot show a difference"
    )
    assert more_sentence(MoreShots(5, 40)).endswith(
        "show it in 4 of 5 tries; if the true difference is as small as the ± allows, "
        "40 shots are needed"
    )


def test_a_ratio_of_s_has_more_digits_where_rounding_would_hide_the_claim() -> None:
    (pair,) = found(Situation().in_turn(a=near(22, 9, 1), b=near(22, 9, 2))).pairs
    close = replace(pair, s_ratio=0.5, s_ratio_low=0.25, s_ratio_high=0.998)
    assert (
        ratio_text(close)
        == "s is 0.5000 times the s of the other setup, 0.2500 … 0.9980 (95 %)"
    )
    assert ratio_text(pair).startswith("s is 1.0 times the s of the other setup, 0.")


def test_at_most_two_reasons_for_doubt_stand_in_the_headline() -> None:
    situation = SITUATIONS["drift, doubtful shots and damaged lines"]()
    answer, *doubts = headline_lines(found(situation), "m/s", damaged_lines=7)
    assert answer.endswith("if the launcher did not drift.")
    assert [doubt.split()[1] for doubt in doubts] == ["a", "without"]
    calm = found(Situation().in_turn(a=near(22, 9, 1), b=near(25, 9, 2)))
    assert headline_lines(calm, "m/s", 1)[1:] == [
        "Doubt: 1 line of the data is damaged or lost. Shots may be missing."
    ]
    assert len(headline_lines(calm, "m/s")) == 1


def test_a_matrix_is_cut_into_pieces_that_fit() -> None:
    nine = found(Situation().in_turn(**{f"s{i}": near(20 + i, 6, i) for i in range(9)}))
    narrow = matrix_lines(nine, "m/s", columns=40)
    assert max(len(line) for line in narrow if line.lstrip()[:1].isdigit()) <= 40
    whole = matrix_lines(nine, "m/s", columns=200)
    cells = [line.split()[1:] for line in whole[2:10]]
    assert [len(row) for row in cells] == list(range(1, 9))
    assert cells[7][0].startswith("+8")
    assert cells[7][0].endswith("*")
    pieces = [cell for line in narrow for cell in line.split() if cell[-1:] == "*"]
    assert sorted(set(pieces) - {"*"}) == sorted({c for row in cells for c in row if "*" in c})


def test_json_has_the_verdicts_of_the_sentences() -> None:
    situation = SITUATIONS["faster by 0.5 m/s, in blocks"]()
    data = comparison_data(found(situation))
    (pair,) = data["pairs"]
    assert (pair["verdict"], pair["settled"]) == ("faster_without_drift", False)
    assert pair["faster"] == "three"
    assert pair["without_drift"]["difference_mps"] == pytest.approx(0.5)
    assert pair["difference"]["p_adjusted"] is None
    assert data["fastest"] == "three"
    assert data["headline"][0].endswith("if the launcher did not drift.")


def test_a_pair_is_named_once_and_its_lines_are_indented() -> None:
    (pair,) = found(SITUATIONS["faster by 5 m/s, in blocks"]()).pairs
    title, *lines = pair_lines(pair, "m/s")
    assert title == "three against two:"
    assert pair.verdict is Verdict.FASTER
    assert all(line.startswith("  ") for line in lines)
