"""Small and large terminals: nothing leaves the screen, nothing is cut without a sign."""

from pathlib import Path

import pytest
from dashboard_kit import ALL_SIZES, clocking, drive, listed, screen_text
from hand_board import hand_run
from rich.text import Text
from textual import events
from textual.widgets import Input

from chrono.cautions import CAUTION_LINE
from chrono.dashboard.actions import ACTIONS
from chrono.dashboard.clipped_text import flow
from chrono.dashboard.dashboard_app import Dashboard
from chrono.dashboard.dialogs import CautionScreen, LinesDialog, SetupDialog
from chrono.dashboard.far_screen import FarScreen
from chrono.reader.port_reader import LinkStatus
from chrono.session.operator_records import SET_ASIDE, Mark, Setup
from chrono.session.recording_loader import read_recording
from chrono.session.replay_run import replay_run

LONG_NAME = "three bands drawn to the second mark"
REASON = "hit the frame of gate B, then the wall, then came back to the launcher and the table"
WHY = (
    "device reports readiness to read but returned no data "
    "(device disconnected or multiple access on port?)"
)


async def busy(board, run, app, pilot):
    """Let there be much to show."""
    conditions = {"bands": "3", "angle": "20 deg", "wind": "from the left"}
    run.say_setup(Setup(LONG_NAME, {"mass_kg": 0.024, "length_m": 0.041}, conditions))
    board.shoot_and_wait(*[30.0 + i / 7 for i in range(12)])
    await drive(app, pilot)
    run.say_mark(Mark(SET_ASIDE, app.driver.view.rows[3].key, REASON))
    board.trip("A")
    board.wait(8.0)
    await drive(app, pilot)


def frame_holds(app) -> None:
    """Check that all widgets of a screen lie within it, keys at its end, all of them whole."""
    base = app.screen_stack[0]
    width, height = app.size
    keys = base.query_one("#keys")
    assert keys.region.bottom == height
    assert keys.region.height == 1
    assert str(keys.content).rstrip().endswith("q Quit")
    seen = screen_text(app)
    for action in ACTIONS:
        if f"{action.sign} {action.label}" in str(keys.content):
            assert f"{action.sign} {action.label}" in seen
    for widget in base.query("#status, #trouble, #caution, #top, #table, #chosen, #verdict"):
        if widget.display and widget.region.height:
            assert widget.region.bottom <= keys.region.y
            assert widget.region.right <= width
    for widget in base.query("#table, #speeds"):
        assert not widget.display or widget.region.height >= 2


@pytest.mark.parametrize("size", ALL_SIZES)
async def test_every_screen_holds_its_frame(tmp_path, size) -> None:
    async with clocking(
        recording=tmp_path / "a-recording-with-a-long-name-of-monday-afternoon.tsv", size=size
    ) as (board, run, app, pilot):
        await busy(board, run, app, pilot)
        for key in (
            "s",
            "p",
            "g",
            "p",
            "f",
            "b",
            "question_mark",
            "s",
            "home",
            "p",
            "p",
            "down",
        ):
            await pilot.press(key)
            await drive(app, pilot)
            frame_holds(app)
            assert CAUTION_LINE[-15:] in screen_text(app)
        board.link = LinkStatus("lost", "/dev/serial/by-id/usb-1a86_USB_Serial-0", reason=WHY)
        await pilot.press("h")
        await drive(app, pilot)
        frame_holds(app)
        assert "LINK LOST" in screen_text(app)
        await pilot.press("b")
        await drive(app, pilot)
        frame_holds(app)
        assert CAUTION_LINE[-15:] in screen_text(app)
        items = str(app.screen.query_one("#items").content)
        assert WHY in items  # whole, to be scrolled to
        assert "ON HOLD" in items


