"""What the operator chose is there in the next session, and never in the way."""

import json

import pytest
from hand_board import hand_run

from chrono.dashboard.dashboard_app import Dashboard
from chrono.dashboard.lab_screen import LabApp
from chrono.dashboard.logbook_app import LogBookApp
from chrono.dashboard.preferences import Choices, Preferences, choices_path, read_choices
from chrono.teaching.error_lab import start_of
from chrono.units import SPEED_UNITS


def test_without_a_choice_the_rig_s_unit_is_shown_and_nothing_signals() -> None:
    chosen = Preferences()
    chosen.use_rig_unit("ft/s")
    assert (chosen.unit, chosen.signal, chosen.theme) == ("ft/s", "", "")
    assert not choices_path().exists()


def test_a_unit_is_chosen_instead_of_one_rig_s_unit_and_of_no_other() -> None:
    chosen = Preferences()
    chosen.use_rig_unit("m/s")
    chosen.next_unit("m/s")
    assert chosen.unit == "km/h"
    for rig_unit, shown in (("m/s", "km/h"), ("mph", "mph")):
        again = Preferences()
        again.use_rig_unit(rig_unit)
        assert again.unit == shown


def test_units_and_signals_go_round() -> None:
    chosen = Preferences()
    units = []
    for _ in SPEED_UNITS:
        chosen.next_unit("m/s")
        units.append(chosen.unit)
    assert sorted(units) == sorted(SPEED_UNITS)
    assert units[-1] == "m/s"
    assert [chosen.next_signal() for _ in range(3)] == ["bell", "flash", ""]


@pytest.mark.parametrize(
    "text", ["", "no json", "[1]", '{"theme": 5, "unit": "parsec", "signal": "siren"}']
)
def test_whatever_is_wrong_with_what_was_kept_counts_for_nothing(text: str) -> None:
    choices_path().parent.mkdir(parents=True, exist_ok=True)
    choices_path().write_text(text)
    chosen = Preferences()
    chosen.use_rig_unit("m/s")
    assert (chosen.unit, chosen.signal) == ("m/s", "")
    chosen.choose_signal("bell")
    assert json.loads(choices_path().read_text())["signal"] == "bell"


def test_where_nothing_can_be_kept_the_choice_holds_for_the_session() -> None:
    choices_path().mkdir(parents=True)
    chosen = Preferences()
    chosen.choose_signal("flash")
    assert chosen.signal == "flash"
    assert read_choices() == Choices()


async def test_the_theme_is_that_of_the_last_session_in_all_three_applications() -> None:
    _, run = hand_run()
    app = Dashboard(run)
    async with app.run_test() as pilot:
        app.theme = "textual-light"
        await pilot.pause()
    assert read_choices().theme == "textual-light"
    for other in (
        Dashboard(run),
        LabApp(start_of(None, None)),
        LogBookApp([]),
    ):
        assert other.theme == "textual-light"
        assert other.ansi_theme_light is app.ansi_theme_light
