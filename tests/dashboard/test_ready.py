"""What the first shot needs is there before it comes."""

import threading
from multiprocessing import Pipe
from pathlib import Path
from socket import socket

import pytest
from dashboard_kit import finish_work
from hand_board import hand_run

from chrono.commands.console import print_shots
from chrono.commands.share import _opened
from chrono.dashboard import dashboard_app
from chrono.dashboard.dashboard_app import Dashboard
from chrono.measuring import speed
from chrono.processor.table import EdgesUsed
from chrono.session.live import live_run
from chrono.session.models import speed_model
from chrono.session.recorded import Findings
from chrono.sharing import apart
from chrono.sharing.service import Wishes

BANDS = Path(__file__).parents[2] / "recordings" / "two-and-three-bands.tsv"


@pytest.fixture
def made(monkeypatch):
    """Return the edges for which coverage was worked out, each with the thread that did it."""
    made = []
    real = speed._coverage_table

    def noted(model, edges_used):
        made.append((edges_used, threading.current_thread()))
        return real(model, edges_used)

    monkeypatch.setattr(speed, "_coverage_table", noted)
    speed_model.cache_clear()
    yield made
    speed_model.cache_clear()


async def test_the_coverage_is_worked_out_beside_the_screen(made):
    _, run = hand_run()
    app = Dashboard(run)
    assert not made, "it would put off the first screen"

    async with app.run_test(size=(80, 24)) as pilot:
        await pilot.pause()
        await finish_work(app)

    assert {edges for edges, _ in made} == {EdgesUsed.BOTH, EdgesUsed.LEAD}
    assert threading.main_thread() not in {thread for _, thread in made}


async def test_what_shots_need_is_set_aside_from_collection_with_the_widgets(made, monkeypatch):
    _, run = hand_run()
    frozen = []
    monkeypatch.setattr(dashboard_app, "freeze_widgets", lambda: frozen.append(len(made)))

    async with Dashboard(run).run_test(size=(80, 24)) as pilot:
        await pilot.pause()
        await finish_work(pilot.app)
        await pilot.pause()

    assert frozen == [2], "once, when all is there"


async def test_it_is_worked_out_anew_for_a_board_whose_counter_is_another(made):
    board, run = hand_run(hello=False)
    app = Dashboard(run)
    async with app.run_test(size=(80, 24)) as pilot:
        await pilot.pause()
        await finish_work(app)
        made.clear()
        board.line("H 1 8000000 32 hand 1.0")
        app.drive()
        await finish_work(app)

    assert {edges for edges, _ in made} == {EdgesUsed.BOTH, EdgesUsed.LEAD}
    assert threading.main_thread() not in {thread for _, thread in made}


async def test_lines_that_come_before_the_first_screen_stands_do_not_begin_it():
    board, run = hand_run(hello=False)
    begun = []

    class Watched(Dashboard):
        def _begin(self):
            super()._begin()
            board.line("H 1 8000000 32 hand 1.0")
            self.drive()
            begun.extend(worker for worker in self.workers if worker.group == "ready")

    async with Watched(run).run_test(size=(80, 24)) as pilot:
        await pilot.pause()

    assert run.session.counters.now is not None
    assert not begun


async def test_what_is_read_behind_a_bar_is_ready_when_the_bar_goes(made):
    _, run = hand_run()
    seen = []

    class Watched(Dashboard):
        def _begin(self):
            seen.append(len(made))
            super()._begin()

    app = Watched(load=lambda progress: run, name="x.tsv")
    async with app.run_test(size=(80, 24)) as pilot:
        await finish_work(app)
        await pilot.pause()

    assert seen == [2]
    assert threading.main_thread() not in {thread for _, thread in made}


def test_without_a_screen_it_is_worked_out_before_shots_are_taken(made, capsys):
    run = live_run("virtual://two-bands?speedup=50&shots=1", None, None)
    real, seen = run.step, []

    def step():
        seen.append(len(made))
        return real()

    run.step = step
    print_shots(run, 1, as_json=False, findings=Findings())

    assert seen[0] == 2
    assert "m/s" in capsys.readouterr().out


def test_a_page_that_shows_a_recording_has_it_before_the_first_viewer_comes(made):
    run = _opened(BANDS, None)
    run.close()

    assert len(made) == 2


def test_a_page_beside_clocking_has_it_before_the_first_viewer_comes(made, monkeypatch):
    seen = []
    monkeypatch.setattr(apart, "serve", lambda *_: seen.append(len(made)))
    ours, its = Pipe()
    with ours, its, socket() as bound:
        apart._share(its, BANDS, bound, "", Wishes())

    assert seen == [2]
