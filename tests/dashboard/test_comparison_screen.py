"""The Compare screen: whose shots are faster, seen while one shoots."""

import numpy as np
import pytest
from dashboard_kit import ALL_SIZES, clocking, drive, finish_work, screen_text
from hand_board import hand_run

from chrono.dashboard.comparison_screen import (
    TOO_FEW,
    comparison_screen_text,
    groups_text,
    interval_line,
    latest_pair,
    pair_text,
)
from chrono.dashboard.dashboard_app import Dashboard
from chrono.measuring.series_statistics import Sample
from chrono.measuring.setup_comparison import Group, compare_groups, group_of
from chrono.reports.character_chart import axis_lines, fit_axis
from chrono.session.operator_records import SET_ASIDE, Mark, Setup
from chrono.session.view_cache import ViewCache

SLOW, QUICK = [22.0, 22.3, 21.8, 22.1, 22.4], [27.0, 27.3, 26.8, 27.1, 27.4]


def group(name: str, speeds: list[float], first: int = 1) -> Group:
    """Return a setup whose shots follow each other, well measured."""
    number = np.arange(first, first + len(speeds))
    small = np.full(len(speeds), 0.01)
    found = group_of(name, Sample(number, np.array(speeds), small, small))
    assert found is not None
    return found


async def settle(app: Dashboard, pilot) -> str:
    """Let the comparison be worked out, and return what the screen shows."""
    await drive(app, pilot)
    await finish_work(app)
    await pilot.pause()
    return screen_text(app)


@pytest.mark.parametrize("size", ALL_SIZES)
async def test_the_difference_is_told_and_drawn_while_one_shoots(size):
    async with clocking("v", size=size) as (board, run, app, pilot):
        assert TOO_FEW in " ".join((await settle(app, pilot)).split())
        run.say_setup(Setup("two bands"))
        board.shoot_and_wait(*SLOW)
        run.say_setup(Setup("three bands"))
        board.shoot_and_wait(*QUICK[:1])
        alone = await settle(app, pilot)
        assert "three bands against two bands" in alone
        assert "at least two counted shots" in " ".join(alone.split())
        board.shoot_and_wait(*QUICK[1:])

        text = await settle(app, pilot)

        words = " ".join(text.split())
        assert "three bands is faster than two bands by 4.7 ± 0.7 m/s" in words, "less a drift"
        assert "q Quit" in text
        assert "nobody near the gates" in words
        if size[1] >= 24:
            assert "5 counted" in text
        lines = [line.rstrip() for line in text.splitlines() if "├" in line and "┼" in line]
        assert lines, "an interval is drawn"
        assert max(map(len, text.splitlines())) <= size[0]


async def test_a_shot_set_aside_changes_the_comparison_at_once():
    async with clocking("v") as (board, run, app, pilot):
        run.say_setup(Setup("two bands"))
        board.shoot_and_wait(*SLOW)
        run.say_setup(Setup("three bands"))
        board.shoot_and_wait(*QUICK, 99.0)
        before = await settle(app, pilot)
        key = ViewCache(run.session).view(1).latest.key

        run.say_mark(Mark(SET_ASIDE, key))
        after = await settle(app, pilot)

        assert "6 counted" in before
        assert "6 counted" not in after
        assert "faster than two bands by 4.7 ± 0.7" in " ".join(after.split())


async def test_the_unit_is_that_of_the_other_screens():
    async with clocking("v") as (board, run, app, pilot):
        for name, speeds in (("two bands", SLOW), ("three bands", QUICK)):
            run.say_setup(Setup(name))
            board.shoot_and_wait(*speeds)
        await settle(app, pilot)

        await pilot.press("u")
        text = await settle(app, pilot)

        assert "by 16.9 ± 2.4 km/h" in " ".join(text.split())


def test_what_was_kept_of_the_groups_goes_when_anything_changes():
    board, run = hand_run()
    looks = ViewCache(run.session)
    run.say_setup(Setup("two bands"))
    board.shoot_and_wait(*SLOW)
    while run.step():
        pass
    first = looks.groups()
    assert looks.groups() is first
    run.say_mark(Mark(SET_ASIDE, int(run.session.log.shots["key"][0])))
    while run.step():
        pass

    assert first[0].series.n == 5
    assert looks.groups()[0].series.n == 4


def test_the_screen_begins_with_the_answer_and_more_setups_have_a_matrix():
    few = [group("a", SLOW), group("b", QUICK, 6)]
    text = comparison_screen_text(few, compare_groups(few), "m/s", 76, damaged_lines=3).plain
    assert text.startswith("b is faster than a by 4.7 ± 0.7 m/s (95 %).\nDoubt: 3 lines")
    assert "speed of the row minus speed of the column" not in text
    many = [group(name, SLOW, 1 + 5 * place) for place, name in enumerate("abcd")]
    text = comparison_screen_text(many, compare_groups(many), "m/s", 76).plain
    assert text.startswith(
        "The shots do not show a difference between the speeds of the 4 setups"
    )
    assert "speed of the row minus speed of the column, m/s:" in text
    assert text.count(" against ") == 1, "the pair shot last"


