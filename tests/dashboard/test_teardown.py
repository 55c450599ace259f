"""A dashboard that ends in the middle of things ends without an error.

Textual takes the screens down one after the other. Those that still stand get messages
meanwhile, while no screen is in front any more: `App.screen` then raises `ScreenStackError`.
"""

import asyncio
import threading
from typing import Any

import pytest
from dashboard_kit import clocking
from hand_board import hand_run
from textual import events
from textual.screen import Screen
from textual.widget import Widget

from chrono.dashboard.actions import ACTIONS
from chrono.dashboard.dashboard_app import SCREENS, Dashboard
from chrono.dashboard.lab_screen import LabApp, LabScreen
from chrono.teaching.error_lab import start_of


class Disturbed(Dashboard):
    """Whatever may come while screens go comes once the screen in front has gone."""

    async def _prune(self, *nodes: Widget, **rest: Any) -> None:
        stacks = self._screen_stacks
        front_has_gone = not self.is_running and not stacks[self.current_mode]
        for screen in [one for stack in stacks.values() for one in stack]:
            if front_has_gone and screen.is_running:
                self.disturbed.append(type(screen).__name__)
                await self.disturb(screen)
        await super()._prune(*nodes, **rest)

    async def disturb(self, screen: Screen[Any]) -> None:
        """Let a screen, its key bar and the application have all that a run brings them."""
        screen.post_message(events.ScreenSuspend())
        screen.post_message(events.ScreenResume())
        screen.stack_updates += 1
        for bar in screen.query("#keys"):
            bar.post_message(events.Resize(self.size, self.size, self.size))
        screen.post_message(events.Resize(self.size, self.size, self.size))
        self.drive()
        self.follow()
        self.refresh_all()
        self.show_session()
        self.signal_shot()
        for action in ACTIONS:
            self.check_action(action.name, ())
        for _ in range(20):
            await asyncio.sleep(0)


@pytest.mark.parametrize("signal", ["", "flash"])
async def test_messages_that_come_while_screens_go_raise_nothing(signal) -> None:
    board, run = hand_run()
    app = Disturbed(run)
    app.disturbed = []
    app.preferences.choose_signal(signal)
    async with app.run_test(size=(80, 24)) as pilot:
        await pilot.press("enter")
        for key in "fvb?s":
            await pilot.press({"?": "question_mark"}.get(key, key))
        board.shoot_and_wait(30.0)
    assert len(set(app.disturbed)) >= len(SCREENS) - 1


async def test_nothing_asks_for_the_screen_in_front_once_there_is_none() -> None:
    async with clocking("b", "s", shots=(30.0,)) as (_, _, app, _):
        screen, bar = app.screen, app.screen.query_one("#keys")
    with app._context():
        app.drive()
        app.follow()
        app.refresh_all()
        screen.refresh_all()
        bar.show_keys()
        for action in ACTIONS:
            app.check_action(action.name, ())
            screen.check_action(action.name, ())


async def test_a_recording_that_is_read_when_the_operator_has_left_is_not_shown() -> None:
    reading, go_on, given_up = threading.Event(), threading.Event(), threading.Event()
    _, run = hand_run()

    def load(progress):
        reading.set()
        assert go_on.wait(10)
        try:
            progress(1, 2)
        except Exception:
            given_up.set()
            raise
        return run

    app = Dashboard(load=load, name="x.tsv")
    async with app.run_test(size=(80, 24)) as pilot:
        while not reading.is_set():
            await pilot.pause()
        await pilot.press("q")
        await pilot.pause()
        assert not app.is_running
        go_on.set()
        assert given_up.wait(10), "nothing more is read"
    assert not app.loaded
    assert app.trouble is None


@pytest.mark.parametrize("keys", ["n", "t", "a", "i", "/", "m", "q", "nq"])
async def test_it_ends_while_a_dialog_is_open(keys) -> None:
    async with clocking(shots=(30.0,)) as (board, _, app, pilot):
        await pilot.press(*({"/": "slash"}.get(key, key) for key in keys))
        assert len(app.screen_stack) > 1
        board.shoot(31.0)
        app.drive()
        app.exit()
    assert app.return_code == 0


async def test_the_lab_is_left_while_it_works(monkeypatch, tmp_path) -> None:
    monkeypatch.chdir(tmp_path)
    app = LabApp(start_of(None, None))
    async with app.run_test(size=(80, 24)) as pilot:
        lab = app.screen
        assert isinstance(lab, LabScreen)
        await pilot.press("right", "n", "a", "q")
    with app._context():
        lab._show_all()
        lab._say("late")
    assert app.return_code == 0
