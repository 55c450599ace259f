"""Rounds of guesses: one of each viewer, while the round is open, in plain numbers."""

import pytest

from chrono.errors import OptionError
from chrono.teaching import guess_rounds
from chrono.teaching.guess_rounds import (
    GuessKind,
    GuessRounds,
    MeasuredShot,
    Phase,
    RoundError,
    group_name,
    read_guess,
)


@pytest.fixture(name="rounds")
def _rounds() -> GuessRounds:
    rounds = GuessRounds()
    rounds.open(GuessKind.SPEED, 7)
    return rounds


@pytest.mark.parametrize(
    ("text", "kind", "unit", "value", "is_part"),
    [
        ("22", "speed", "m/s", 22.0, False),
        ("22,5", "speed", "m/s", 22.5, False),
        (" 80 km/h ", "speed", "m/s", 80 / 3.6, False),
        ("80", "speed", "km/h", 80 / 3.6, False),
        (".5", "error", "m/s", 0.5, False),
        ("± 0.3 m/s", "error", "m/s", 0.3, False),
        ("2 %", "error", "m/s", 0.02, True),
        ("2,5%", "error", "km/h", 0.025, True),
    ],
)
def test_a_guess_is_read_as_pupils_write_it(text, kind, unit, value, is_part) -> None:
    found, part = read_guess(text, GuessKind(kind), unit)
    assert found == pytest.approx(value)
    assert part is is_part


@pytest.mark.parametrize(
    ("text", "kind"),
    [
        *((text, "speed") for text in ("", "fast", "-3", "0", "2 %", "1e5", "nan", "inf")),
        *((text, "speed") for text in ("٣", "22 m", "22 22", "1" * 41, "22\x00", "12345678")),
        *((text, "error") for text in ("0 %", "1001 %", "0", "%", "__import__('os')")),
    ],
)
def test_what_is_not_a_guess_is_refused_with_an_example(text, kind) -> None:
    with pytest.raises(OptionError, match="not a number") as refused:
        read_guess(text, GuessKind(kind), "m/s")
    assert "m/s" in refused.value.hint


def test_a_viewer_guesses_once_in_a_round_and_again_in_the_next(rounds) -> None:
    assert rounds.take("a", "", "22", "m/s") == 1
    assert rounds.take("b", "", "23", "m/s") == 2
    with pytest.raises(RoundError, match="already sent"):
        rounds.take("a", "", "24", "m/s")
    assert [guess.value for guess in rounds.now.guesses] == [22.0, 23.0]
    rounds.open(GuessKind.ERROR, 8)
    assert rounds.take("b", "", "2 %", "m/s") == 2, "the number stays"


def test_a_guess_that_cannot_be_read_costs_nothing(rounds) -> None:
    with pytest.raises(OptionError, match="not a number"):
        rounds.take("a", "", "fast", "m/s")
    assert rounds.take("a", "", "22", "m/s") == 1


@pytest.mark.parametrize("phase", [Phase.CLOSED, Phase.REVEALED])
def test_only_an_open_round_takes_guesses(rounds, phase) -> None:
    rounds.go_to(phase)
    with pytest.raises(RoundError, match="no round"):
        rounds.take("a", "", "22", "m/s")
    with pytest.raises(RoundError, match="no round"):
        GuessRounds().take("a", "", "22", "m/s")


def test_guesses_and_viewers_are_bounded(rounds, monkeypatch) -> None:
    monkeypatch.setattr(guess_rounds, "MOST_GUESSES", 3)
    for token in "abc":
        rounds.take(token, "", "22", "m/s")
    with pytest.raises(RoundError, match="no more guesses"):
        rounds.take("d", "", "22", "m/s")
    monkeypatch.setattr(guess_rounds, "MOST_GUESSERS", 3)
    rounds.open(GuessKind.SPEED, 8)
    with pytest.raises(RoundError, match="no more guesses"):
        rounds.take("d", "", "22", "m/s")
    assert rounds.take("a", "", "22", "m/s") == 1


@pytest.mark.parametrize(
    ("sent", "name"),
    [
        ("  the   owls ", "the owls"),
        ("x" * 500, "x" * 20),
        ("\u202eevil\u202c", "·evil·"),
        ("a\nb\x1b[31m", "a·b·[31m"),
        ("\ud800", "·"),
        ("e\u0301", "é"),
        ("بومة", "بومة"),
    ],
)
def test_the_name_of_a_group_is_short_and_harmless(sent, name) -> None:
    assert group_name(sent) == name


def test_names_are_numbers_until_the_teacher_agrees_and_new_ones_again(rounds) -> None:
    rounds.take("a", "owls", "22", "m/s")
    rounds.take("b", "", "23", "m/s")
    assert [rounds.shown_name(guess) for guess in rounds.now.guesses] == ["1", "2"]
    assert rounds.waiting == {1: "owls"}
    rounds.agree()
    assert [rounds.shown_name(guess) for guess in rounds.now.guesses] == ["owls", "2"]
    assert rounds.waiting == {}
    rounds.open(GuessKind.SPEED, 8)
    rounds.take("a", "something rude", "22", "m/s")
    assert rounds.shown_name(rounds.now.guesses[0]) == "1"
    assert rounds.waiting == {1: "something rude"}


def test_what_is_kept_is_in_metres_per_second_beside_what_was_measured() -> None:
    rounds = GuessRounds()
    rounds.open(GuessKind.ERROR, 7)
    rounds.take("a", "owls", "2 %", "m/s")
    rounds.take("b", "", "1.8", "km/h")
    first, second = rounds.kept("monday.tsv", MeasuredShot(20.0, 0.1), "now")
    assert (first.who, first.guess_mps, first.U95_mps) == ("owls", pytest.approx(0.4), 0.1)
    assert (second.who, second.guess_mps) == ("2", pytest.approx(0.5))
    assert {first.kind, second.kind} == {"error"}
    assert (first.shot, first.recording, first.time) == (7, "monday.tsv", "now")
