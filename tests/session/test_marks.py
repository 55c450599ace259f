"""The operator's records read back as they were written, and nothing else passes for one."""

import json
from dataclasses import replace

import numpy as np
import pytest

from chrono.arrays.events import Record
from chrono.session import operator_records
from chrono.session.annotations import (
    CORRECTION_LIMIT,
    KEPT_SETUPS,
    MARKS_ON_A_SHOT,
    Annotations,
    Marks,
    Setups,
    ShotMarks,
)
from chrono.session.operator_records import Mark, Setup


def test_a_setup_reads_back_as_it_was_written() -> None:
    setup = Setup("two bands", {"mass_kg": 0.024, "length_m": 0.04}, {"draw": "60 cm"})

    assert operator_records.read_setup(operator_records.setup_record(setup)) == setup


@pytest.mark.parametrize("shared", [True, False])
def test_setups_in_turn_keep_their_order_however_many_there_are(shared: bool) -> None:
    """A record that is read once more may be the same object, or an equal one."""
    names = [f"setup {n % (2 * KEPT_SETUPS + 1)}" for n in range(5 * KEPT_SETUPS)]
    records = {name: operator_records.setup_record(Setup(name)) for name in names}
    annotations = Annotations()
    for place, name in enumerate(names):
        data = records[name] if shared else dict(records[name])
        annotations.take(Record(place, place, "setup", data), anchor=place)

    assert [setup.name for setup in annotations.setups.all()] == ["", *names]


@pytest.mark.parametrize(
    "mark",
    [
        Mark(operator_records.SET_ASIDE, 123, "hit the frame"),
        Mark(operator_records.COUNT_AGAIN, 123),
        Mark(operator_records.NOTE, 7, "loud"),
        Mark(operator_records.NOTE, None, "door opened"),
        Mark(operator_records.HOLD_ON),
        Mark(operator_records.HOLD_OFF),
    ],
)
def test_a_mark_reads_back_as_it_was_written(mark: Mark) -> None:
    assert operator_records.read_mark(operator_records.mark_record(mark)) == mark


@pytest.mark.parametrize(
    "said",
    [
        Mark(operator_records.SET_ASIDE, 123, "hit the frame"),
        Mark(operator_records.NOTE, None, ""),
        Mark(operator_records.HOLD_ON),
        Setup("two bands", {"mass_kg": 0.024}, {"draw": "60 cm"}),
        Setup("two bands", corrects="too bands"),
        Setup("two bands", corrects=""),
    ],
)
def test_what_is_taken_back_reads_as_it_was_said(said: operator_records.Said) -> None:
    assert (
        operator_records.read_undo(json.loads(json.dumps(operator_records.undo_record(said))))
        == said
    )


@pytest.mark.parametrize(
    "data", [{}, {"said": 1}, {"said": {}}, {"origin": "mark", "said": {"action": "undo"}}]
)
def test_an_undo_of_nothing_is_refused(data: dict[str, object]) -> None:
    with pytest.raises(ValueError, match=r".+"):
        operator_records.read_undo(data)


def test_the_last_that_is_equal_is_taken_back() -> None:
    said = Marks()
    reason, other = (
        Mark(operator_records.SET_ASIDE, 7, "frame"),
        Mark(operator_records.SET_ASIDE, 7, "net"),
    )
    for mark in (reason, other, reason):
        said.take(mark, 10)
    said.take_back(reason)
    assert said.of(7).reason == "net"
    said.take_back(reason)
    assert said.of(7).reason == "net"
    with pytest.raises(ValueError, match="never made"):
        said.take_back(reason)
    said.take_back(other)
    assert said.of(7) == ShotMarks()
    assert said.at(np.array([7])).words() == [""]


def test_a_hold_taken_back_held_no_shot() -> None:
    said = Marks()
    said.take(Mark(operator_records.HOLD_ON), 10)
    said.take(Mark(operator_records.HOLD_OFF), 20)
    said.take(Mark(operator_records.HOLD_ON), 30)
    keys = np.array([5, 15, 25, 35])
    assert said.at(keys).held.tolist() == [False, True, False, True]
    said.take_back(Mark(operator_records.HOLD_ON))
    assert not said.held_after(40)
    assert said.at(keys).held.tolist() == [False, True, False, False]
    said.take_back(Mark(operator_records.HOLD_OFF))
    assert said.held_after(40)
    said.take_back(Mark(operator_records.HOLD_ON))
    assert not said.at(keys).held.any()


