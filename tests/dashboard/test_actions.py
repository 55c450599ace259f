"""Every key does what it says: to the session, and in the recording."""

import io
from pathlib import Path

import pytest
from dashboard_kit import SIZES, clocking, drive, listed, names_of, screen_text
from hand_board import hand_run, records
from rich.console import Console
from textual.widgets import Digits, Input, Static

from chrono.dashboard import dashboard_app
from chrono.dashboard.actions import ACTIONS, GROUPS
from chrono.dashboard.dashboard_app import Dashboard
from chrono.dashboard.dialogs import (
    QuitDialog,
    SetupDialog,
    TextDialog,
    read_setup_form,
    setup_form,
)
from chrono.dashboard.help_screen import help_page
from chrono.dashboard.preferences import Preferences
from chrono.dashboard.speed_plot import SpeedPlot
from chrono.session.operator_records import Setup
from chrono.session.recording_loader import read_recording
from chrono.session.replay_run import replay_run
from chrono.session.view_cache import ViewCache
from chrono.units import format_speed

DEMO = Path(__file__).parents[2] / "recordings" / "two-and-three-bands.tsv"


@pytest.fixture
def recording(tmp_path):
    return tmp_path / "a.tsv"


async def type_text(pilot, text: str) -> None:
    pilot.app.screen.query_one(Input).value = text
    await pilot.press("enter")


@pytest.mark.parametrize("size", SIZES)
async def test_a_shot_is_set_aside_with_its_reason_and_counted_again(recording, size):
    async with clocking(recording=recording, size=size, shots=(30.0, 31.0, 32.0)) as at:
        _, run, app, pilot = at
        key = app.driver.view.rows[1].key
        await pilot.press("up", "a")
        assert isinstance(app.screen, TextDialog)
        await type_text(pilot, "hit the frame")
        await drive(app, pilot)

        assert run.session.counted().tolist() == [True, False, True]
        assert run.session.series().n == 2
        mark = {"action": "set-aside", "shot": key, "text": "hit the frame"}
        assert records(recording, "mark") == [mark]
        assert listed(app)[1][4] == "no"
        assert listed(app)[1][6] == "set aside: hit the frame"
        assert app.screen.table.selected.key == key

        await pilot.press("c")
        assert run.session.counted().all()
        assert records(recording, "mark")[1] == {"action": "count-again", "shot": key}
        assert listed(app)[1][4] == "yes"
    assert run.close() == []


async def test_notes_go_to_the_shot_and_to_the_session(recording):
    async with clocking(recording=recording, shots=(30.0,)) as (_, run, app, pilot):
        await pilot.press("t")
        await type_text(pilot, "a draught")
        await pilot.press("T")
        await type_text(pilot, "")
        assert isinstance(app.screen, TextDialog)  # an empty note is none
        await type_text(pilot, "new rubber")
        await pilot.press("t", "escape", "T", "escape")

        assert app.driver.view.rows[0].note == "a draught"
        assert run.session.marks.notes == ["new rubber"]
        assert [m["text"] for m in records(recording, "mark")] == ["a draught", "new rubber"]


async def test_shots_on_hold_are_not_counted(recording):
    async with clocking(recording=recording, shots=(30.0,)) as (board, run, app, pilot):
        await pilot.press("h")
        assert run.session.on_hold
        board.shoot_and_wait(31.0)
        await drive(app, pilot)
        assert "ON HOLD" in screen_text(app)
        await pilot.press("h")
        board.shoot_and_wait(32.0)
        await drive(app, pilot)
        assert "ON HOLD" not in screen_text(app)

        assert run.session.counted().tolist() == [True, False, True]
        assert [m["action"] for m in records(recording, "mark")] == ["hold-on", "hold-off"]


async def test_the_unit_goes_round():
    async with clocking(shots=(30.0,)) as (_, _, app, pilot):
        row = app.driver.view.rows[0]
        for unit in ("km/h", "ft/s", "mph", "m/s"):
            await pilot.press("u")
            assert app.preferences.unit == unit
            text = format_speed(row.speed_mps, row.U95_mps, unit)
            assert app.screen.query_one(Digits).value == text
            assert listed(app)[0][3] == text.removesuffix(f" {unit}")
            assert f"{unit} ± 95 %" in screen_text(app)


