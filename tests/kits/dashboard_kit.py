"""The dashboard of a board played by hand: begun, moved on by the test, read off its screen."""

from collections.abc import AsyncIterator
from contextlib import asynccontextmanager
from pathlib import Path
from typing import Any, NamedTuple
from unittest.mock import patch

from hand_board import HandBoard, hand_run
from rich.console import Console
from textual.pilot import Pilot

from chrono.dashboard.app import Dashboard
from chrono.session.live_run import LiveRun

SIZES = [(80, 24), (120, 40)]
ALL_SIZES = [(60, 20), *SIZES]


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


def screen_text(app: Dashboard) -> str:
    """Return what stands on the screen, line by line, from the picture it makes of itself."""
    with patch.object(Console, "export_svg", lambda console, **_: console.export_text()):
        text = app.export_screenshot()
    return "\n".join(line.rstrip() for line in text.replace("\xa0", " ").splitlines())
