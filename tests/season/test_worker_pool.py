"""The same work on many recordings: order, bounds, processes, and what bad ones leave."""

import os
from collections.abc import Callable
from concurrent.futures import Executor, Future
from pathlib import Path
from typing import Any

import pytest
from season_kit import BANDS, EndProcess, Refuse, TellProcess, many_links

from chrono.errors import RecordingError
from chrono.season.recording_finder import RecordingSource, find_sources
from chrono.season.worker_pool import in_order, outcome_of, process_recordings


class HandPool(Executor):
    """Does its work when it is told to, the last first; remembers how much was waiting."""

    def __init__(self) -> None:
        self.waiting: list[tuple[Future[Any], Callable[[], Any]]] = []
        self.most = self.most_bytes = 0
        self.started: list[list[str]] = []
        self.fill: list[int] = []

    def submit(self, fn, /, *args, **kwargs):
        future: Future[Any] = Future()
        future.sources = args[-1]
        future.result = lambda timeout=None: self._result(future)  # type: ignore[method-assign]
        self.waiting.append((future, lambda: fn(*args, **kwargs)))
        self.started.append([source.name for source in args[-1]])
        self.most = max(self.most, len(self.waiting))
        self.fill.append(len(self.waiting))
        held = sum(s.size_bytes for each, _ in self.waiting for s in each.sources)
        self.most_bytes = max(self.most_bytes, held)
        return future

    def _result(self, wanted: "Future[Any]") -> Any:
        for future, work in reversed(self.waiting):
            if not future.done():
                future.set_result(work())
        self.waiting = [each for each in self.waiting if each[0] is not wanted]
        return Future.result(wanted)


def sources(folder: Path, number: int, size_bytes: int = 1000) -> list[RecordingSource]:
    return [
        RecordingSource(str(folder / f"{n}.tsv"), f"{n}.tsv", size_bytes) for n in range(number)
    ]


def test_results_come_in_order_whatever_order_the_work_was_done_in(tmp_path: Path) -> None:
    pool = HandPool()
    found = in_order(TellProcess(), sources(tmp_path, 20), pool.submit, 5, 1e9, batch_bytes=1)
    assert [outcome.result[1] for outcome in found] == [f"{n}.tsv" for n in range(20)]
    assert pool.most == 5


def test_what_is_under_way_is_bounded_in_bytes_too(tmp_path: Path) -> None:
    pool = HandPool()
    found = list(in_order(TellProcess(), sources(tmp_path, 10), pool.submit, 100, 1e9, 3500, 1))
    assert [outcome.source.name for outcome in found] == [f"{n}.tsv" for n in range(10)]
    assert pool.most_bytes == 3000
    assert pool.fill == [1, 2, 3, 3, 3, 3, 3, 3, 3, 3], "and kept busy"


def test_one_recording_beyond_all_bounds_is_read_all_the_same(tmp_path: Path):
    found = list(
        in_order(TellProcess(), sources(tmp_path, 3), HandPool().submit, 100, 1e9, 500, 1)
    )
    assert len(found) == 3


def test_large_recordings_are_read_here_in_their_turn(tmp_path: Path) -> None:
    small = sources(tmp_path, 6)
    large = RecordingSource(str(tmp_path / "large.tsv"), "large.tsv", 5000)
    pool = HandPool()
    found = list(
        in_order(
            TellProcess(), [*small[:3], large, *small[3:]], pool.submit, 4, 5000, batch_bytes=1
        )
    )
    assert found[3].source is large
    assert ["large.tsv"] not in pool.started
    assert len(pool.started) == 6


def test_small_recordings_are_handed_over_together(tmp_path: Path) -> None:
    pool = HandPool()
    some = sources(tmp_path, 7, 30_000)
    large = RecordingSource(str(tmp_path / "large.tsv"), "large.tsv", 400_000)
    found = in_order(
        TellProcess(), [*some[:5], large, *some[5:]], pool.submit, 9, 400_000, 10**9, 99_999
    )
    names = [outcome.source.name for outcome in found]
    assert names == ["0.tsv", "1.tsv", "2.tsv", "3.tsv", "4.tsv", "large.tsv", "5.tsv", "6.tsv"]
    assert pool.started == [["0.tsv", "1.tsv", "2.tsv"], ["3.tsv", "4.tsv"], ["5.tsv", "6.tsv"]]


def test_recordings_of_unknown_size_do_not_all_go_into_one_batch(tmp_path: Path) -> None:
    pool = HandPool()
    list(in_order(TellProcess(), sources(tmp_path, 250, 0), pool.submit, 9))
    assert [len(batch) for batch in pool.started] == [200, 50]


def test_a_bad_recording_is_an_outcome_and_the_others_go_on(tmp_path: Path) -> None:
    found = list(
        process_recordings(Refuse("b.tsv"), _three(tmp_path), jobs=1, progress=lambda: None)
    )
    assert [outcome.result for outcome in found] == ["a", None, "c"]
    assert found[1].error.message == "is refused"
    assert found[0].error is None


def test_progress_is_told_of_each_that_is_done(tmp_path: Path) -> None:
    told: list[int] = []
    for _ in process_recordings(
        Refuse(""), _three(tmp_path), 1, lambda: told.append(len(told))
    ):
        pass
    assert told == [0, 1, 2]


def test_processes_share_the_work_and_give_the_same_results_in_order(tmp_path: Path) -> None:
    chosen = find_sources([str(many_links(tmp_path / "many", 24, BANDS))])
    found = list(process_recordings(TellProcess(), chosen, jobs=2, progress=lambda: None))
    assert [outcome.result[1] for outcome in found] == [source.name for source in chosen]
    assert os.getpid() not in {outcome.result[0] for outcome in found}
    assert found[0].findings == [f"{chosen[0].where}: seen"]


def test_a_process_that_is_ended_from_outside_is_told_in_one_line(tmp_path: Path) -> None:
    with pytest.raises(RecordingError, match="another program stopped"):
        list(process_recordings(EndProcess(), _three(tmp_path), jobs=2, progress=lambda: None))


def test_little_work_is_not_shared_unless_it_is_asked_for(tmp_path: Path) -> None:
    found = list(process_recordings(TellProcess(), _three(tmp_path), None, lambda: None))
    assert {outcome.result[0] for outcome in found} == {os.getpid()}


def test_the_work_on_one_recording_tells_its_error(tmp_path: Path) -> None:
    nowhere = RecordingSource(str(tmp_path / "x.tsv"), "x.tsv", 0)
    outcome = outcome_of(Refuse("x.tsv"), nowhere)
    assert outcome.result is None
    assert outcome.error.where == nowhere.where


def _three(folder: Path) -> list[RecordingSource]:
    for name in "abc":
        (folder / f"{name}.tsv").write_text(name)
    return find_sources([str(folder)])