@pytest.mark.parametrize("size", SIZES)
async def test_a_setup_holds_from_the_next_shot_on(recording, size):
    async with clocking(recording=recording, size=size, shots=(30.0,)) as at:
        board, run, app, pilot = at
        await pilot.press("n")
        dialog = app.screen
        assert isinstance(dialog, SetupDialog)
        await pilot.press("enter")
        assert "every setup needs a name" in str(dialog.query_one("#problem", Static).content)
        dialog.query_one("#name", Input).value = "three bands"
        dialog.query_one("#conditions", Input).value = "bands=3"
        dialog.query_one("#length", Input).value = "5 kg"
        await pilot.press("enter")
        problem = str(dialog.query_one("#problem", Static).content)
        assert "length" in problem
        assert "mm" in problem
        assert "Esc: cancel" in screen_text(app)
        dialog.query_one("#length", Input).value = "41 mm"
        dialog.query_one("#mass", Input).value = "25 g"
        await pilot.press("enter")
        board.shoot_and_wait(31.0)
        await drive(app, pilot)

        setup = run.session.setup_now
        assert setup.name == "three bands"
        assert setup.conditions == {"bands": "3"}
        assert setup.body == pytest.approx({"mass_kg": 0.025, "length_m": 0.041})
        assert [row.setup for row in app.driver.view.rows] == ["", "three bands"]
        assert records(recording, "setup")[0]["name"] == "three bands"
        assert "three bands" in screen_text(app)


async def test_screens_come_and_go():
    async with clocking(shots=(30.0,)) as (_, _, app, pilot):
        plot, table = app.screen.query_one(SpeedPlot), app.screen.table
        assert (plot.display, table.display) == (False, True)
        await pilot.press("p")
        assert (plot.display, table.display) == (True, False)
        await pilot.press("p", "b")
        assert app.current_mode == "beams"
        await pilot.press("question_mark")
        assert app.current_mode == "help"
        await pilot.press("s")
        assert app.current_mode == "shots"
        assert (plot.display, table.display) == (False, True)
        await pilot.press("b", "escape")
        assert app.current_mode == "shots"
        await pilot.resize_terminal(120, 40)
        await pilot.pause()
        await pilot.pause()
        assert (plot.display, table.display) == (True, True)


async def test_the_footer_has_six_keys_and_the_palette_and_the_help_all_of_them():
    async with clocking(shots=(30.0,)) as (_, _, app, pilot):
        absent = names_of("replay") | {"write_elsewhere", "shots", "tone"}
        assert not app.check_action("undo", ())
        assert not app.check_action("next_match", ())
        await pilot.press("c", "slash", "1", "enter")
        await drive(app, pilot)
        expected = [action for action in ACTIONS if action.name not in absent]
        footer = screen_text(app).splitlines()[-1]
        assert footer.split("  ") == [
            *(" n Setup", "a Set aside", "h Hold", "f Far view", "? Keys", "q Quit")
        ]
        commands = {c.title for c in app.get_system_commands(app.screen)}
        assert {action.title for action in expected} <= commands
        palette = {c.title: c.help for c in app.get_system_commands(app.screen)}
        assert palette["Start or end Hold (no shots counted)"].startswith(
            "While you clock, h: "
        )
        assert {"Theme", "Screenshot"} == commands - {action.title for action in ACTIONS}
        assert all(not app.check_action(name, ()) for name in names_of("replay"))
        assert all(app.check_action(name, ()) for name in names_of("live") - {"tone"})

        await pilot.click("#keys", offset=(footer.index("a Set aside"), 0))
        assert isinstance(app.screen, TextDialog), "also one of the screen's own keys"
        await pilot.press("escape")
        await pilot.click("#keys", offset=(footer.index("f Far view"), 0))
        assert app.current_mode == "far"

        await pilot.press("b")
        assert not app.check_action("unit", ())


async def test_the_help_lists_every_key_once_in_its_group():
    console = Console(width=100, record=True, file=io.StringIO())
    console.print(help_page())
    keys = console.export_text().partition("How the ± is computed")[0]
    headings = [line for line in keys.splitlines() if line.startswith("Keys: ")]
    assert len(headings) == len(GROUPS) + 1
    for action in ACTIONS:
        assert keys.count(f"{action.title}: ") == 1
    assert "ctrl+p" in keys
    empty = [line for line in keys.splitlines() if not line.strip()]
    assert len(empty) <= len(headings) + 1, "the keys of a group stand close together"


def test_no_key_has_two_actions():
    keys = [action.key for action in ACTIONS]
    assert len(keys) == len(set(keys))


async def test_quitting_a_live_session_is_asked_about(recording):
    async with clocking("q", recording=recording) as (_, _, app, pilot):
        assert isinstance(app.screen, QuitDialog)
        assert recording.name in screen_text(app).replace("\n", "")
        await pilot.press("n")
        assert app.is_running
        assert not isinstance(app.screen, QuitDialog)
        await pilot.press("q", "q")  # a key that bounces ends nothing
        assert app.is_running
        await pilot.press("q", "y")
        await pilot.pause()
        assert not app.is_running


