"""Words for the screen, without a screen."""

from dataclasses import replace
from math import nan

import pytest
from hand_board import HandBoard, hand_run
from hypothesis import given
from hypothesis import strategies as st
from rich.cells import cell_len
from rich.text import Text

from chrono.dashboard.clipped_text import fit, fit_apart, flow
from chrono.dashboard.dialogs import read_setup_form
from chrono.dashboard.shot_text import (
    LEAST_SHARE,
    budget_bar,
    flags_text,
    shot_lines,
    shot_text,
)
from chrono.errors import ChronoError
from chrono.measuring.error_budget import Budget
from chrono.session.operator_records import Setup
from chrono.session.shot_log import ShotRow
from chrono.session.view_cache import ViewCache


def a_budget() -> Budget:
    board, run = hand_run()
    board.shoot_and_wait(30.0)
    run.step()
    return ViewCache(run.session).view().budget


def a_row(**other: object) -> ShotRow:
    board, run = hand_run()
    board.shoot_and_wait(30.0)
    run.step()
    row = ViewCache(run.session).view().latest
    assert row is not None
    return replace(row, **other)


@given(st.text(), st.integers(1, 40))
def test_a_fitted_text_is_harmless_and_short_enough(text, cells):
    shown = fit(text, cells)
    assert cell_len(shown) <= cells
    assert shown.isprintable()


def test_a_text_that_fits_is_left_alone():
    assert fit("two bands", 9) == "two bands"
    assert fit("two bands", 8) == "two ban…"


@pytest.mark.parametrize("cells", [10, 46, 80])
def test_the_budget_bar_is_as_long_as_told_and_names_every_large_share(cells):
    budget = a_budget()
    bar, *legend = budget_bar(budget, cells).plain.split("\n")
    assert len(bar) == cells
    for part in budget.contributions:
        if budget.share(part) >= LEAST_SHARE:
            assert f"{part.name} {100 * budget.share(part):.0f} %" in "  ".join(legend)


def test_the_largest_share_has_the_longest_part_of_the_bar():
    budget = a_budget()
    bar = budget_bar(budget, 100)
    largest = max(budget.share(part) for part in budget.contributions)
    first = max(span.end - span.start for span in bar.spans if span.end <= 100)
    assert abs(first - 100 * largest) <= 2


def test_the_parts_of_the_bar_have_the_numbers_of_the_legend():
    bar, *legend = budget_bar(a_budget(), 300).plain.split("\n")
    numbers = [entry.split(" ")[0] for line in legend for entry in line.split("  ")]
    assert bar.split() == numbers == [str(i + 1) for i in range(len(numbers))]


def test_only_the_flag_of_a_companion_has_its_speed_in_the_user_s_unit():
    row = a_row(flags=("companion", "lead-only"), companion_speed_mps=10.0)
    assert flags_text(row, "m/s") == "companion 10 m/s, lead-only"
    assert flags_text(row, "km/h") == "companion 36 km/h, lead-only"
    unmeasured = replace(row, companion_speed_mps=nan)
    assert flags_text(unmeasured, "m/s") == "companion, lead-only"


def test_the_lines_of_a_shot_have_a_note_and_conditions_only_where_there_are_some():
    bare = shot_lines(a_row(), Setup(""), "m/s")
    full = shot_lines(a_row(note="wind"), Setup("x", conditions={"bands": "3"}), "m/s")
    assert [line.split()[0] for line in bare] == ["speed", "time", "setup", "state"]
    assert [line.split()[0] for line in full][3:] == ["bands=3", "state", "note"]
    assert [line.split()[1:] for line in full][4:] == [["counted"], ["wind"]]


@pytest.mark.parametrize("cells", [46, 60, 80])
def test_the_name_of_a_setup_is_cut_only_where_a_line_is_too_short(cells):
    row = a_row(setup="three bands " * 9, note="")
    shown = shot_text(row, cells).plain
    assert cell_len(shown) == cells
    assert "…" in shown
    assert "…" not in shot_text(replace(row, setup="two"), cells).plain


@given(st.lists(st.integers(1, 20), max_size=20), st.integers(20, 60))
def test_flowing_items_are_never_broken(lengths, cells):
    items = [Text("x" * length) for length in lengths]
    lines = flow(items, cells).plain.split("\n")
    assert all(len(line) <= cells for line in lines)
    assert [len(word) for line in lines for word in line.split()] == lengths


def test_short_texts_share_a_line_as_long_as_they_fit_with_two_blanks_between():
    items = [Text("abc"), Text("defg"), Text("h")]
    assert flow(items, 12).plain == "abc  defg  h"
    assert flow(items, 11).plain == "abc  defg\nh"
    assert flow(items, 9).plain == "abc  defg\nh"
    assert flow(items, 8).plain == "abc\ndefg  h"


def test_a_setup_form_is_read_with_its_units():
    setup = read_setup_form(" three bands ", "bands=3, angle = 20 deg,", "2.5 g", "4 cm")
    assert setup.name == "three bands"
    assert setup.conditions == {"bands": "3", "angle": "20 deg"}
    assert setup.body == pytest.approx({"mass_kg": 0.0025, "length_m": 0.04})


def test_a_setup_form_may_hold_a_name_only():
    setup = read_setup_form("x", "", "", " ")
    assert (setup.conditions, setup.body) == ({}, {})


@pytest.mark.parametrize(
    ("fields", "where"),
    [
        (("", "", "", ""), "name"),
        (("x", "bands", "", ""), "conditions"),
        (("x", "=3", "", ""), "conditions"),
        (("x", "", "24 mm", ""), "mass"),
        (("x", "", "24", ""), "mass"),
        (("x", "", "-1 g", ""), "mass"),
        (("x", "", "", "0 mm"), "length"),
        (("x", "", "", "1e9 km"), "length"),
    ],
)
def test_a_wrong_field_is_named(fields, where):
    with pytest.raises(ChronoError) as caught:
        read_setup_form(*fields)
    assert caught.value.where == where


def test_a_hand_board_speaks_the_wire_format():
    board = HandBoard()
    board.line("E 00A1 A 1 0003F2A1")
    row = board.journal.drain().decode()
    assert row.startswith("0\tboard\tE 00A1 A 1 0003F2A1 ")


@pytest.mark.parametrize("cells", [9, 12, 18])
def test_setups_that_begin_alike_are_cut_so_that_they_stay_apart(cells) -> None:
    names = ("three bands, 20 deg", "three bands, 25 deg", "three bands", "two")
    shown = [fit_apart(name, cells, names) for name in names]
    assert len(set(shown)) == len(names)
    assert all(len(name) <= cells for name in shown)
    assert shown[3] == "two"


@pytest.mark.parametrize(
    ("cells", "name", "other", "shown"),
    [
        (9, "three bands, 20 deg", "three bands, 25 deg", "thr…0 deg"),
        (8, "three bands, 25 deg", "three bands, 15 deg", "t…25 deg"),
        (8, "three bands, 125 deg", "three bands, 225 deg", "three b…"),
        (9, "nine letters", "nine l", "nine let…"),
    ],
)
def test_a_name_keeps_no_more_of_its_end_than_it_needs(cells, name, other, shown) -> None:
    assert fit_apart(name, cells, (name, other)) == shown


def test_a_name_that_is_alone_is_cut_at_its_end() -> None:
    assert (
        fit_apart("three bands, 20 deg", 12, ("three bands, 20 deg", "two")) == "three bands…"
    )
