"""The Far view fills the terminal with the last speed, and says its state in words."""

from dataclasses import replace

import pytest
from dashboard_kit import ALL_SIZES, clocking, drive, screen_text
from hand_board import hand_run

from chrono.dashboard.far_screen import far_text, far_words
from chrono.dashboard.large_digits import LETTERS, STROKES, large_digits
from chrono.dashboard.preferences import Choices
from chrono.reports.setup_words import mean_text
from chrono.session.operator_records import SET_ASIDE, Mark, Setup
from chrono.session.view_cache import ViewCache
from chrono.units import format_speed


@pytest.mark.parametrize("size", ALL_SIZES)
async def test_the_speed_and_its_uncertainty_fill_the_terminal(size):
    async with clocking("f", size=size) as (board, _, app, pilot):
        board.shoot_and_wait(45.0)
        await drive(app, pilot)
        text = screen_text(app)
        rows = [i for i, line in enumerate(text.splitlines()) if set(line) & set("█▀▄")]
        columns = max(len(line.rstrip()) for line in text.splitlines() if "█" in line)

        assert rows[-1] - rows[0] + 1 >= 0.5 * size[1]
        assert columns >= 0.6 * size[0]
        assert "COUNTED" in text
        assert "shot 1" in text
        assert "24.3 J" in text, "24 g at 45 m/s: 0.024·45²/2"
        assert "1.08 N·s" in text
        assert "q Quit" in text
        assert "nobody near the gates" in " ".join(text.split()), "the caution keeps its sense"


@pytest.mark.parametrize("size", ALL_SIZES)
async def test_the_digits_are_whole_as_soon_as_the_view_stands(size):
    async with clocking(size=size, shots=(45.0,)) as (_, _, app, pilot):
        await pilot.press("f")
        await pilot.pause()
        far = app.screen.query_one("#far")
        assert far.content_size.height > 0
        assert len(str(far.content).splitlines()) <= far.content_size.height


async def test_a_shot_that_does_not_count_says_so_in_words():
    async with clocking("f", size=(60, 20)) as (board, run, app, pilot):
        await drive(app, pilot)
        assert "no shot yet" in screen_text(app)
        board.shoot_and_wait(45.0)
        await drive(app, pilot)
        run.say_mark(Mark(SET_ASIDE, ViewCache(run.session).view(1).latest.key))
        await drive(app, pilot)
        assert "NOT COUNTED" in screen_text(app)


@pytest.mark.parametrize("size", [(30, 6), (58, 9), (118, 30)])
@pytest.mark.parametrize("text", ["45.12", "±0.19", "7", "1234", "—"])
def test_large_digits_stay_within_their_room_and_are_even(text, size):
    lines = large_digits(text, *size)

    assert lines
    assert len(lines) <= size[1]
    assert len({len(line) for line in lines}) == 1
    assert len(lines[0]) <= size[0]


EIGHTY_TWO = """\
████████████  ████████████|
██        ██            ██|
██        ██            ██|
██▄▄▄▄▄▄▄▄██  ▄▄▄▄▄▄▄▄▄▄██|
██▀▀▀▀▀▀▀▀██  ██▀▀▀▀▀▀▀▀▀▀|
██        ██  ██          |
██        ██  ██          |
██▄▄▄▄▄▄▄▄██  ██▄▄▄▄▄▄▄▄▄▄|
▀▀▀▀▀▀▀▀▀▀▀▀  ▀▀▀▀▀▀▀▀▀▀▀▀|
"""
FIVE_POINT_ONE = """\
█▀▀▀▀▀         █|
█▄▄▄▄▄         █|
     █         █|
▀▀▀▀▀▀ ▀▀      ▀|
"""
MINUS_FOUR = """\
           ██      ██|
           ██      ██|
           ██      ██|
██████████ ██████████|
                   ██|
                   ██|
                   ██|
                   ▀▀|
"""
PER_METRE = """\
    █ ████ ██ |
    █ ██▀▀▄▀▀▄|
  ▄▄▀ ██  █  █|
▄▄▀▀  ██  █  █|
██    ██  █  █|
▀▀    ▀▀  ▀  ▀|
"""


