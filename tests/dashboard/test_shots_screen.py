"""The Shots screen shows what the session holds, at both sizes, and what a speed means."""

import asyncio
import threading
from math import isfinite

import numpy as np
import pytest
from dashboard_kit import SIZES, clocking, drive, finish_work, listed, screen_text
from textual.widgets import Digits, Static

import chrono.reports.motion_text as motion
from chrono.dashboard import shots_screen
from chrono.dashboard.dashboard_app import Dashboard
from chrono.dashboard.dialogs import LinesDialog, SetupDialog
from chrono.dashboard.run_driver import SHOWN_SHOTS
from chrono.dashboard.speed_plot import SpeedPlot, histogram_text, shots_chart
from chrono.reports.flag_help import FLAG_HELP
from chrono.session.operator_records import SET_ASIDE, Mark, Setup
from chrono.units import format_speed


def shown(app: Dashboard, name: str) -> str:
    return str(app.screen.query_one(f"#{name}", Static).content)


@pytest.mark.parametrize("size", SIZES)
async def test_the_latest_speed_stands_large_and_in_the_table(size):
    async with clocking(size=size, shots=(30.0, 20.0)) as (_, run, app, _):
        row = next(run.session.rows_of(slice(1, 2)))
        assert abs(row.speed_mps / 20.0 - 1) < 1e-3
        text = format_speed(row.speed_mps, row.U95_mps, "m/s")
        assert app.screen.query_one(Digits).value == text
        assert listed(app)[-1][:5] == (
            "2",
            f"{row.time_s:.1f}",
            "",
            text.removesuffix(" m/s"),
            "yes",
        )
        assert "± 95 %" in screen_text(app)


@pytest.mark.parametrize("size", SIZES)
async def test_nothing_that_matters_is_cut_off(size):
    async with clocking(size=size) as (board, run, app, pilot):
        board.shoot_and_wait(*np.linspace(28, 32, 12))
        run.session.unusable.lines = 3
        await drive(app, pilot)
        await pilot.press("h")
        await drive(app, pilot)

        text = screen_text(app)
        series = run.session.series("")
        mean = format_speed(series.mean_mps, series.U95_mean_mps, "m/s")
        for words in (
            "hand",
            "link open",
            "3 damaged",
            "ON HOLD",
            "Eye protection on",
            "12 counted",
            mean,
            "median",
            "range",
            "gate spacing",
            "Quit",
            "? Keys",
            "Hold",
        ):
            assert words in text
        rows = [line for line in text.splitlines() if " yes " in f"{line} "]
        assert len(rows) >= 4
        assert rows[-1].split()[0] == "12"
        assert app.screen.query_one(Digits).region.height == {24: 3, 40: 5}[size[1]]


async def test_an_open_shot_is_listed_at_once_and_becomes_final_in_place():
    async with clocking() as (board, _, app, pilot):
        board.wait(1.0)
        board.shoot()
        app.drive()
        assert [cells[4] for cells in listed(app)] == ["open"]
        assert "still open" in shown(app, "shot")

        board.wait(4.0)
        await drive(app, pilot)
        assert [cells[4] for cells in listed(app)] == ["yes"]
        assert "counted" in shown(app, "shot")


async def test_a_shot_without_speed_says_why_and_what_to_do():
    async with clocking(size=(120, 40)) as (board, _, app, pilot):
        board.trip("A")
        board.wait(4.0)
        await drive(app, pilot)
        assert app.screen.query_one(Digits).value == "—"
        assert listed(app)[0][3:6] == ("—", "no", "lone-a")
        assert FLAG_HELP["lone-a"] in shown(app, "flags")
        assert shown(app, "budget") == ""


async def test_the_statistics_are_those_of_the_current_setup():
    async with clocking() as (board, run, app, pilot):
        board.record("setup", {"name": "one band"})
        board.shoot_and_wait(10.0, 10.2)
        board.record("setup", {"name": "two bands"})
        board.shoot_and_wait(30.0, 30.5, 31.0)
        await drive(app, pilot)

        series = run.session.series("two bands")
        text = shown(app, "statistics")
        assert series.n == 3
        assert text.splitlines()[0] == "two bands"
        assert "3 counted" in text
        assert format_speed(series.mean_mps, series.U95_mean_mps, "m/s") in text
        assert "0.500 m/s" in text, "s of 30, 30.5 and 31, with three digits"
        assert "shots in the session: 5" in text


