"""Every flag a user may see is explained."""

import pytest

from chrono.processor.shot_records import Flag, flag_words
from chrono.reports.flag_help import FLAG_HELP

EVERY_WORD = flag_words(sum(Flag))


def test_every_flag_has_help_and_no_help_is_left_over() -> None:
    assert set(FLAG_HELP) == set(EVERY_WORD)
    assert len(EVERY_WORD) == len(Flag)


@pytest.mark.parametrize("word", EVERY_WORD)
def test_help_is_one_sentence_with_its_meaning_and_what_to_do(word: str) -> None:
    sentence = FLAG_HELP[word]
    assert sentence.endswith(".")
    assert sentence.count(". ") == 0
    assert sentence.count(": ") == 1
    assert len(sentence) <= 180
