"""Every screen and dialog where the terminal has no colours: nothing fails, words tell all."""

import re
from collections.abc import AsyncIterator
from contextlib import asynccontextmanager

import pytest
from dashboard_kit import ALL_SIZES, Clocking, clocking, drive, screen_text

from chrono.dashboard.actions import ACTIONS
from chrono.dashboard.dashboard_app import SCREENS, Dashboard

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


@asynccontextmanager
async def played(size: tuple[int, int]) -> AsyncIterator[Clocking]:
    """Clock a good shot and one that only tripped gate A."""
    async with clocking(size=size, shots=(30.0,)) as at:
        at.board.trip("A")
        at.board.wait(4.0)
        await drive(at.app, at.pilot)
        yield at


@pytest.mark.parametrize("size", ALL_SIZES)
async def test_every_screen_is_drawn_in_greys(size: tuple[int, int]) -> None:
    async with played(size) as (_, _, app, pilot):
        assert "lone-a" in screen_text(app), "a shot that does not count says so"
        for mode in sorted(SCREENS):
            app.switch_mode(mode)
            await drive(app, pilot)
            assert screen_text(app).strip(), mode
            assert not colours(app), mode


async def test_every_key_does_its_work() -> None:
    async with played((60, 20)) as (_, _, app, pilot):
        for key in KEYS:
            await pilot.press(key)
            await drive(app, pilot)
            assert screen_text(app).strip(), key
            assert not colours(app), key
            if len(app.screen_stack) > 1:
                await pilot.press("escape")
            await pilot.press("s")
            assert len(app.screen_stack) == 1, key
