"""What the first shot needs is there before it comes."""

import threading
from collections import Counter
from multiprocessing import Pipe
from pathlib import Path
from socket import socket

import pytest
from dashboard_kit import finish_work
from hand_board import hand_run

from chrono.commands.console_output import print_shots
from chrono.commands.share_command import _opened
from chrono.dashboard import dashboard_app
from chrono.dashboard.dashboard_app import Dashboard
from chrono.measuring import speed
from chrono.processor.shot_records import EdgesUsed
from chrono.reports.findings_text import Findings
from chrono.session.live_run import live_run
from chrono.session.speed_models import speed_model
from chrono.sharing import server_process
from chrono.sharing.share_server import DisplayOptions

ALL = Counter({EdgesUsed.BOTH: 61, EdgesUsed.LEAD: 61})
"""Factors in the two tables of a rig, so none is left for a shot to wait for."""

BANDS = Path(__file__).parents[2] / "recordings" / "two-and-three-bands.tsv"


@pytest.fixture
def made(monkeypatch):
    """Return the edges of each coverage factor worked out, with the thread that did it."""
    made = []
    real = speed._coverage_factor

    def noted(model, edges_used, true_s):
        made.append((edges_used, threading.current_thread()))
        return real(model, edges_used, true_s)

    monkeypatch.setattr(speed, "_coverage_factor", noted)
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

    assert Counter(edges for edges, _ in made) == ALL
    assert threading.main_thread() not in {thread for _, thread in made}


async def test_what_shots_need_is_set_aside_from_collection_with_the_widgets(made, monkeypatch):
    _, run = hand_run()
    frozen = []
    monkeypatch.setattr(dashboard_app, "freeze_widgets", lambda: frozen.append(len(made)))

    async with Dashboard(run).run_test(size=(80, 24)) as pilot:
        await pilot.pause()
        await finish_work(pilot.app)
        await pilot.pause()

    assert frozen == [ALL.total()], "once, when all is there"


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

    assert Counter(edges for edges, _ in made) == ALL
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

    assert seen == [ALL.total()]
    assert threading.main_thread() not in {thread for _, thread in made}


def test_without_a_screen_it_is_worked_out_before_shots_are_taken(made, capsys):
    run = live_run("virtual://two-bands?speedup=50&shots=1", None, None)
    real, seen = run.step, []

    def step():
        seen.append(len(made))
        return real()

    run.step = step
    print_shots(run, 1, as_json=False, findings=Findings())

    assert seen[0] == ALL.total()
    assert "m/s" in capsys.readouterr().out


def test_a_page_that_shows_a_recording_has_it_before_the_first_viewer_comes(made):
    run = _opened(BANDS, None)
    run.close()

    assert len(made) == ALL.total()


def test_a_page_beside_clocking_has_it_before_the_first_viewer_comes(made, monkeypatch):
    seen = []
    monkeypatch.setattr(server_process, "serve", lambda *_: seen.append(len(made)))
    ours, its = Pipe()
    with ours, its, socket() as bound:
        server_process._share(its, BANDS, bound, "", DisplayOptions())

    assert seen == [ALL.total()]


def test_a_page_beside_clocking_ends_with_the_measuring_process(made, monkeypatch):
    asked = []

    def serve(_run, _bound, _token, _wishes, _ready, is_over, _control) -> None:
        asked.append(is_over())
        ours.close()
        asked.append(is_over())

    monkeypatch.setattr(server_process, "serve", serve)
    ours, its = Pipe()
    with its, socket() as bound:
        server_process._share(its, BANDS, bound, "", DisplayOptions())

    assert asked == [False, True]
