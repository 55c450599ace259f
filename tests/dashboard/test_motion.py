"""What a shot's speed means takes a moment to work out: the dialog stands meanwhile."""

import threading

import pytest
from dashboard_kit import clocking, finish_work, screen_text

import chrono.reports.motion_text as motion
from chrono.dashboard.dialogs import LinesDialog, SetupDialog

ENERGY_J = 0.024 * 30.0**2 / 2
"""Of the rig's squash ball at 30 m/s, ½·m·v²: 10.8 J."""


async def test_the_dialog_stands_at_once_and_then_tells() -> None:
    async with clocking(shots=(30.0,)) as (_, _, app, pilot):
        await pilot.press("m")
        await finish_work(app)
        await pilot.pause()
        shown = screen_text(app)
        assert f"{ENERGY_J:.1f} J · 0.720 N·s" in shown
        assert "45° up" in shown
        await pilot.press("escape")
        assert not isinstance(app.screen, LinesDialog)


async def test_what_is_worked_out_late_never_comes_over_what_is_typed_by_then(
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    go_on, asked = threading.Event(), threading.Event()

    def slowly(*_: object) -> list[str]:
        asked.set()
        assert go_on.wait(10)
        return ["worked out late"]

    monkeypatch.setattr(motion, "motion_lines", slowly)
    async with clocking(shots=(30.0,)) as (_, run, app, pilot):
        await pilot.press("m")
        assert isinstance(app.screen, LinesDialog)
        assert "being worked out" in screen_text(app)
        await pilot.press("escape", "n", "t", "h")
        assert asked.wait(10)
        go_on.set()
        await finish_work(app)
        await pilot.pause()
        assert isinstance(app.screen, SetupDialog)
        await pilot.press("r", "e", "e", "enter")
        assert run.session.setup_now.name == "three"
