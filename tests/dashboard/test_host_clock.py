"""A live session with the counter's rate from its beats: what is measured, and what is told."""

import numpy as np
import pytest
from dashboard_kit import drive, screen_text
from hand_board import RIG_TEXT, hand_run

from chrono.dashboard.dashboard_app import Dashboard
from chrono.dashboard.status_text import status_line
from chrono.reports.export_table import shot_frame
from chrono.reports.findings_text import clock_doubt
from chrono.reports.trouble_text import trouble_line
from chrono.session.recording_loader import read_recording

SLOW = -4000e-6
"""A ceramic resonator, well off its nominal rate."""
FROM_HOST = RIG_TEXT + '[clock]\nfrom_host = true\nrate_tolerance = "5000 ppm"\n'
STATED = RIG_TEXT + '[clock]\nrate_tolerance = "5000 ppm"\n'
MPS = 30.0


def live(tmp_path, rig_text=FROM_HOST, rate_error=SLOW):
    board, run = hand_run(tmp_path / "live.tsv", rig_text=rig_text)
    board.rate_error = rate_error
    return board, run


def wait(board, run, seconds):
    """Let time pass as it does, a second after the other."""
    for _ in range(seconds):
        board.wait(1.0)
        run.step()


def shoot(board, run):
    board.shoot(MPS)
    wait(board, run, 4)


def shown(session):
    return repr(shot_frame(session, "x").to_dict("list"))


def test_once_the_rate_is_known_the_shots_before_and_after_are_right_within_less(tmp_path):
    board, run = live(tmp_path)
    shoot(board, run)
    early = run.session.measured().speed_mps[0], run.session.measured().U95_mps[0]
    assert run.session.host_rate is None
    assert abs(early[0] - MPS) > 0.1

    wait(board, run, 70)
    assert 60e6 < run.remeasured_us < 75e6
    wait(board, run, 60)
    shoot(board, run)

    measured = run.session.measured()
    assert abs(run.session.host_rate.rate_error - SLOW) < run.session.host_rate.U95
    assert measured.speed_mps == pytest.approx([MPS, MPS], rel=1e-4)
    assert measured.U95_mps.max() < 0.6 * early[1]


def test_the_rate_is_refined_when_it_is_news_but_not_more_than_once_a_minute(tmp_path):
    board, run = live(tmp_path)
    rates = {}
    for second in range(900):
        wait(board, run, 1)
        rates.setdefault(run.session.host_rate, second)
    times = list(rates.values())[1:]

    assert 2 <= len(times) <= 8
    assert np.diff(times).min() >= 60
    assert [rate.u for rate in list(rates)[1:]] == sorted(
        (rate.u for rate in list(rates)[1:]), reverse=True
    )


def test_what_is_shown_at_the_end_is_what_the_recording_gives_digit_for_digit(tmp_path):
    board, run = live(tmp_path)
    for _ in range(3):
        shoot(board, run)
        wait(board, run, 50)
    run.close()

    recorded = read_recording(tmp_path / "live.tsv")

    assert recorded.session.host_rate == run.session.host_rate is not None
    assert shown(recorded.session) == shown(run.session)


def test_without_the_wish_nothing_is_measured_again_and_the_recording_gives_the_same(tmp_path):
    board, run = live(tmp_path, STATED)
    for _ in range(3):
        shoot(board, run)
        wait(board, run, 50)
    printed = shown(run.session)
    run.close()

    assert run.remeasured_us is None
    assert run.session.host_rate is None
    assert shown(run.session) == printed == shown(read_recording(tmp_path / "live.tsv").session)


def test_a_session_too_short_for_a_rate_is_measured_as_the_rig_states_and_says_so(tmp_path):
    board, run = live(tmp_path)
    shoot(board, run)
    troubles = run.close()

    recorded = read_recording(tmp_path / "live.tsv")

    assert troubles == [recorded.rate_unknown]
    assert "the counter's rate cannot be computed from the beats" in clock_doubt(recorded)
    assert shown(recorded.session) == shown(run.session)
    stated = read_recording(tmp_path / "live.tsv", hand_run(rig_text=STATED)[1].session.rig)
    assert shown(recorded.session) == shown(stated.session)


def test_plain_lines_have_no_beats_and_are_measured_as_the_rig_states(tmp_path):
    text = 'lines = "plain"\n' + RIG_TEXT + "[clock]\nfrom_host = true\n"
    board, run = hand_run(tmp_path / "plain.tsv", rig_text=text)
    board.us = 1_000_000
    for gate, us in (("A", 1_000_000), ("B", 1_010_000)):
        board.raw(f"{gate} {us}")
    run.step()

    assert "plain lines contain no beats" in trouble_line(run.close()[0])
    assert run.session.measured().speed_mps == pytest.approx([30.0], rel=1e-3)


def test_another_counter_is_not_measured_with_the_rate_of_the_one_before(tmp_path):
    board, run = live(tmp_path)
    wait(board, run, 120)
    assert run.session.host_rate is not None

    board.line("H 1 8000000 32 other 1.0")
    wait(board, run, 63)

    assert run.session.host_rate is None


@pytest.mark.parametrize("cut", [1, 50, 100_000])
def test_the_rate_does_not_depend_on_how_the_lines_come_even_across_another_counter(
    tmp_path, cut
):
    board, run = live(tmp_path)
    board.wait(100.0)
    board.line("H 1 8000000 32 other 1.0")
    board.rate_error = -0.5 + 30e-6
    for n in range(150):
        board.wait(1.0)
        if n % cut == 0:
            run.step()
    run.close()

    rate = run.session.host_rate
    assert abs(rate.rate_error - 60e-6) < rate.U95
    assert read_recording(tmp_path / "live.tsv").session.host_rate == rate


async def test_the_dashboard_says_which_rate_is_in_use_and_that_shots_were_remeasured(tmp_path):
    board, run = live(tmp_path)
    shoot(board, run)
    app = Dashboard(run)
    async with app.run_test(size=(120, 40), notifications=True) as pilot:
        await drive(app, pilot)
        await pilot.press("enter")
        await drive(app, pilot)
        assert "clock rate not known yet" in screen_text(app)
        before = app.driver.view.rows[0].speed_mps

        for _ in range(70):
            board.wait(1.0)
            app.drive()
        await drive(app, pilot)

        text = screen_text(app)
        assert "clock 40" in status_line(run).plain
        assert "ppm slow, speeds were computed again after" in text
        assert "All shots were computed again" in text
        assert app.driver.view.rows[0].speed_mps == pytest.approx(MPS, rel=1e-4)
        assert abs(before - MPS) > 0.1