@pytest.mark.parametrize("size", ALL_SIZES)
async def test_what_is_cut_ends_in_a_sign_and_is_whole_for_the_selected_shot(size) -> None:
    async with clocking(size=size) as (board, run, app, pilot):
        await busy(board, run, app, pilot)
        note = f"set aside: {REASON}"
        assert listed(app)[3][6] == note
        await pilot.press("slash", "4", "enter")
        await drive(app, pilot)
        table = app.screen.table
        line = next(text for text in screen_text(app).splitlines() if " 4 " in text[:8])
        assert "…" in line
        chosen = app.screen.query_one("#chosen")
        shown = " ".join(str(chosen.content).split())
        assert note in shown or shown.endswith("… Enter: details")
        await pilot.press("enter")
        assert isinstance(app.screen, LinesDialog)
        whole = " ".join(str(app.screen.query_one(".lines Static").content).split())
        assert note in whole
        assert LONG_NAME in whole
        assert "wind=from the left · 24 g · 41 mm long" in whole
        for text in ("Enter or Esc: back", CAUTION_LINE[:20], "Shot 4"):
            assert text in screen_text(app)
        await pilot.press("end", "escape")
        widths = table.widths
        assert sum(widths) <= table.size.width
        assert all(len(cells[0]) <= widths[0] for cells in listed(app))


async def test_numbers_and_times_are_never_cut(monkeypatch) -> None:
    async with clocking(size=(60, 20)) as (board, run, app, pilot):
        await busy(board, run, app, pilot)
        table = app.screen.table
        last = ("500000", "1234567.8", *listed(app)[-1][2:])
        monkeypatch.setattr(table, "cells", lambda index: last)
        monkeypatch.setattr(table, "_count", 500_000)
        assert table.widths[:2] == (6, 9)


def footer(app) -> str:
    return str(app.screen.query_one("#keys").content)


@pytest.mark.parametrize("replays", [False, True])
async def test_the_footer_is_one_line_of_the_keys_that_matter_most(replays) -> None:
    if replays:
        path = Path(__file__).parents[2] / "recordings" / "two-and-three-bands.tsv"
        run = replay_run(path, read_recording(path).session, 1.0)
    else:
        _, run = hand_run()
    app = Dashboard(run)
    async with app.run_test(size=(60, 20)) as pilot:
        if not replays:
            await pilot.press("enter")
        for key in "sfvbs":
            await pilot.press(key)
            await pilot.pause()
            assert len(footer(app).splitlines()) == 1
            assert footer(app) in screen_text(app)
            for kept in ("? Keys", "q Quit", "space Pause" if replays else "h Hold"):
                assert kept in footer(app)
            assert ("s Shots" in footer(app)) == (key != "s")
            assert len(footer(app).split("  ")) <= 6
        for width in (40, 24, 20):
            await pilot.resize_terminal(width, 20)
            await pilot.pause()
            assert len(footer(app).splitlines()) == 1
            assert footer(app).endswith("? Keys  q Quit")


def test_no_two_keys_give_way_at_once_and_the_way_to_all_keys_stays_longest() -> None:
    ranks = {action.rank: action.name for action in ACTIONS}
    assert len(ranks) == len(ACTIONS)
    last = [ranks[rank] for rank in sorted(ranks)[-3:]]
    assert last == ["help", "quit", "write_elsewhere"]


async def test_the_speed_is_the_last_to_go_when_the_terminal_shrinks() -> None:
    async with clocking(size=(80, 24), shots=(45.0,)) as (_, _, app, pilot):
        for mode in ("s", "f"):
            for size in ((80, 24), (40, 12), (30, 8), (20, 5)):
                await pilot.press(mode)
                await pilot.resize_terminal(*size)
                await pilot.pause()
                await drive(app, pilot)
                lines = screen_text(app).splitlines()
                assert any(set("╻┏█▀") & set(line) for line in lines), (mode, size)
                assert any("Eye protection" in line for line in lines), (mode, size)
                assert "45.00 ± 0.25 m/s" in "\n".join(lines), (mode, size)


