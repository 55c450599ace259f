"""Every screen and dialog where the terminal has no colours: nothing fails, words tell all."""

import re

import pytest
from hand_board import drive, hand_run, screen_text

from chrono.dashboard.actions import ACTIONS
from chrono.dashboard.app import MODES, Dashboard

SIZES = [(60, 20), (80, 24), (120, 40)]
KEYS = [action.key.split(",")[0] for action in ACTIONS if action.name != "quit"]
GREY = re.compile(r"#([0-9a-f]{2})\1\1", re.IGNORECASE)


@pytest.fixture(autouse=True)
def _no_colours(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setenv("NO_COLOR", "1")
    monkeypatch.setenv("TERM", "dumb")


PICTURE = {"#ff5f57", "#febc2e", "#28c840", "#c5c8c6"}
"""Colours that a picture of any screen has: buttons of its frame, what was never drawn."""


def colours(app: Dashboard) -> set[str]:
    """Return the colours of what is drawn that are no shade of grey."""
    found = re.findall(r"#[0-9a-fA-F]{6}", app.export_screenshot().lower())
    return {colour for colour in found if not GREY.fullmatch(colour)} - PICTURE


async def played(app: Dashboard, board, pilot) -> None:
    """Clock a good shot and one that only tripped gate A."""
    await pilot.press("enter")
    board.shoot_and_wait(30.0)
    board.edge("A", 1)
    board.us += 1000
    board.edge("A", 0)
    board.wait(4.0)
    await drive(app, pilot)


@pytest.mark.parametrize("size", SIZES)
@pytest.mark.parametrize("mode", sorted(MODES))
async def test_every_screen_is_drawn_in_greys(mode: str, size: tuple[int, int]) -> None:
    board, run = hand_run()
    app = Dashboard(run)
    async with app.run_test(size=size) as pilot:
        await played(app, board, pilot)
        app.switch_mode(mode)
        await drive(app, pilot)
        assert screen_text(app).strip()
        assert not colours(app)


@pytest.mark.parametrize("size", SIZES)
async def test_a_shot_that_does_not_count_says_so(size: tuple[int, int]) -> None:
    board, run = hand_run()
    app = Dashboard(run)
    async with app.run_test(size=size) as pilot:
        await played(app, board, pilot)
        assert "lone-a" in screen_text(app)


@pytest.mark.parametrize("key", KEYS)
async def test_every_key_does_its_work(key: str) -> None:
    board, run = hand_run()
    app = Dashboard(run)
    async with app.run_test(size=(60, 20)) as pilot:
        await played(app, board, pilot)
        await pilot.press(key)
        await drive(app, pilot)
        assert screen_text(app).strip()
        assert not colours(app)
