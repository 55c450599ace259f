"""What the page shows: the session's own numbers, with their digits, in the wanted unit."""

import json
import os
from collections.abc import Iterator
from math import inf
from pathlib import Path

import pytest
from hand_board import RIG_TEXT, hand_run

from chrono.reader.recording_writer import RecordingWriter
from chrono.session.operator_records import HOLD_ON, Mark, Setup
from chrono.session.recording_loader import read_recording
from chrono.session.replay_run import FollowRun, follow_run
from chrono.session.view_cache import ViewCache
from chrono.sharing.page_state import (
    SHOWN_SETUPS,
    Disclosure,
    PageState,
    page_state_json,
    page_state_of,
)
from chrono.units import format_speed

RECORDINGS = Path(__file__).parents[2] / "recordings"
BANDS = RECORDINGS / "two-and-three-bands.tsv"
WIDE = '\nspacing_tolerance = "50 mm"'
PLAIN = RECORDINGS / "plain-lines-4us.tsv"


def followed(path: Path) -> FollowRun:
    run = follow_run(path)
    run.start()
    run.catch_up()
    return run


@pytest.fixture(name="whole", scope="module")
def _whole() -> Iterator[FollowRun]:
    run = followed(BANDS)
    yield run
    run.close()


@pytest.fixture(name="shown", scope="module")
def _shown(whole: FollowRun) -> PageState:
    return page_state_of(whole)


def test_the_latest_shot_stands_with_its_half_width(shown: PageState) -> None:
    *_, last = read_recording(BANDS).session.rows_of(slice(39, 40))
    assert shown.latest is not None
    text = f"{shown.latest.speed} ± {shown.latest.half_width} m/s"
    assert text == format_speed(last.speed_mps, last.U95_mps, "m/s")
    assert (shown.latest.number, shown.latest.setup) == (40, "three bands")
    assert (shown.latest.state, shown.latest.flags) == ("counted", ())
    assert (shown.shots, shown.counted, shown.unit) == (40, 40, "m/s")


def test_each_setup_stands_with_its_statistics(shown: PageState) -> None:
    session = read_recording(BANDS).session
    assert [(s.name, s.now) for s in shown.setups] == [
        ("three bands", True),
        ("two bands", False),
    ]
    for setup in shown.setups:
        series, values = session.series(setup.name), dict(setup.values)
        assert series is not None
        assert values["n"] == str(series.n) == "20"
        mean = format_speed(series.mean_mps, series.U95_mean_mps, "m/s")
        assert f"{values['mean']} m/s" == mean
        assert float(values["s"]) == pytest.approx(series.s_mps, rel=1e-2)
        assert [*values] == ["n", "mean", "s", "median", "min", "max", "range"]


def test_the_plot_holds_every_shot_within_its_axes(shown: PageState) -> None:
    plot = shown.plot
    assert plot is not None
    rows = list(read_recording(BANDS).session.rows_of(slice(0, 40)))
    assert [point[0] for point in plot.points] == list(range(1, 41))
    assert [point[1] for point in plot.points] == [row.speed_mps for row in rows]
    assert [point[2] for point in plot.points] == [row.U95_mps for row in rows]
    assert all(plot.y[0] <= v - h and v + h <= plot.y[1] for _, v, h, _, _ in plot.points)
    assert all(plot.x[0] < n < plot.x[1] for n, *_ in plot.points)
    assert {key for *_, key in plot.points} == {setup.key for setup in shown.setups}
    assert all(float(text) == pytest.approx(place) for place, text in plot.y_ticks)
    assert all(float(text) == pytest.approx(place) for place, text in plot.x_ticks)
    assert 4 <= len(plot.y_ticks) <= 8
    assert plot.y_ticks[0][0] == plot.y[0]


def test_the_axis_holds_the_ends_of_wide_intervals_too() -> None:
    board, run = hand_run(rig_text=RIG_TEXT.replace('"300 mm"', '"300 mm"' + WIDE))
    board.shoot_and_wait(30.0)
    run.step()
    plot = page_state_of(run).plot
    assert plot is not None
    (point,) = plot.points
    assert point[2] > 3
    assert plot.y[0] <= point[1] - point[2]
    assert plot.y[1] >= point[1] + point[2]
    assert plot.x == (0.5, 6.5), "room for the first six shots"
    assert [number for number, _ in plot.x_ticks] == [1, 2, 3, 4, 5, 6]


@pytest.mark.parametrize(
    ("shots", "large", "hidden", "shown"),
    [
        (5, 3, 35, (3, False)),
        (5, 0, 35, (40, True)),  # nothing was revealed yet: the latest shot, without its speed
        (5, 41, 35, (40, True)),  # a shot that has not come
        (39, 39, 1, (39, False)),
        (40, 40, 0, (40, False)),
        (41, 3, 0, (40, False)),
        (None, 3, 0, (40, False)),  # everything is shown again
    ],
)
def test_the_revealed_shot_is_large_only_while_later_shots_are_hidden(
    whole: FollowRun, shots: int | None, large: int, hidden: int, shown: tuple[int, bool]
) -> None:
    page = page_state_of(whole, shown=Disclosure(shots, large=large))
    assert page.latest is not None
    assert (page.latest.number, page.latest.hidden) == shown
    assert page.hidden == hidden
    assert page.plot is not None
    assert [point[0] for point in page.plot.points] == [*range(1, 41 - hidden)]