@pytest.mark.parametrize(
    ("text", "columns", "lines", "picture"),
    [
        ("82", 26, 9, EIGHTY_TWO),
        ("-4", 21, 8, MINUS_FOUR),
        ("5.1", 80, 4, FIVE_POINT_ONE),
        ("/m", 15, 6, PER_METRE),
    ],
)
def test_the_strokes_of_large_digits_meet_as_on_a_pocket_calculator(
    text, columns, lines, picture
):
    assert [f"{line}|" for line in large_digits(text, columns, lines)] == picture.splitlines()


def test_large_digits_are_as_large_as_their_room_and_keep_their_shape():
    def size(text: str, columns: int, lines: int) -> tuple[int, int]:
        drawn = large_digits(text, columns, lines)
        return len(drawn[0]), len(drawn)

    assert size("8888", 15, 9) == (15, 6), "four of three cells, with one cell between two"
    assert large_digits("8888", 14, 9) == []
    assert size("8", 3, 3) == (3, 3), "the smallest digit"
    assert size("8.", 5, 3) == (5, 3), "the smallest point is one cell"
    assert size("8", 80, 4) == (6, 4), "a line is as high as two cells: 6 to 8 is 0.75"
    assert size("8", 3, 30) == (3, 6), "at most four times as high as wide"


def test_no_two_signs_look_the_same():
    for wide, high in ((12, 9), (5, 3), (6, 4)):
        signs = set(STROKES) - {"—"} | set(LETTERS)
        pictures = {sign: tuple(large_digits(sign, wide, high)) for sign in signs}
        assert len(set(pictures.values())) == len(pictures)


def test_where_there_is_no_room_there_are_no_digits():
    assert large_digits("45.12", 12, 9) == []
    assert large_digits("45.12", 60, 2) == []


def drawn(text: str, picture: str) -> bool:
    """Return whether a picture holds a text as `large_digits` draws it at some size."""
    lines = picture.splitlines()
    for high in range(3, 20):
        for wide in range(10, 200):
            glyphs = large_digits(text, wide, high)
            if glyphs and all(
                any(glyph.strip() in line for line in lines) for glyph in glyphs[:-1]
            ):
                return True
    return False


async def test_unit_number_mean_and_the_last_five_speeds_are_large():
    async with clocking("f", size=(80, 24)) as (board, _, app, pilot):
        board.shoot_and_wait(30.0, 41.0, 42.0, 43.0, 44.0, 45.0)
        await drive(app, pilot)
        picture = str(app.screen.query_one("#far").content)
        assert drawn("±0.25 m/s", picture)
        series = app.driver.view.series
        mean = mean_text(series, "m/s")[1].partition(" ")[0]
        assert drawn(f"n 6  mean {mean}", picture)
        for speed in ("41.0", "42.0", "43.0", "44.0", "45.0"):
            assert drawn(speed, picture), speed
        assert not drawn("30.0", picture)
        await pilot.press("u")
        await drive(app, pilot)
        picture = str(app.screen.query_one("#far").content)
        latest = app.driver.view.latest
        half = format_speed(latest.speed_mps, latest.U95_mps, "km/h").partition(" ± ")[2]
        assert half.endswith(" km/h")
        assert drawn(f"±{half}", picture)
        assert drawn("162", picture)


@pytest.mark.parametrize(
    ("lines", "speed_lines"),
    [(7, 7), (8, 5), (10, 7), (11, 5), (14, 5), (23, 14), (24, 12), (60, 30)],
)
def test_the_speed_gets_the_lines_that_three_rows_of_digits_leave(lines, speed_lines):
    """A row has 16 % of the lines, at least three; from 24 lines on, a line separates rows."""
    board, run = hand_run()
    board.shoot_and_wait(30.0, 31.0)
    while run.step():
        pass
    view = ViewCache(run.session).view()
    drawn = far_text(view, "m/s", 600, lines).plain.split("\n")
    assert len(drawn) == lines
    speed = format_speed(view.latest.speed_mps, view.latest.U95_mps, "m/s").partition(" ")[0]
    assert drawn[:speed_lines] == large_digits(speed, 600, speed_lines)


