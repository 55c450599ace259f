"""Whole records are chosen, joined and copied as numpy would, only faster."""

import numpy as np
import pytest

from chrono.arrays.structured_arrays import choose, copy, expand_runs, join, part, put

KIND = np.dtype([("at", np.int64), ("edge", [("gate", np.uint8), ("level", np.int16)])])


def records(*places: int) -> np.ndarray:
    return np.array([(at, (at % 2, -at)) for at in places], KIND)


def test_the_chosen_records_are_those_of_numpy_and_all_of_them_are_no_copy() -> None:
    found = records(1, 2, 3)
    assert choose(found, np.array([True, False, True])).tolist() == records(1, 3).tolist()
    assert choose(found, np.array([False] * 3)).tolist() == []
    assert choose(found, np.array([True] * 3)) is found


@pytest.mark.parametrize(
    ("parts", "joined"),
    [
        (((1, 2), (3,)), (1, 2, 3)),
        (((), (1,), (), (2, 3), (4,)), (1, 2, 3, 4)),
        (((), ()), ()),
    ],
)
def test_arrays_are_joined_in_order(parts, joined) -> None:
    found = join(*(records(*each) for each in parts))
    assert found.dtype == KIND
    assert found.tolist() == records(*joined).tolist()


def test_the_only_array_with_records_is_no_copy() -> None:
    only = records(1, 2)
    assert join(records(), only, records()) is only


def test_a_copy_does_not_change_with_its_source_and_put_overwrites() -> None:
    every_second = records(1, 9, 2, 9)[::2]
    copied = copy(every_second)
    put(records(7, 8)[::-1], every_second)
    assert copied.tolist() == records(1, 2).tolist()
    assert every_second.tolist() == records(8, 7).tolist()


def test_a_field_with_fields_of_its_own_is_an_array_of_them() -> None:
    edges = part(records(3, 4, 5), "edge")
    assert edges["gate"].tolist() == [1, 0, 1]
    assert edges["level"].tolist() == [-3, -4, -5]


def test_runs_name_their_number_and_every_index_even_if_they_overlap_or_are_empty() -> None:
    owner, place = expand_runs(np.array([5, 0, 6, 9]), np.array([3, 0, 2, 1]))
    assert owner.tolist() == [0, 0, 0, 2, 2, 3]
    assert place.tolist() == [5, 6, 7, 6, 7, 9]
