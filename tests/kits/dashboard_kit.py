"""The dashboard of a board played by hand: begun, moved on by the test, read off its screen."""

from asyncio import gather
from collections.abc import AsyncIterator
from contextlib import asynccontextmanager
from pathlib import Path
from typing import Any, NamedTuple
from unittest.mock import patch

import pytest
from hand_board import HandBoard, hand_run
from rich.console import Console
from textual.app import App
from textual.pilot import Pilot

from chrono.dashboard.actions import ACTIONS
from chrono.dashboard.dashboard_app import Dashboard
from chrono.dashboard.dialogs import ASKING
from chrono.session.live_run import LiveRun

SMALL, USUAL, LARGE = (60, 20), (80, 24), (120, 40)
SIZES = [USUAL, pytest.param(LARGE, marks=pytest.mark.long)]
ALL_SIZES = [SMALL, pytest.param(USUAL, marks=pytest.mark.long), LARGE]


class Clocking(NamedTuple):
    """A dashboard that clocks, and what it hangs on."""

    board: HandBoard
    run: LiveRun
    app: Dashboard
    pilot: Pilot[Any]


@asynccontextmanager
async def clocking(
    *keys: str,
    size: tuple[int, int] = (80, 24),
    recording: Path | None = None,
    shots: tuple[float, ...] = (),
    notifications: bool = False,
    hello: bool = True,
) -> AsyncIterator[Clocking]:
    """Let a dashboard clock: past its caution, these keys pressed, these shots (m/s) shown."""
    board, run = hand_run(recording, hello=hello)
    app = Dashboard(run)
    async with app.run_test(size=size, notifications=notifications) as pilot:
        await pilot.press("enter", *keys)
        if shots:
            board.shoot_and_wait(*shots)
            await drive(app, pilot)
        yield Clocking(board, run, app, pilot)


async def drive(app: Dashboard, pilot: Pilot[Any]) -> None:
    """Take what the board said, show it, and let the screen settle."""
    app.drive()
    app.show_session()
    app.follow()
    await pilot.pause()


def listed(app: Dashboard) -> list[tuple[str, ...]]:
    """Return what the table lists of each shot."""
    table = app.screen.table
    return [table.cells(index) for index in range(len(table))]


def names_of(group: str) -> set[str]:
    """Return the names of a group's actions."""
    return {action.name for action in ACTIONS if action.group == group}


async def finish_work(app: App[Any]) -> None:
    """Let everything be worked out; what waits for an answer goes on waiting."""
    await gather(*(worker.wait() for worker in app.workers if worker.group != ASKING))


async def settle(app: App[Any], pilot: Pilot[Any]) -> None:
    """Let everything be worked out and shown."""
    await pilot.pause()
    await finish_work(app)
    await pilot.pause()


def screen_text(app: App[Any]) -> str:
    """Return what stands on the screen, line by line, from the picture it makes of itself."""
    with patch.object(Console, "export_svg", lambda console, **_: console.export_text()):
        text = app.export_screenshot()
    return "\n".join(line.rstrip() for line in text.replace("\xa0", " ").splitlines())