def test_an_earlier_hold_can_be_taken_back_after_its_end() -> None:
    said = Marks()
    said.take(Mark(operator_records.HOLD_ON), 10)
    said.take(Mark(operator_records.HOLD_OFF), 20)
    said.take_back(Mark(operator_records.HOLD_ON))
    assert said.at(np.array([5, 15, 25])).held.tolist() == [False] * 3
    said.take_back(Mark(operator_records.HOLD_OFF))
    with pytest.raises(ValueError, match="never made"):
        said.take_back(Mark(operator_records.HOLD_OFF))


def test_of_many_marks_on_a_shot_the_last_can_be_taken_back() -> None:
    said = Marks()
    said.take(Mark(operator_records.SET_ASIDE, 7, "net"), 10)
    for number in range(MARKS_ON_A_SHOT):
        said.take(Mark(operator_records.NOTE, 7, str(number)), 10)
    for number in range(MARKS_ON_A_SHOT - 1, -1, -1):
        assert said.of(7) == ShotMarks(False, "net", str(number))
        said.take_back(Mark(operator_records.NOTE, 7, str(number)))
    assert said.of(7) == ShotMarks(False, "net")
    with pytest.raises(ValueError, match="never made"):
        said.take_back(Mark(operator_records.SET_ASIDE, 7, "net"))


def test_the_last_ten_thousand_notes_on_a_session_are_kept() -> None:
    said = Marks()
    for number in range(10_003):
        said.take(Mark(operator_records.NOTE, None, str(number)), 10)
    assert said.notes == [str(number) for number in range(3, 10_003)]
    said.take_back(Mark(operator_records.NOTE, None, "10001"))
    assert said.notes[-2:] == ["10000", "10002"]


def test_a_setup_taken_back_leaves_its_shots_to_the_one_before() -> None:
    setups = Setups()
    two, three = Setup("two bands"), Setup("three bands", {"mass_kg": 0.03})
    setups.state(two, 10)
    setups.state(three, 20)
    place = setups.at(np.array([5, 15, 25]))
    assert [setups.name(p) for p in place] == ["", "two bands", "three bands"]
    setups.take_back(three)
    assert [setups.name(p) for p in place] == ["", "two bands", "two bands"]
    assert setups.after(40) == (2, two)
    setups.state(three, 30)
    setups.take_back(two)
    assert [setups.name(p) for p in setups.at(np.array([15, 25, 35]))] == [
        "",
        "",
        "three bands",
    ]
    with pytest.raises(ValueError, match="never entered"):
        setups.take_back(two)


def test_a_correction_stands_for_what_was_stated_before_and_not_after() -> None:
    setups = Setups()
    wrong, right = Setup("too bands"), Setup("two bands", {"mass_kg": 0.025}, {"bands": "2"})
    setups.state(wrong, 10)
    setups.state(Setup("three bands"), 20)
    setups.state(wrong, 30)
    correction = replace(right, corrects="too bands")
    setups.state(correction, 35)
    places = setups.at(np.array([15, 25, 35, 45]))
    assert [setups.name(p) for p in places] == ["two bands", "three bands", *["two bands"] * 2]
    assert setups.after(40)[1] == setups.last("two bands") == right
    setups.state(wrong, 50)
    assert setups.names == ("", "two bands", "three bands", "too bands")
    setups.take_back(correction)
    assert setups.names == ("", "too bands", "three bands")


def test_corrections_end_somewhere() -> None:
    setups = Setups()
    for _ in range(CORRECTION_LIMIT):
        setups.state(Setup("b", corrects="a"), 0)
    with pytest.raises(ValueError, match="corrected or undone"):
        setups.state(Setup("b", corrects="a"), 0)


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
        operator_records.read_mark(data)


@pytest.mark.parametrize("length", [0, -0.04, 1e308, float("nan"), "0.04", True])
def test_a_body_of_impossible_length_is_refused(length: object) -> None:
    with pytest.raises(ValueError, match="not a possible mass or length"):
        operator_records.read_setup({"name": "x", "body": {"length_m": length}})


@pytest.mark.parametrize("part", ["body", "conditions"])
def test_a_setup_whose_body_or_conditions_are_no_object_is_none(part) -> None:
    with pytest.raises(ValueError, match="must have the form"):
        operator_records.read_setup({"name": "x", part: ["24 g"]})


def test_long_texts_are_cut() -> None:
    assert (
        len(operator_records.read_setup({"name": "x" * 10_000}).name)
        == operator_records.TEXT_LIMIT
    )
