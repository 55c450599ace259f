"""The Far view fills the terminal with the last speed, and says its state in words."""

import pytest
from dashboard_kit import ALL_SIZES, clocking, drive, screen_text

from chrono.dashboard.large_digits import STROKES, large_digits
from chrono.session.operator_records import SET_ASIDE, Mark
from chrono.session.view_cache import ViewCache


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


def test_no_two_signs_look_the_same():
    drawn = {sign: tuple(large_digits(sign, 12, 9)) for sign in set(STROKES) - {"—"}}

    assert len(set(drawn.values())) == len(drawn)


def test_where_there_is_no_room_there_are_no_digits():
    assert large_digits("45.12", 12, 9) == []
    assert large_digits("45.12", 60, 3) == []
