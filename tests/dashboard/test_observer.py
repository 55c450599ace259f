"""What the Beams screen is told, from lines whose delays and troubles are known."""

import pytest
from hand_board import CLOCK_HZ, RIG_TEXT, hand_run

from chrono.reports.readiness_text import judged_words


def beats(board, run, count, *, late_us=lambda n: 0, rate_error=0.0):
    """Beat once a second by a counter that runs fast, each line read some time late."""
    begin_us = board.us
    for n in range(count):
        sent_us = begin_us + n * 1_000_000
        counter = round(sent_us * 1e-6 * CLOCK_HZ * (1 + rate_error)) & 0xFFFFFFFF
        board.us = sent_us + late_us(n)
        board.line(f"T {board.number()} {counter:08X} 00 0000")
        run.step()
    board.us = begin_us + count * 1_000_000


def test_delays_are_told_against_the_earliest_beat():
    board, run = hand_run()
    beats(board, run, 300, late_us=lambda n: (0, 4000, 9000)[n % 3])
    assert run.observed().clock is not None
    delays = run.delays()
    assert delays.median_ms == pytest.approx(4.0, abs=0.3)
    assert delays.longest_ms == pytest.approx(9.0, abs=0.3)


def test_neither_rate_nor_delays_are_made_up_from_few_beats():
    board, run = hand_run()
    beats(board, run, 20)
    assert run.observed().clock is None
    assert run.delays() is None


@pytest.mark.parametrize("ppm", [-40.0, 25.0, 3000.0])
def test_the_rate_is_found_across_a_restart_and_a_lost_link(ppm):
    board, run = hand_run()
    late = lambda n: (n * 7919) % 3000  # noqa: E731
    beats(board, run, 150, late_us=late, rate_error=ppm * 1e-6)
    board.record("link", {"event": "lost", "port": "hand://", "reason": "cable"})
    board.wait(0.5)
    board.record("link", {"event": "reopened", "port": "hand://", "reason": ""})
    board.line(f"H 1 {CLOCK_HZ} 32 hand 1.0")
    beats(board, run, 150, late_us=late, rate_error=ppm * 1e-6)
    clock = run.observed().clock
    assert abs(clock.rate_error - ppm * 1e-6) < clock.U95
    assert clock.U95 < 30e-6


def test_another_frequency_said_by_the_board_begins_anew():
    board, run = hand_run()
    beats(board, run, 100)
    board.line("H 1 16048000 32 hand 1.0")
    beats(board, run, 100, rate_error=3000e-6)
    assert abs(run.observed().clock.rate_error) < 30e-6


def test_a_lamp_is_told_with_its_frequency_and_gate():
    board, run = hand_run()
    board.wait(2.0)
    for _ in range(300):
        board.edge("A", 1)
        board.us += 1500
        board.edge("A", 0)
        board.us += 8500
    run.step()
    lamp, dark = run.observed().gates
    assert lamp.flicker_hz == pytest.approx(100.0, rel=0.01)
    assert lamp.flicker_duty == pytest.approx(0.15, abs=0.01)
    assert dark.flicker_hz == 0.0


CALIBRATED = '[calibration.clock]\nvalue = "-4000 ppm"\nu = "10 ppm"\n'


@pytest.mark.parametrize(
    ("more", "troubled"),
    [
        ('[clock]\nrate_tolerance = "50 ppm"\n', True),
        ('[clock]\nrate_tolerance = "5000 ppm"\n', False),
        (CALIBRATED, False),
        (CALIBRATED.replace("-4000", "-4100"), True),
        ("[clock]\nfrom_host = true\n", False),
    ],
)
def test_a_rate_is_judged_by_what_is_known_of_it(more, troubled):
    board, run = hand_run(rig_text=RIG_TEXT + more)
    beats(board, run, 200, rate_error=-4000e-6)
    clock = next(item for item in judged_words(run.observed()).items if item.name == "clock")
    assert "-4000" in clock.reading
    assert bool(clock.trouble) == troubled