def test_the_pair_on_top_is_that_of_the_setups_shot_last():
    found = compare_groups([group("a", SLOW, 20), group("b", QUICK, 1), group("c", SLOW, 10)])

    assert (latest_pair(found).first.name, latest_pair(found).second.name) == ("a", "c")


def test_an_interval_is_drawn_from_end_to_end_with_its_middle():
    axis = fit_axis(0.0, 10.0, 41, (4,), anchored=True)

    line = interval_line(axis, 2.0, 5.0, 8.0)

    assert axis.per_cell == 0.25
    assert len(line) == 41
    assert (line.index("├"), line.index("┼"), line.index("┤")) == (8, 20, 32)
    assert interval_line(axis, 5.0, 5.0, 5.0).strip() == "┼"
    assert interval_line(axis, -5.0, 5.0, 50.0) == f"├{'─' * 19}┼{'─' * 19}┤"


def test_each_shot_is_a_dot_at_its_speed_and_equal_ones_are_stacked():
    text = groups_text([group("a", [20.0, 20.0, 20.0, 30.0])], "m/s", 61).plain
    head, dots, interval, stroke, numbers = text.splitlines()
    axis = fit_axis(22.5 - 7.96, 22.5 + 7.96, 61, range(6, 21))  # t(3)·5/√4 = 7.96

    assert head.startswith("a ")
    assert "4 counted" in head
    drawn = [bin(ord(cell) - 0x2800).count("1") for cell in dots if cell != " "]
    assert drawn == [3, 1]
    assert dots.index(dots.strip()[0]) == round(axis.place(20.0))
    assert "┼" in interval
    assert set(stroke) <= set("─┬")
    assert stroke == axis_lines(axis)[0]
    assert stroke[numbers.index("20")] == "┬", "a label of two digits begins at its tick"


def test_names_that_would_steer_the_terminal_are_shown_as_text():
    text = groups_text([group("\x1b[2Jx" * 30, SLOW)], "m/s", 58).plain

    assert "\x1b" not in text
    assert max(map(len, text.splitlines())) <= 58


@pytest.mark.parametrize(("unit", "factor"), [("m/s", 1.0), ("km/h", 3.6)])
@pytest.mark.parametrize("speeds", [(SLOW, QUICK), (QUICK, SLOW), (SLOW, SLOW)])
def test_the_difference_can_be_read_from_its_drawing(speeds, unit, factor):
    found = compare_groups([group("a", speeds[0]), group("b", speeds[1], 6)])
    pair = latest_pair(found)
    *_, drawn, stroke, numbers = pair_text(pair, unit, 60).plain.splitlines()
    labels = [float(label) for label in numbers.removesuffix(unit).split()]
    ticks = [place for place, sign in enumerate(stroke) if sign == "┬"]
    per_cell = (labels[1] - labels[0]) / (ticks[1] - ticks[0])

    def read(sign: str) -> float:
        return labels[0] + (drawn.index(sign) - ticks[0]) * per_cell

    mean, half = pair.difference.difference_mps * factor, pair.difference.U95_mps * factor
    for sign, value in (("├", mean - half), ("┼", mean), ("┤", mean + half)):
        assert read(sign) == pytest.approx(value, abs=0.501 * per_cell)
    if abs(mean) > half:
        assert read("│") == 0.0
    else:
        assert "│" not in drawn, "zero is inside the interval"


def test_each_setup_has_its_colour_and_its_figures_end_at_the_right():
    groups = [group(name, SLOW) for name in "abcdefgh"]
    text = groups_text(groups, "m/s", 58)
    heads = text.plain.splitlines()[:24:3]
    assert [head[0] for head in heads] == list("abcdefgh")
    assert {len(head) for head in heads} == {58}
    assert all(head.endswith("5 counted  22.12 ± 0.30 m/s") for head in heads)
    colours = [str(span.style) for span in text.spans if str(span.style).startswith("bold")]
    assert len(set(colours)) == 7
    assert colours[7] == colours[0]


def test_more_equal_shots_than_a_cell_has_dots_stay_four_dots():
    drawn = groups_text([group("a", [20.0] * 6 + [30.0])], "m/s", 61).plain.splitlines()[1]
    dots = [bin(ord(cell) - 0x2800).count("1") for cell in drawn if cell != " "]
    assert dots == [4, 1]