def test_units_and_the_decimal_sign_are_the_readers() -> None:
    run = followed(BANDS)
    shown = page_state_of(run, "km/h", ",")
    *_, last = run.session.rows_of(slice(39, 40))
    run.close()
    assert shown.latest is not None
    assert shown.plot is not None
    text = f"{shown.latest.speed} ± {shown.latest.half_width} km/h"
    assert text.replace(",", ".") == format_speed(last.speed_mps, last.U95_mps, "km/h")
    assert "." not in json.dumps([setup.values for setup in shown.setups])
    assert shown.plot.points[-1][1] == pytest.approx(3.6 * last.speed_mps)
    assert shown.unit == "km/h"


def test_plain_lines_are_given_longer_before_they_stand_still(shown: PageState) -> None:
    run = followed(PLAIN)
    plain = page_state_of(run)
    run.close()
    assert plain.quiet_after_s > shown.quiet_after_s > 2


def test_a_recording_that_nobody_writes_is_said_to_be_finished(tmp_path: Path) -> None:
    path = tmp_path / "x.tsv"
    path.write_bytes(BANDS.read_bytes())
    writer = RecordingWriter.reopen(path)
    os.utime(path, (0, 0))
    run = followed(path)
    run.source._looked_s = -inf
    run.source.drain()
    assert not page_state_of(run).finished
    writer.close()
    run.source._looked_s = -inf
    run.source.drain()
    assert page_state_of(run).finished
    run.close()


def test_a_session_without_shots_has_none_to_show() -> None:
    _, run = hand_run()
    run.step()
    shown = page_state_of(run)
    assert (shown.latest, shown.plot, shown.shots) == (None, None, 0)
    assert [(setup.name, setup.values) for setup in shown.setups] == [
        ("no setup named", (("n", "0"),))
    ]
    assert json.loads(page_state_json(shown))["latest"] is None


def test_the_setup_of_now_comes_first_then_the_last_ones_and_not_too_many() -> None:
    board, run = hand_run()
    for number in range(SHOWN_SETUPS + 3):
        run.say_setup(Setup(f"no {number}"))
        board.shoot_and_wait(30.0)
    run.say_setup(Setup("no 0"))
    board.shoot_and_wait(30.0)
    run.step()
    names = [setup.name for setup in page_state_of(run).setups]
    assert names == ["no 0", *(f"no {n}" for n in range(SHOWN_SETUPS + 2, 3, -1))]


def test_the_page_says_which_setup_is_the_fastest_with_the_class_s_decimal_sign() -> None:
    board, run = hand_run()
    run.say_setup(Setup("two bands"))
    board.shoot_and_wait(22.0, 22.3, 21.8, 22.1, 22.4)
    run.step()
    assert page_state_of(run).headline == (), "there is one setup"
    run.say_setup(Setup("three bands 2.5 mm"))
    board.shoot_and_wait(27.0, 27.3, 26.8, 27.1, 27.4)
    while run.step():
        pass
    looks = ViewCache(run.session)
    (answer,) = page_state_of(run, "m/s", ",", looks).headline
    assert answer == "three bands 2.5 mm is faster than two bands by 4,7 ± 0,7 m/s (95 %)."
    assert looks.comparison() is looks.comparison(), "compared once"


def test_a_shot_without_speed_a_hold_and_an_open_shot_are_said() -> None:
    board, run = hand_run()
    board.shoot()
    run.step()
    shown = page_state_of(run)
    assert shown.latest is not None
    assert shown.latest.state == "still open"
    assert shown.counted == 0
    board.wait(4.0)
    run.say_mark(Mark(HOLD_ON))
    board.edge("A", 1)
    board.us += 1000
    board.edge("A", 0)
    board.wait(4.0)
    run.step()
    shown = page_state_of(run)
    assert shown.hold
    assert shown.latest is not None
    assert (shown.latest.speed, shown.latest.half_width) == ("—", "")
    assert (shown.latest.state, shown.latest.flags) == ("not counted", ("lone-a",))
    assert shown.plot is not None
    assert len(shown.plot.points) == 1
    assert (shown.shots, shown.counted) == (2, 1)


def test_what_came_from_outside_is_harmless_and_the_json_is_one_line_of_ascii() -> None:
    board, run = hand_run()
    run.say_setup(Setup("</script>\x1b[2J\u2028 ±"))
    board.shoot_and_wait(30.0)
    run.step()
    text = page_state_json(page_state_of(run))
    assert b"\n" not in text
    assert b"\x1b" not in text
    assert text.isascii()
    assert json.loads(text)["latest"]["setup"] == "</script>·[2J· ±"


def test_a_recording_that_is_lost_says_why(tmp_path) -> None:
    path = tmp_path / "x.tsv"
    path.write_bytes(BANDS.read_bytes())
    run = followed(path)
    path.write_bytes(b"")
    run.step()
    assert "was shortened" in page_state_of(run).trouble
    run.close()