async def test_the_table_keeps_the_last_shots_and_the_cursor_its_own():
    async with clocking() as (board, _, app, pilot):
        for _ in range(SHOWN_SHOTS + 10):
            board.shoot()
            board.wait(1.0)
        board.wait(4.0)
        await drive(app, pilot)
        table = app.screen.table
        assert len(table) == SHOWN_SHOTS + 10
        assert table.selected.number == SHOWN_SHOTS + 10

        await pilot.press("up", "up")
        chosen = table.selected
        assert chosen.number == SHOWN_SHOTS + 8
        board.shoot_and_wait(30.0)
        await drive(app, pilot)
        assert table.selected.number == chosen.number

        await pilot.press("end")
        board.shoot_and_wait(30.0)
        await drive(app, pilot)
        assert table.selected.number == SHOWN_SHOTS + 12
        assert f" {SHOWN_SHOTS + 12} " in screen_text(app)

        await pilot.press("home")
        assert table.selected.number == 1
        await pilot.press("pagedown")
        assert 1 < table.selected.number < 40


@pytest.mark.parametrize("size", SIZES)
async def test_an_older_shot_is_shown_in_full_where_the_cursor_stands_on_it(size):
    async with clocking(size=size) as (board, run, app, pilot):
        board.shoot_and_wait(30.0)
        board.trip("A")
        board.wait(4.0)
        board.shoot_and_wait(31.0)
        await drive(app, pilot)
        assert not app.screen.query_one("#chosen").display

        await pilot.press("up")
        await pilot.pause()
        assert app.screen.query_one("#chosen").display
        assert "shot 2 · " in shown(app, "chosen")
        assert (FLAG_HELP["lone-a"] in shown(app, "chosen")) == (size[1] > 24)
        assert "shot 3 · " in shown(app, "shot")

        reason = "a hand in the beam while the gates were being set up anew"
        key = app.screen.selected.key
        run.say_mark(Mark(SET_ASIDE, key, reason))
        await drive(app, pilot)
        text = " ".join(screen_text(app).split())
        assert f"set aside: {reason}" in text
        assert "flags: lone-a" in text
        assert "Hold" in text

        await pilot.press("end")
        await pilot.pause()
        assert not app.screen.query_one("#chosen").display


async def test_a_shot_s_line_is_one_line_on_a_small_screen():
    async with clocking() as (board, _, app, pilot):
        board.record("setup", {"name": "three bands, drawn as far as they go"})
        board.wait(1000.0)
        board.shoot()
        await drive(app, pilot)
        assert "still open" in shown(app, "shot")
        assert app.screen.query_one("#shot").region.height == 1


async def test_the_newest_shot_stays_in_sight_when_other_lines_take_room():
    async with clocking() as (board, _, app, pilot):
        board.shoot_and_wait(*np.linspace(20, 21, 21))
        await drive(app, pilot)
        assert "  21  " in screen_text(app)
        await pilot.press("h")
        await drive(app, pilot)
        assert "ON HOLD" in screen_text(app)
        assert "  21  " in screen_text(app)

        await pilot.press("b")
        board.shoot_and_wait(22.0)
        await pilot.press("h")
        await drive(app, pilot)
        await pilot.press("s")
        await drive(app, pilot)
        assert "  22  " in screen_text(app)


async def test_a_click_selects_a_shot():
    async with clocking(shots=(30.0, 31.0, 32.0)) as (_, _, app, pilot):
        await pilot.click("#table", offset=(5, 2))
        assert app.screen.table.selected.number == 2


@pytest.mark.parametrize("size", SIZES)
async def test_the_plot_holds_every_shot_and_marks_where_the_setup_changes(size):
    async with clocking(size=size) as (board, _, app, pilot):
        board.record("setup", {"name": "one band"})
        board.shoot_and_wait(10.0)
        board.record("setup", {"name": "two bands"})
        board.shoot_and_wait(30.0, 31.0, 32.0)
        board.trip("A")
        board.wait(4.0)
        await drive(app, pilot)
        plot = app.screen.query_one(SpeedPlot)
        if not plot.display:
            await pilot.press("p")
        assert plot.display

        view = app.driver.view
        plot.show_shots(view.rows, view.setup.name, "m/s")
        await pilot.pause()
        rows = [r for r in view.rows if isfinite(r.speed_mps)]
        assert plot.points[:, 0].tolist() == [r.number for r in rows] == [1, 2, 3, 4]
        assert plot.points[:, 1].tolist() == [r.speed_mps for r in rows]
        assert plot.points[:, 2].tolist() == [r.U95_mps for r in rows]
        assert plot._changes == [(1.5, "two bands")]
        assert "two bands" in str(plot.render())
        assert "± within the dot" in plot.border_title
        await pilot.press("g")
        assert plot.histogram
        assert "counted shots" in screen_text(app)
        lengths = [line.count("█") for line in str(plot.render()).splitlines()]
        assert sum(map(bool, lengths)) == 3, "30, 31 and 32 m/s, four lines at least"


