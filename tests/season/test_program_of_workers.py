"""Workers that might give other digits are refused."""

import pytest

from chrono.arrays import machine_code
from chrono.errors import OptionError
from chrono.season.dask_cluster import expect_same_program


class TwoWorkers:
    """Answers as the client of a cluster whose second worker is another."""

    def __init__(self, second: str) -> None:
        self._second = second

    def wait_for_workers(self, number: int, timeout: float) -> None:
        assert number == 1

    def run(self, function):
        return {"tcp://one:1": function(), "tcp://two:2": self._second}


def test_workers_of_the_same_sources_are_taken() -> None:
    expect_same_program(TwoWorkers(machine_code.sources_hash()), "tcp://here:8786")


def test_a_worker_of_other_sources_is_named() -> None:
    with pytest.raises(OptionError, match="1 of 2 worker processes run another") as told:
        expect_same_program(TwoWorkers("other"), "tcp://here:8786")
    assert "tcp://two:2" in told.value.message


def test_workers_without_the_program_are_told() -> None:
    class Without(TwoWorkers):
        def run(self, function):
            raise ModuleNotFoundError("No module named 'chrono'")

    with pytest.raises(OptionError, match="No module named 'chrono'"):
        expect_same_program(Without(""), "tcp://here:8786")


def test_a_cluster_without_workers_is_told() -> None:
    class Empty(TwoWorkers):
        def wait_for_workers(self, number: int, timeout: float) -> None:
            raise TimeoutError("Only 0/1 workers arrived")

    with pytest.raises(OptionError, match="0/1 workers") as told:
        expect_same_program(Empty(""), "tcp://here:8786")
    assert "start the worker processes" in told.value.hint
