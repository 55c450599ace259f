"""What dialogs say, and what is pasted into them."""

import errno

import pytest
from dashboard_kit import clocking, drive, finish_work, screen_text
from hand_board import hand_run
from textual import events
from textual.widgets import Input

from chrono.dashboard.dashboard_app import Dashboard
from chrono.dashboard.dialogs import LinesDialog
from chrono.reports import motion_text
from chrono.session.operator_records import Setup


@pytest.mark.parametrize("is_recorded", [True, False])
async def test_the_caution_says_what_becomes_of_the_shots(tmp_path, is_recorded) -> None:
    _, run = hand_run(tmp_path / "a.tsv" if is_recorded else None)
    app = Dashboard(run)
    async with app.run_test(size=(80, 24)) as pilot:
        await pilot.pause()
        text = screen_text(app)
        assert ("The recording has already begun" in text) == is_recorded
        assert ("This session is not recorded" in text) != is_recorded


async def test_the_find_dialog_finds() -> None:
    async with clocking("slash", shots=(30.0,)) as (_, _, app, _):
        assert "Enter: find" in screen_text(app)


@pytest.mark.parametrize(
    "pasted",
    ["wind\tfrom\tthe left\n", "wind\r\nfrom\r\nthe left", "wind\n\tfrom the left\r\n"],
)
async def test_what_is_pasted_into_a_note_is_kept_on_one_line(pasted) -> None:
    async with clocking(shots=(30.0,)) as (_, run, app, pilot):
        await pilot.press("t")
        app.screen.query_one(Input).post_message(events.Paste(pasted))
        await pilot.pause()
        await pilot.press("enter")
        await drive(app, pilot)
        assert run.session.notes() == ["wind from the left"]


async def test_lines_that_are_pasted_into_a_setup_go_to_the_fields_in_order() -> None:
    async with clocking("n") as (_, _, app, pilot):
        pasted = events.Paste("dr\r\nbands=2\r\n25 g\r\n40\tmm\r\n")
        app.screen.query_one("#name", Input).post_message(pasted)
        await pilot.pause()
        fields = [field.value for field in app.screen.query(Input)]
        assert fields == ["dr", "bands=2", "25 g", "40 mm"]


CONTROL = {"\t": "tab", "\x7f": "backspace", "\r": "enter", "\x01": "home", "\x1b[D": "left"}


@pytest.mark.parametrize(
    ("typed", "fields"),
    [
        (["dr", "\t", "bands=2", "\t", "25 g"], ["dr", "bands=2", "25 g", ""]),
        (["tvo", "\x7f", "\x7f", "wo"], ["two", "", "", ""]),
        (["to", "\x1b[D", "w"], ["two", "", "", ""]),
        (["wo", "\x01", "t"], ["two", "", "", ""]),
    ],
)
async def test_keys_that_come_at_once_are_done_in_their_order(typed, fields) -> None:
    """As a barcode reader or a slow link sends them."""
    async with clocking("n") as (_, _, app, pilot):
        for part in typed:
            for character in [part] if part in CONTROL else part:
                app.post_message(events.Key(CONTROL.get(character, character), character))
        await pilot.pause()
        assert [field.value for field in app.screen.query(Input)] == fields


async def test_a_setup_that_comes_at_once_is_kept() -> None:
    async with clocking() as (_, run, app, pilot):
        for character in "ntwx\x7fo\tbands=2\r":  # most of it comes before the fields stand
            app.post_message(events.Key(CONTROL.get(character, character), character))
        await pilot.pause()
        await drive(app, pilot)
        _, setup = run.session.setups.after(1 << 62)
        assert setup == Setup(name="two", conditions={"bands": "2"})


async def test_energy_stands_there_before_the_ranges_are_worked_out(monkeypatch) -> None:
    shown = []

    def ranges(*_: object) -> list[str]:
        shown.append(screen_text(app))
        return ["the ranges"]

    monkeypatch.setattr(motion_text, "range_lines", ranges)
    async with clocking(shots=(30.0,)) as (_, _, app, pilot):
        await pilot.press("m")
        await finish_work(app)
        await pilot.pause()
        assert isinstance(app.screen, LinesDialog)
        assert "the ranges" in screen_text(app)
    lines = shown[0].splitlines()
    for words in ("energy    10.8 J", "momentum  0.720 N·s", "Mach      0.08"):
        assert any(words in line for line in lines)
    assert "The program computes how far the body would fly" in shown[0]


async def test_a_screenshot_that_cannot_be_saved_says_why(tmp_path, monkeypatch) -> None:
    monkeypatch.setattr(
        "chrono.dashboard.base_app.user_downloads_path", lambda: tmp_path / "no"
    )
    monkeypatch.chdir(tmp_path)
    async with clocking(notifications=True) as (_, _, app, pilot):
        app.deliver_screenshot()
        await pilot.pause()
        assert len(list(tmp_path.glob("*.svg"))) == 1

        def refuse(*_: object, **__: object) -> str:
            raise OSError(errno.EACCES, "Permission denied")

        monkeypatch.setattr(app, "save_screenshot", refuse)
        app.deliver_screenshot()
        await pilot.pause()
        words = [notice.message for notice in app._notifications]
        assert any(f"the program cannot write to {tmp_path}: Permission" in w for w in words)


async def test_a_board_that_restarted_is_said() -> None:
    async with clocking() as (board, _, app, pilot):
        board.wait(3.0)
        board.edge("A", 1)
        board.us += 500_000
        board.start_anew()
        board.line("H 1 16000000 32 hand 1.0")
        board.wait(3.0)
        await drive(app, pilot)
        assert "board restarted once" in " ".join(screen_text(app).split())
