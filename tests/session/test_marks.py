"""The operator's records read back as they were written, and nothing else passes for one."""

import pytest

from chrono.session import marks
from chrono.session.marks import Mark, Setup


def test_a_setup_reads_back_as_it_was_written() -> None:
    setup = Setup("two bands", {"mass_kg": 0.024, "length_m": 0.04}, {"draw": "60 cm"})

    assert marks.read_setup(marks.setup_record(setup)) == setup


@pytest.mark.parametrize(
    "mark",
    [
        Mark(marks.SET_ASIDE, 123, "hit the frame"),
        Mark(marks.COUNT_AGAIN, 123),
        Mark(marks.NOTE, 7, "loud"),
        Mark(marks.NOTE, None, "door opened"),
        Mark(marks.HOLD_ON),
        Mark(marks.HOLD_OFF),
    ],
)
def test_a_mark_reads_back_as_it_was_written(mark: Mark) -> None:
    assert marks.read_mark(marks.mark_record(mark)) == mark


@pytest.mark.parametrize(
    "data",
    [
        {},
        {"action": "delete", "shot": 1},
        {"action": "set-aside"},
        {"action": "count-again"},
        {"action": "note", "shot": "1"},
        {"action": "note", "shot": True},
        {"action": "note", "shot": 1.5},
    ],
)
def test_what_is_no_mark_is_refused(data: dict[str, object]) -> None:
    with pytest.raises(ValueError, match=r".+"):
        marks.read_mark(data)


@pytest.mark.parametrize("length", [0, -0.04, 1e308, float("nan"), "0.04", True])
def test_a_body_of_impossible_length_is_refused(length: object) -> None:
    with pytest.raises(ValueError, match="no mass or length"):
        marks.read_setup({"name": "x", "body": {"length_m": length}})


def test_long_texts_are_cut() -> None:
    assert len(marks.read_setup({"name": "x" * 10_000}).name) == marks.TEXT_LIMIT