@pytest.mark.parametrize("way", ["ctrl+c", "ctrl+q", "q"])
async def test_every_way_out_asks_once_while_a_session_is_recorded(recording, way):
    async with clocking(way, recording=recording, size=(60, 20)) as (_, _, app, pilot):
        assert isinstance(app.screen, QuitDialog)
        assert "n or Esc: continue" in screen_text(app)
        await pilot.press("escape")
        assert app.is_running
        assert len(app.screen_stack) == 1
        await pilot.press(way, "enter")
        await pilot.pause()
        assert not app.is_running


async def test_ctrl_c_asks_from_within_a_dialog_and_a_second_time_ends(recording):
    async with clocking("n", *"two", "ctrl+c", recording=recording) as (_, _, app, pilot):
        assert isinstance(app.screen, QuitDialog)
        await pilot.press("n")
        assert app.screen.query_one(Input).value == "two"  # what was typed is still there
        await pilot.press("ctrl+c", "ctrl+c")
        await pilot.pause()
        assert not app.is_running


async def test_ctrl_c_leaves_a_replay_at_once():
    run = replay_run(DEMO, read_recording(DEMO).session, None)
    app = Dashboard(run)
    async with app.run_test() as pilot:
        await pilot.press("ctrl+c")
        await pilot.pause()
        assert not app.is_running


async def test_a_bell_or_a_flash_tells_of_each_new_shot_and_is_remembered(monkeypatch):
    rung = []
    monkeypatch.setattr(Dashboard, "bell", lambda self: rung.append(1))
    monkeypatch.setattr(dashboard_app, "FLASH_S", 3600.0)
    async with clocking(shots=(30.0,)) as (board, run, app, pilot):
        assert not rung
        await pilot.press("k")
        assert Preferences().signal == "bell"
        board.shoot_and_wait(31.0)
        await drive(app, pilot)
        board.wait(3.0)
        await drive(app, pilot)
        assert len(rung) == 1  # once, though the shot was open first and then final
        assert not app.screen.has_class("-flash")
        await pilot.press("k")
        board.shoot(32.0)
        await drive(app, pilot)
        assert app.screen.has_class("-flash")
        assert len(rung) == 1
    again = Dashboard(run)
    assert again.preferences.signal == "flash"
    async with again.run_test() as pilot:
        await drive(again, pilot)
        assert not again.screen.has_class("-flash")  # no shot is new
        await pilot.press("enter", "k")
        assert Preferences().signal == ""


async def test_flashes_come_no_faster_than_is_safe(monkeypatch):
    monkeypatch.setattr(dashboard_app, "FLASH_S", 0.001)
    at_s, flashed = [100.0], []
    monkeypatch.setattr(dashboard_app, "monotonic", lambda: at_s[0])
    async with clocking() as (_, _, app, _):
        app.preferences.choose_signal("flash")
        for _ in range(20):
            app.signal_shot()
            if app._flashed_at == at_s[0]:
                flashed.append(at_s[0])
            at_s[0] += 0.1
    for begin in flashed:
        assert sum(begin <= moment < begin + 1.0 for moment in flashed) <= 3
    assert len(flashed) >= 4


async def test_a_note_and_a_reason_stand_there_to_be_edited(recording):
    async with clocking(recording=recording, shots=(30.0,)) as (_, _, app, pilot):
        for key, first, second in (("t", "a draught", " from the left"), ("a", "frame", "?")):
            await pilot.press(key)
            assert app.screen.query_one(Input).value == ""
            await type_text(pilot, first)
            await pilot.press(key)
            assert app.screen.query_one(Input).value == first
            await pilot.press(*second.replace(" ", "_"), "enter")
        assert app.driver.view.rows[0].note == "set aside: frame?; a draught_from_the_left"
        await pilot.press("t")
        await type_text(pilot, "")
        assert app.driver.view.rows[0].note == "set aside: frame?"


async def test_each_thing_said_is_taken_back_by_a_row_of_its_own(recording):
    async with clocking(recording=recording, notifications=True, shots=(30.0,)) as at:
        _, run, app, pilot = at
        await pilot.press("a")
        await type_text(pilot, "frame")
        await pilot.press("c", "t")
        await type_text(pilot, "loud")
        await pilot.press("T")
        await type_text(pilot, "rain")
        await pilot.press("h", "n")
        await type_text(pilot, "two bands")
        await drive(app, pilot)
        session, before = run.session, recording.read_bytes()

        def state():
            row = ViewCache(session).view().rows[0]
            now = session.marks
            return session.setup_now.name, session.on_hold, now.notes, row.note, row.counted

        assert state() == ("two bands", True, ["rain"], "loud", True)
        for words, left in (
            ("setup two bands", ("", True, ["rain"], "loud", True)),
            ("hold", ("", False, ["rain"], "loud", True)),
            ("note on the session: rain", ("", False, [], "loud", True)),
            ("note on shot 1: loud", ("", False, [], "", True)),
            ("shot 1 counted", ("", False, [], "set aside: frame", False)),
            ("shot 1 set aside: frame", ("", False, [], "", True)),
        ):
            await pilot.press("z")
            await pilot.pause()
            assert f"Your last entry was undone: {words}" in {
                said.message for said in app._notifications
            }
            assert state() == left
        await pilot.press("z")
        assert recording.read_bytes().startswith(before)
        undone = [mark for mark in records(recording, "mark") if mark["action"] == "undo"]
        assert len(undone) == 6
    run.close()
    again = read_recording(recording).session
    assert again.counted().tolist() == [True]
    assert again.notes() == [""]
    assert again.marks.notes == []
    assert not again.on_hold
    assert again.setup_now.name == ""
    assert again.unusable.records == 0


