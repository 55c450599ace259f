"""Which passages belong to one body."""

from itertools import combinations, permutations

import pytest
from hypothesis import given
from hypothesis import strategies as st

from chrono.processor.body_matching import CROSSING_GAIN, align

TABLES = st.integers(1, 4).flatmap(
    lambda n: st.lists(
        st.lists(
            st.one_of(st.just(0.0), st.floats(0.3, 1.5)),
            min_size=n,
            max_size=n,
        ),
        min_size=1,
        max_size=4,
    )
)


def total(table: list[list[float]], pairs: list[tuple[int, int]]) -> float:
    return sum(table[i][j] for i, j in pairs)


def best_in_order(table: list[list[float]]) -> float:
    """Try every way to pair in order."""
    m, n = len(table), len(table[0])
    ways = [
        list(zip(rows, columns, strict=True))
        for size in range(min(m, n) + 1)
        for rows in combinations(range(m), size)
        for columns in combinations(range(n), size)
    ]
    return max(total(table, w) for w in ways if all(table[i][j] > 0 for i, j in w))


def best_at_all(table: list[list[float]]) -> float:
    """Try every way to pair."""
    m, n = len(table), len(table[0])
    ways = [
        list(zip(rows, columns, strict=True))
        for size in range(min(m, n) + 1)
        for rows in combinations(range(m), size)
        for columns in permutations(range(n), size)
    ]
    return max(total(table, w) for w in ways if all(table[i][j] > 0 for i, j in w))


@given(TABLES)
def test_pairs_in_order_have_the_best_sum_of_all_ways(table: list[list[float]]) -> None:
    nothing = [[0.0] * len(table[0]) for _ in table]
    pairs = align(table, nothing)
    assert total(table, pairs) == pytest.approx(best_in_order(table))
    assert pairs == sorted(pairs)
    assert [j for _, j in pairs] == sorted(j for _, j in pairs)


@given(TABLES)
def test_order_is_given_up_only_for_a_clear_gain(table: list[list[float]]) -> None:
    found = total(table, align(table, table))
    in_order, at_all = best_in_order(table), best_at_all(table)
    wanted = at_all if at_all > in_order + CROSSING_GAIN else in_order
    assert found == pytest.approx(wanted)


def test_among_equal_ways_the_earliest_pairs_are_taken() -> None:
    assert align([[1.0], [1.0]], [[0.0], [0.0]]) == [(0, 0)]
    assert align([[1.0, 1.0]], [[0.0, 0.0]]) == [(0, 0)]


def test_what_may_not_be_paired_stays_alone() -> None:
    assert align([[0.0]], [[0.0]]) == []