def test_the_last_speeds_are_as_many_as_fit_into_the_line():
    board, run = hand_run()
    board.shoot_and_wait(30.0, 31.0, 32.0)
    while run.step():
        pass
    view = ViewCache(run.session).view()
    speeds = ("30.0", "31.0", "32.0")
    for columns, apart, shown in (
        (3 * 13 + 2 * 3, 3, speeds),
        (3 * 13 + 2 * 3 - 1, 2, speeds),
        (3 * 13 + 2 * 2, 2, speeds),
        (3 * 13 + 2 * 2 - 1, 3, speeds[1:]),
    ):
        drawn = far_text(view, "m/s", columns, 14).plain.split("\n")[-3:]
        cells = (columns - apart * (len(shown) - 1)) // len(shown)
        parts = [large_digits(speed, cells, 3) for speed in shown]
        assert drawn == [(" " * apart).join(part[line] for part in parts) for line in range(3)]


def test_only_a_speed_that_does_not_count_is_yellow_among_the_last_speeds():
    board, run = hand_run()
    board.shoot_and_wait(30.0, 31.0, 32.0)
    while run.step():
        pass
    run.say_mark(Mark(SET_ASIDE, int(run.session.log.shots["key"][1])))
    board.shoot(33.0)
    while run.step():
        pass
    view = ViewCache(run.session).view()
    assert view.latest.open
    text = far_text(view, "m/s", 200, 14)
    last_line = text.plain.rindex("\n")
    styles = [
        str(span.style)
        for span in text.spans
        if span.start > last_line and text.plain[span.start : span.end].strip()
    ]
    assert len(styles) == 4
    assert [style == "yellow" for style in styles] == [False, True, False, False]


@pytest.mark.parametrize("counted", [True, False])
def test_the_words_below_the_digits_use_the_whole_line(counted):
    board, run = hand_run()
    run.say_setup(Setup("three bands " * 9))
    board.shoot_and_wait(30.0)
    while run.step():
        pass
    row = replace(ViewCache(run.session).view().latest, counted=counted)
    first, second = far_words(row, 0.024, "m/s", 40).plain.split("\n")
    assert len(first) == 40
    assert first.startswith("COUNTED  shot 1" if counted else "NOT COUNTED  shot 1")
    assert len(second) <= 40


async def test_the_energy_is_that_of_the_shot_and_not_of_a_later_setup():
    async with clocking("f", size=(80, 24)) as (board, run, app, pilot):
        board.shoot_and_wait(44.0)
        run.say_setup(Setup("heavy", {"mass_kg": 0.048}))
        await drive(app, pilot)
        assert "23.2 J" in screen_text(app), "24 g at 44 m/s: 0.024·44²/2"
        board.shoot_and_wait(44.0)
        await drive(app, pilot)
        assert "46.5 J" in screen_text(app)
        run.say_setup(Setup("heavy", {"mass_kg": 0.096}))
        await drive(app, pilot)
        assert "46.5 J" in screen_text(app), "the name is the same, the body is another"


async def test_the_last_shot_is_marked_where_it_is_seen():
    async with clocking("f", size=(80, 24), shots=(44.0, 45.0)) as (_, run, app, pilot):
        await pilot.press("a", *"net", "enter")
        await drive(app, pilot)
        assert run.session.counted().tolist() == [True, False]
        assert "NOT COUNTED" in screen_text(app)
        await pilot.press("c")
        await drive(app, pilot)
        assert run.session.counted().all()
        await pilot.press("t", *"wind", "enter")
        await drive(app, pilot)
        assert run.session.notes()[1] == "wind"
        assert app.current_mode == "far"


async def test_a_unit_that_was_chosen_before_is_said(monkeypatch):
    monkeypatch.setattr(
        "chrono.dashboard.preferences.read_choices",
        lambda: Choices(unit="km/h", rig_unit="m/s"),
    )
    async with clocking(notifications=True) as (_, _, app, _):
        words = [notice.message for notice in app._notifications]
        assert any(
            "in km/h, because you chose this unit last time. The rig file uses m/s" in w
            for w in words
        )