@pytest.mark.parametrize("size", [(60, 20), *SIZES])
async def test_a_correction_begins_with_the_values_of_the_chosen_shot(recording, size):
    board, run = hand_run(recording)
    run.say_setup(Setup("bands", {"mass_kg": 0.024}, {"bands": "2"}))
    app = Dashboard(run)
    async with app.run_test(size=size, notifications=True) as pilot:
        await pilot.press("enter")
        board.shoot_and_wait(30.0, 31.0)
        await drive(app, pilot)
        await pilot.press("home", "i")
        assert "all get those below" not in " ".join(screen_text(app).split())
        await pilot.press("escape")
        run.say_setup(Setup("bands", {"mass_kg": 0.03}, {"bands": "3"}))
        await drive(app, pilot)
        await pilot.press("home", "i")
        fields = [field.value for field in app.screen.query(Input)]
        assert fields == ["bands", "bands=2", "24 g", ""]
        heading = str(app.screen.query_one(".heading", Static).content)
        assert heading.endswith(
            "(changes 2 shots; other entries of this setup have other values, and all get "
            "those below)"
        )
        await pilot.press("enter")
        await drive(app, pilot)
        assert "below" not in screen_text(app)


@pytest.mark.parametrize("size", [(60, 20), *SIZES])
async def test_a_setup_is_shown_and_corrected_for_all_its_shots(recording, size):
    board, run = hand_run(recording)
    run.say_setup(Setup("too bands", {"mass_kg": 0.024, "diameter_m": 0.05}, {"bands": "2"}))
    app = Dashboard(run)
    async with app.run_test(size=size, notifications=True) as pilot:
        await pilot.press("enter")
        board.shoot_and_wait(30.0, 31.0)
        await drive(app, pilot)
        assert "bands=2 · 24 g" in screen_text(app)
        run.say_setup(Setup("three bands"))
        board.shoot_and_wait(35.0)
        await drive(app, pilot)
        before = recording.read_bytes()
        await pilot.press("home", "i", "enter")  # nothing was changed
        assert recording.read_bytes() == before
        await pilot.press("i")
        dialog = app.screen
        assert isinstance(dialog, SetupDialog)
        assert "changes 2 shots" in screen_text(app)
        fields = [field.value for field in dialog.query(Input)]
        assert fields == ["too bands", "bands=2", "24 g", ""]
        dialog.query_one("#name", Input).value = "two bands"
        dialog.query_one("#mass", Input).value = "25 g"
        dialog.query_one("#length", Input).value = "41 mm"
        await pilot.press("enter")
        await drive(app, pilot)
        assert [row.setup for row in app.driver.view.rows] == ["two bands"] * 2 + [
            "three bands"
        ]
        right = Setup(
            "two bands",
            {"diameter_m": 0.05, "mass_kg": 0.025, "length_m": 0.041},
            {"bands": "2"},
        )
        assert run.session.setups.last("two bands") == right
        assert any("open the recording again" in said.message for said in app._notifications)
        await pilot.press("z")
        await drive(app, pilot)
        assert [row.setup for row in app.driver.view.rows] == ["too bands"] * 2 + [
            "three bands"
        ]
    run.close()
    assert read_recording(recording).session.setups.names == ("", "too bands", "three bands")


def test_a_setup_reads_back_from_what_is_shown_of_it() -> None:
    setup = Setup("x", {"mass_kg": 0.02345, "length_m": 0.0401}, {"bands": "2", "at": "3 bar"})
    again = read_setup_form(*setup_form(setup))
    assert again.name == setup.name
    assert again.conditions == setup.conditions
    assert again.body == pytest.approx(setup.body, rel=1e-11)
    assert read_setup_form(*setup_form(Setup("y"))) == Setup("y")


async def test_commands_are_offered_by_name_while_a_dialog_is_in_front():
    async with clocking(shots=(30.0,)) as (_, _, app, pilot):
        before = {command.title for command in app.get_system_commands(app.screen)}
        assert "Set the selected shot aside" in before
        await pilot.press("q")
        assert isinstance(app.screen, QuitDialog)
        assert {command.title for command in app.get_system_commands(app.screen)} == before
        await pilot.press("escape")
