"""Loops that run as they stand or as machine code."""

import numpy as np
import pytest

from chrono.arrays import compiled


def total(values):
    """Return a sum that a numpy pass would give as well."""
    result = 0
    for value in values:
        result += value
    return result


@pytest.fixture(name="made")
def _made(monkeypatch):
    """Gather the functions that are made machine code."""
    made = []
    real = compiled.compiled

    def noted(function):
        made.append(function)
        return real(function)

    monkeypatch.setattr(compiled, "compiled", noted)
    return made


def test_a_loop_runs_as_it_stands_until_machine_code_is_loaded(monkeypatch, made) -> None:
    monkeypatch.setattr(compiled, "is_loaded", lambda: False)
    assert compiled.loop(total)(np.arange(1000)) == 499_500
    assert made == []


def test_only_a_long_loop_runs_as_machine_code_and_is_compiled_once(made) -> None:
    compiled.load()
    run = compiled.loop(total)
    assert run(np.arange(10)) == 45
    assert made == []
    assert [run(np.arange(1000)), run(np.arange(2000))] == [499_500, 1_999_000]
    assert made == [total]


def test_where_machine_code_cannot_be_kept_it_is_made_all_the_same() -> None:
    names: dict = {}
    exec("def twice(value):\n    return 2 * value", names)  # of no file
    assert compiled.compiled(names["twice"])(21) == 42
