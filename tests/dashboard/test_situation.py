"""Which actions are possible in which situation: the table, without a screen."""

from dataclasses import replace

import pytest

from chrono.dashboard.actions import ACTIONS, SCREENS, Situation

LIVE = Situation("shots", live=True, takes_records=True)
REPLAY = Situation("shots", replayed=True, takes_records=True)
WHOLE = Situation("shots", finished=True, takes_records=True)
FOLLOWED = Situation("shots")

SHOWN = {"find", "whole_shot", "motion", "plot", "histogram"}
"""What is looked up of shots."""
SAID = {"correct_setup", "set_aside", "count_again", "note"}
"""What the operator says of a shot."""
OTHERS = {"far", "comparison", "beams", "lab", "help", "quit"}
TIME = {"pause", "faster", "slower", "next_shot", "previous_shot"}
ON_SHOTS = SHOWN | OTHERS | {"unit"}


@pytest.mark.parametrize(
    ("now", "possible"),
    [
        (Situation(), {"quit"}),
        (LIVE, ON_SHOTS | SAID | {"session_note", "new_setup", "hold", "signal"}),
        (replace(LIVE, finished=True), ON_SHOTS | SAID | {"session_note"}),
        (REPLAY, ON_SHOTS | SAID | TIME | {"session_note", "signal"}),
        (replace(REPLAY, finished=True), ON_SHOTS | SAID | {"session_note", "previous_shot"}),
        (WHOLE, ON_SHOTS | SAID | {"session_note"}),
        (FOLLOWED, ON_SHOTS | {"signal"}),
        (replace(FOLLOWED, finished=True), ON_SHOTS),
        (replace(WHOLE, undoable=True), ON_SHOTS | SAID | {"session_note", "undo"}),
        (
            replace(WHOLE, sought=True),
            ON_SHOTS | SAID | {"session_note", "next_match", "previous_match"},
        ),
        (
            replace(LIVE, disk_trouble=True),
            ON_SHOTS
            | SAID
            | {"session_note", "new_setup", "hold", "signal", "write_elsewhere"},
        ),
        (
            replace(LIVE, screen="beams", undoable=True, sought=True, disk_trouble=True),
            {"session_note", "new_setup", "hold", "signal", "undo", "write_elsewhere"}
            | (OTHERS - {"beams"})
            | {"shots"},
        ),
        (
            replace(REPLAY, screen="far"),
            TIME
            | {"set_aside", "count_again", "note"}
            | {"session_note", "signal", "unit", "shots"}
            | (OTHERS - {"far"}),
        ),
        (
            replace(WHOLE, screen="comparison"),
            {"session_note", "unit", "shots"} | (OTHERS - {"comparison"}),
        ),
        (replace(FOLLOWED, screen="help"), {"signal", "shots"} | (OTHERS - {"help"})),
        (
            Situation("lab", True, True, False, True, True, True, True),
            set(),
        ),
    ],
)
def test_what_is_possible(now: Situation, possible: set[str]) -> None:
    assert {action.name for action in ACTIONS if action.possible(now)} == possible


def test_each_screen_has_a_key_on_all_others_and_none_on_itself() -> None:
    for screen in SCREENS:
        now = replace(WHOLE, screen=screen)
        ways = {action.name for action in ACTIONS if action.possible(now)} & set(SCREENS)
        assert ways == set(SCREENS) - {screen}


def test_no_key_and_no_name_has_two_actions() -> None:
    for part in ("key", "name", "sign", "title"):
        told = [getattr(action, part) for action in ACTIONS]
        assert len(told) == len(set(told)), part