async def test_a_session_without_shots_says_so():
    async with clocking() as (_, _, app, pilot):
        await drive(app, pilot)
        assert app.screen.query_one(Digits).value == "—"
        assert "no shot yet" in screen_text(app)
        await pilot.press("a")
        assert len(app.screen_stack) == 1


ENERGY_J = 0.024 * 30.0**2 / 2
"""Of the rig's squash ball at 30 m/s, ½·m·v²: 10.8 J."""


async def test_the_dialog_stands_at_once_and_then_tells() -> None:
    async with clocking(shots=(30.0,)) as (_, _, app, pilot):
        await pilot.press("m")
        await finish_work(app)
        await pilot.pause()
        shown = screen_text(app)
        assert f"energy    {ENERGY_J:.1f} J" in shown
        assert "momentum  0.720 N·s" in shown
        assert "45° up" in shown
        await pilot.press("escape")
        assert not isinstance(app.screen, LinesDialog)


async def test_the_details_are_those_of_the_shot_and_not_of_a_later_setup() -> None:
    async with clocking() as (board, run, app, pilot):
        run.say_setup(Setup("heavy", {"mass_kg": 0.048}))
        board.shoot_and_wait(30.0)
        run.say_setup(Setup("heavy", {"mass_kg": 0.096}))
        await drive(app, pilot)
        await pilot.press("m")
        await finish_work(app)
        await pilot.pause()
        assert f"energy    {2 * ENERGY_J:.1f} J" in screen_text(app)
        await pilot.press("escape", "enter")
        await pilot.pause()
        assert "48 g" in screen_text(app)


