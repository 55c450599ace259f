"""Colours: every text has a contrast of 4.5 : 1, dark and light (WCAG 2.2, 1.4.3).

Where the terminal has no colours nothing fails, and words tell all.
"""

import re
from collections.abc import AsyncIterator
from contextlib import asynccontextmanager

import pytest
from dashboard_kit import ALL_SIZES, Clocking, clocking, drive, screen_text, settle
from hand_board import hand_run
from rich.color import Color
from textual.screen import ModalScreen

from chrono.dashboard.actions import ACTIONS
from chrono.dashboard.base_app import ON_DARK, ON_LIGHT
from chrono.dashboard.dashboard_app import SCREENS, Dashboard
from chrono.dashboard.dialogs import CautionScreen, QuitDialog
from chrono.dashboard.lab_screen import LabApp
from chrono.teaching.error_lab import start_of

FRAMES = " ╭╮╰╯─│┏┓┗┛━┃▔▎▊▁▂▃▄▅▆▇"
"""Lines about texts, and the scroll bar's ends."""
THEMES = ["textual-dark", "textual-light"]


def luminance(color: Color) -> float:
    """Relative luminance as WCAG 2.2 defines it."""

    def linear(part: int) -> float:
        value = part / 255
        return value / 12.92 if value <= 0.04045 else ((value + 0.055) / 1.055) ** 2.4

    red, green, blue = color.get_truecolor()
    return 0.2126 * linear(red) + 0.7152 * linear(green) + 0.0722 * linear(blue)


def contrast(one: Color, other: Color) -> float:
    bright, dark = sorted((luminance(one), luminance(other)), reverse=True)
    return (bright + 0.05) / (dark + 0.05)


def faint_texts(app: Dashboard) -> dict[str, float]:
    """Return texts that are too faint, with their contrast; not what lies behind a dialog."""
    found = {}
    modal = isinstance(app.screen, ModalScreen)
    box = app.screen.query_one(".box").region if modal else app.screen.region
    for strip in app.screen._compositor.render_strips()[box.y : box.bottom]:
        for text, style, _ in strip.crop(box.x, box.right):
            if not text.strip(FRAMES) or style is None or not style.color or not style.bgcolor:
                continue
            ink, ground = style.color, style.bgcolor
            if style.reverse:
                ink, ground = ground, ink
            ratio = contrast(ink, ground)
            if ratio < 4.5:
                found[text.strip()[:30]] = round(ratio, 2)
    return found


def test_contrast_is_that_of_the_standard():
    assert contrast(Color.parse("#000000"), Color.parse("#ffffff")) == pytest.approx(21)
    grey = contrast(Color.parse("#767676"), Color.parse("#ffffff"))
    assert grey == pytest.approx(4.54, abs=0.01), "the well-known lightest grey on white"


def test_colours_of_a_picture_are_those_that_are_written_in_hex() -> None:
    assert ON_DARK.background_color == (0x12, 0x12, 0x12)
    assert ON_LIGHT.foreground_color == (0x1C, 0x1C, 0x1C)
    assert ON_DARK.ansi_colors[1] == (0xFF, 0x8F, 0x5A)


@pytest.mark.parametrize("theme", THEMES)
async def test_no_text_is_faint(theme):
    async with clocking(size=(100, 40)) as (board, _, app, pilot):
        app.theme = theme
        board.record("setup", {"name": "two bands"})
        board.shoot_and_wait(30.0, 31.0, 29.0)
        board.trip("A")
        board.wait(4.0)
        await drive(app, pilot)
        await pilot.press("h", "up")
        for key in ("s", "f", "b", "v", "question_mark", "g", "n", "q"):
            await pilot.press(key)
            await drive(app, pilot)
            assert faint_texts(app) == {}, key
            if len(app.screen_stack) > 1:
                await pilot.press("escape")
            await pilot.press("s")


@pytest.mark.parametrize("theme", THEMES)
async def test_no_text_of_the_caution_is_faint(theme):
    _, run = hand_run()
    app = Dashboard(run)
    async with app.run_test(size=(100, 40)) as pilot:
        app.theme = theme
        await pilot.pause()
        assert isinstance(app.screen, CautionScreen)
        assert faint_texts(app) == {}


@pytest.mark.parametrize("theme", THEMES)
async def test_no_text_of_the_error_lab_is_faint(theme):
    app = LabApp(start_of(None, None))
    async with app.run_test(size=(100, 40)) as pilot:
        app.theme = theme
        for key in ("2", "n", "a", "p", "p", "g", "escape", "h"):
            await pilot.press(key)
            await settle(app, pilot)
            assert faint_texts(app) == {}, key


KEYS = [action.key.split(",")[0] for action in ACTIONS if action.name != "quit"]
GREY = re.compile(r"#([0-9a-f]{2})\1\1", re.IGNORECASE)


@pytest.fixture(name="no_colours")
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


@pytest.mark.usefixtures("no_colours")
@pytest.mark.parametrize("size", ALL_SIZES)
async def test_every_screen_is_drawn_in_greys(size: tuple[int, int]) -> None:
    async with played(size) as (_, _, app, pilot):
        assert "lone-a" in screen_text(app), "a shot that does not count says so"
        for mode in sorted(SCREENS):
            app.switch_mode(mode)
            await drive(app, pilot)
            assert screen_text(app).strip(), mode
            assert not colours(app), mode


@pytest.mark.long
@pytest.mark.usefixtures("no_colours")
async def test_every_key_does_its_work() -> None:
    async with played((60, 20)) as (_, _, app, pilot):
        for key in KEYS:
            await pilot.press(key)
            await drive(app, pilot)
            assert screen_text(app).strip(), key
            assert not colours(app), key
            if len(app.screen_stack) > 1:
                await pilot.press("escape")
            if isinstance(app.screen, QuitDialog):  # the lab asks before it is left by escape
                await pilot.press("y")
            await pilot.press("s")
            assert len(app.screen_stack) == 1, key