async def test_the_speed_is_the_first_to_grow_when_the_terminal_does() -> None:
    async with clocking(size=(80, 24), shots=(45.0,)) as (_, _, app, pilot):
        highs = []
        for size in ((80, 24), (120, 40), (200, 50)):
            await pilot.resize_terminal(*size)
            await pilot.pause()
            await drive(app, pilot)
            frame_holds(app)
            highs.append(app.screen.query_one("#speed").region.height)
        assert highs == [3, 5, 8]


@pytest.mark.parametrize(
    ("widths", "lines"),
    [([], 1), ([5], 1), ([30, 28], 1), ([30, 29], 2), ([70, 3], 2), ([9] * 12, 3)],
)
def test_items_flow_onto_as_many_lines_as_they_need(widths, lines) -> None:
    text = flow([Text("x" * width) for width in widths], 60)
    assert lines == len(text.plain.split("\n"))


@pytest.mark.parametrize("size", ALL_SIZES)
async def test_the_cautions_stand_whole_with_the_way_on(size) -> None:
    _, run = hand_run()
    app = Dashboard(run)
    async with app.run_test(size=size) as pilot:
        await pilot.pause()
        assert isinstance(app.screen, CautionScreen)
        box = app.screen.query_one(".box")
        assert box.max_scroll_y == 0
        assert box.region.bottom <= size[1]
        assert "Enter: I confirm all points above" in screen_text(app)


async def test_a_terminal_that_changes_its_size_is_followed() -> None:
    async with clocking(size=(120, 40)) as (board, run, app, pilot):
        await busy(board, run, app, pilot)
        for size in ((60, 20), (120, 40), (80, 24), (200, 60), (60, 20)):
            await pilot.resize_terminal(*size)
            await pilot.pause()
            await drive(app, pilot)
            frame_holds(app)
            assert app.screen.has_class("-slim") == (size[0] < 76)


async def test_a_shot_is_chosen_and_a_key_pressed_by_the_mouse() -> None:
    async with clocking(size=(60, 20)) as (board, run, app, pilot):
        await busy(board, run, app, pilot)
        await pilot.press("home")
        await drive(app, pilot)
        top = app.screen.table.scroll_offset.y
        await pilot.click("#table", offset=(5, 2))
        assert app.screen.table.selected.number == top + 2
        keys = app.screen.query_one("#keys")
        lines = str(keys.content).splitlines()
        line = next(i for i, text in enumerate(lines) if "f Far view" in text)
        await pilot.click("#keys", offset=(lines[line].index("f Far view") + 1, line))
        assert isinstance(app.screen, FarScreen)


async def test_what_is_pasted_with_tabs_goes_to_the_fields_in_order() -> None:
    async with clocking("n", size=(60, 20)) as (_, run, app, pilot):
        dialog = app.screen
        assert isinstance(dialog, SetupDialog)
        dialog.query_one("#name", Input).post_message(events.Paste("dr\tbands=2\t25 g"))
        await pilot.pause()
        assert [field.value for field in dialog.query(Input)] == ["dr", "bands=2", "25 g", ""]
        await pilot.press("enter")
        await drive(app, pilot)
        assert run.session.setup_now == Setup("dr", {"mass_kg": 0.025}, {"bands": "2"})


async def test_keys_that_come_before_a_dialog_is_there_are_not_lost() -> None:
    async with clocking(size=(60, 20)) as (_, _, app, pilot):
        for key in ("n", "d", "r", "tab", *"bands", "equals_sign", "2"):
            character = {"equals_sign": "=", "tab": "\t"}.get(key, key)
            app.post_message(events.Key(key, character))
        for _ in range(5):
            await pilot.pause()
        assert isinstance(app.screen, SetupDialog)
        assert [field.value for field in app.screen.query(Input)] == ["dr", "bands=2", "", ""]
        assert app.current_mode == "shots"