async def test_what_is_worked_out_late_never_comes_over_what_is_typed_by_then(
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    go_on, asked = threading.Event(), threading.Event()

    def slowly(*_: object) -> list[str]:
        asked.set()
        assert go_on.wait(10)
        return ["worked out late"]

    monkeypatch.setattr(motion, "range_lines", slowly)
    async with clocking(shots=(30.0,)) as (_, run, app, pilot):
        await pilot.press("m")
        assert isinstance(app.screen, LinesDialog)
        assert "The program computes how far" in screen_text(app)
        await pilot.press("escape", "n", "t", "h")
        assert asked.wait(10)
        go_on.set()
        await finish_work(app)
        await pilot.pause()
        assert isinstance(app.screen, SetupDialog)
        await pilot.press("r", "e", "e", "enter")
        assert run.session.setup_now.name == "three"


def test_shots_are_counted_in_whole_numbers_on_the_plot() -> None:
    for count in (1, 2, 5, 20, 90):
        points = np.array([(n, 30.0 + n % 3, 0.2, 1.0) for n in range(1, count + 1)])
        for columns in range(20, 190):
            chart, _ = shots_chart(points, columns, 10)
            assert chart.x.step >= 1
            assert all("." not in label for _, label in chart.x.ticks())


@pytest.mark.parametrize("lines", [10, 16, 30])
def test_a_histogram_shows_the_shape_of_twenty_shots(lines) -> None:
    speeds = np.random.default_rng(3).normal(45.0, 0.59, 20)
    drawn = histogram_text(speeds, 60, lines).plain.rstrip("\n").splitlines()
    bars = [line for line in drawn if "█" in line]
    assert len(bars) >= 5
    assert len(drawn) <= lines
    assert sum(int(line.split()[-1]) for line in bars) == 20


EIGHT = np.array([40.0, 40.1, 40.4, 40.6, 41.4, 42.0, 42.6, 43.2])
"""Two to the nearest 43 m/s, one to 42, two to 41 and three to 40; 2·∛8 = 4 intervals."""
BARS = """\
     44
     43 █████████████ 2
     42 ███████ 1
     41 █████████████ 2
     40 ████████████████████ 3"""


@pytest.mark.parametrize("lines", [5, 20])
def test_the_bars_of_a_histogram_are_as_long_as_the_numbers_of_their_shots(lines) -> None:
    drawn = histogram_text(EIGHT, 24, lines).plain
    assert [line.rstrip() for line in drawn.splitlines()] == BARS.splitlines()


def test_two_equal_speeds_make_one_bar_and_one_speed_makes_none() -> None:
    assert [
        line.split()[1:] for line in histogram_text(EIGHT[[0, 0]], 14, 9).plain.splitlines()
    ].count(["█" * 10, "2"]) == 1
    assert "at least two" in histogram_text(EIGHT[:1], 24, 9).plain


def dots_of(lines: list[list[tuple[str, str]]]) -> list[int]:
    """Return the number of dots in each column of cells."""
    cells = ["".join(piece for piece, _ in line[1:]) for line in lines]
    return [
        sum(
            bin(ord(sign) - 0x2800).count("1")
            for sign in column
            if 0x2800 <= ord(sign) < 0x2900
        )
        for column in zip(*(line.ljust(100) for line in cells), strict=True)
    ]


def test_an_error_bar_on_the_plot_reaches_from_the_lower_to_the_upper_end() -> None:
    points = np.array([(1, 30.0, 0.5, 1.0), (2, 31.0, 0.5, 1.0), (3, 30.5, 0.0, 1.0)])
    chart, words = shots_chart(points, 30, 8)
    assert words == "± 95 %"
    assert chart.y.per_cell == pytest.approx(1 / 3), "29.5 to 31.5 m/s on 8 lines of 4 dots"
    first, second, *third = filter(None, dots_of(chart.lines()))
    assert first == second == 14, "1 m/s is 12 dots long; a shot is two dots wide"
    assert sum(third) == 2


@pytest.mark.parametrize(("half", "words"), [(0.040, "± within the dot"), (0.043, "± 95 %")])
def test_an_uncertainty_is_drawn_from_half_a_dot_on(half, words) -> None:
    points = np.array([(1, 29.6, half, 1.0), (2, 31.4, half, 1.0)])
    chart, said = shots_chart(points, 30, 8)
    assert chart.y.per_cell / 8 == pytest.approx(0.0417, abs=1e-4), "half a dot"
    assert said == words


def test_the_plot_has_room_for_ten_shots_and_marks_uncounted_ones() -> None:
    points = np.array([(21, 30.0, 0.5, 1.0), (22, 31.0, 0.5, 0.0)])
    chart, _ = shots_chart(points, 50, 8)
    assert chart.x.per_cell == pytest.approx(0.2), "five of fifty cells for each shot"
    assert chart.x.low <= 20.6
    assert chart.x.high >= 30.4
    signs = [piece for line in chart.lines() for piece in line if "×" in piece[0]]
    assert [(text.strip(), style) for text, style in signs] == [("×", "not")]


@pytest.mark.parametrize("width", [60, 78, 79, 80, 103, 120])
async def test_a_line_of_the_table_stands_below_its_header_and_fills_the_width(width) -> None:
    async with clocking(size=(width, 24)) as (board, run, app, pilot):
        run.say_setup(Setup("two"))
        board.shoot_and_wait(30.0, 31.0)
        await drive(app, pilot)
        table = app.screen.table
        head, line = (table.render_line(y).text for y in (0, 1))
        number, time, _, speed = listed(app)[0][:4]
        assert len(head) == len(line) == table.scrollable_content_region.width
        assert line.split()[0] == number == "1"
        for right, header in ((number, "shot"), (time, "time s"), (speed, "m/s ± 95 %")):
            end = head.index(header) + len(header)
            assert line[:end].endswith(f" {right}"), header
        for left, header in (("two ", "setup"), ("yes ", "counted")):
            assert line[head.index(header) :].startswith(left), header
        gaps = head.index("setup") - head.index("time s") - len("time s")
        columns = table.widths
        assert sum(columns) + gaps * (len(columns) - 1) == len(head), "nothing is left over"
        assert "flags" in head
        assert "note" in head


async def test_a_search_tells_which_match_it_shows_if_there_are_several() -> None:
    async with clocking(notifications=True) as (board, run, app, pilot):
        for name in ("two", "three", "two"):
            run.say_setup(Setup(name))
            board.shoot_and_wait(30.0)
        await drive(app, pilot)

        async def told(*keys: str) -> list[str]:
            app.clear_notifications()
            await pilot.press(*keys)
            await pilot.pause()
            return [notice.message for notice in app._notifications]

        assert await told("home", "slash", *"three", "enter") == []
        assert app.screen.table.selected.number == 2
        assert await told("slash", *"two", "enter") == ["match 2 of 2"]
        assert app.screen.table.selected.number == 3
        assert await told("x") == ["match 1 of 2"]
        assert await told("slash", *"four", "enter") == ["No shot matches 'four'."]
        assert app.screen.table.selected.number == 1


async def test_the_plot_follows_every_shot(monkeypatch: pytest.MonkeyPatch) -> None:
    drawn: asyncio.Queue[int] = asyncio.Queue()
    monkeypatch.setattr(shots_screen, "PLOT_PAUSE_S", 0.001)
    monkeypatch.setattr(
        SpeedPlot, "show_shots", lambda _, rows, *other: drawn.put_nowait(len(list(rows)))
    )
    async with clocking() as (board, _, app, pilot):
        for count in (1, 2):
            board.shoot_and_wait(30.0)
            await drive(app, pilot)
            while await asyncio.wait_for(drawn.get(), 5) != count:
                pass
