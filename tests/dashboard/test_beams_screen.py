"""The Beams screen: gates, link and clock now, the verdict, and what it is told of them."""

from pathlib import Path

import pytest
from dashboard_kit import SIZES, clocking, drive, screen_text
from hand_board import CLOCK_HZ, RIG_TEXT, hand_run
from textual.widgets import Static

from chrono.dashboard.dashboard_app import Dashboard
from chrono.reports.readiness_text import judged_words
from chrono.session.recording_loader import read_recording
from chrono.session.replay_run import replay_run

DEMO = Path(__file__).parents[2] / "recordings" / "two-and-three-bands.tsv"


async def look(app, pilot) -> str:
    await drive(app, pilot)
    return screen_text(app)


@pytest.mark.parametrize("size", SIZES)
async def test_clear_gates_are_ready_and_a_blocked_one_is_not(size):
    async with clocking("b", size=size) as (board, _, app, pilot):
        board.wait(5.0)
        text = await look(app, pilot)
        assert "READY" in text
        assert "NOT READY" not in text
        assert text.count("CLEAR") == 2
        assert "0 damaged, 0 lost" in text

        board.edge("B", 1)
        board.us += 4_200_000
        text = await look(app, pilot)
        assert "NOT READY because gate B is blocked" in text
        assert "BLOCKED 4.2 s" in text
        assert "do: align the lamp" in text
        assert app.screen.query_one("#gate-b", Static).has_class("-blocked")


async def test_damaged_lines_are_shown_with_their_rows():
    async with clocking("b", size=(120, 40)) as (board, _, app, pilot):
        board.wait(2.0)
        board.raw("E 0000 A 1 0000 FFFF")
        text = await look(app, pilot)
        assert "damaged lines: 1 in the session" in text
        assert "E 0000 A 1 0000 FFFF" in text


async def test_notes_and_records_left_out_are_shown_harmless():
    async with clocking("b", size=(120, 40)) as (board, _, app, pilot):
        board.wait(2.0)
        text = await look(app, pilot)
        assert "notes on the session" not in text
        assert "left out" not in text

        board.record("mark", {"action": "note", "text": "new [red]rubber[/]\x1b[2J"})
        for n in range(6):
            board.record("mark", {"action": "note", "text": f"note {n}"})
        board.record("mark", {"action": "explode"})
        text = await look(app, pilot)
        assert "note 5" in text
        assert text.index("note 5") < text.index("note 1")
        assert "note 0" not in text
        assert "mark at 2.000 s: unknown mark 'explode'" in text
        assert "setups and marks left out: 1" in text
        board.record("mark", {"action": "note", "text": "new [red]rubber[/]\x1b[2J"})
        assert "new [red]rubber[/]·[2J" in await look(app, pilot)


async def test_a_recording_read_whole_shows_its_notes_too(tmp_path):
    note = b'7000000\tmark\t{"action": "note", "text": "new rubber"}\n'
    path = tmp_path / "noted.tsv"
    path.write_bytes(DEMO.read_bytes() + note)
    app = Dashboard(replay_run(path, read_recording(path).session, None))
    async with app.run_test(size=(120, 40)) as pilot:
        await pilot.press("b")
        text = await look(app, pilot)
        assert "there is no now to watch" in text
        assert "new rubber" in text


async def test_the_clock_and_the_delays_are_known_after_some_minutes():
    async with clocking("b", size=(120, 40)) as (board, run, app, pilot):
        board.wait(3.0)
        text = await look(app, pilot)
        assert "rate not known" in text
        for _ in range(36):
            board.wait(5.0)
            run.step()
        text = await look(app, pilot)
        estimate = run.observed().clock
        assert abs(estimate.rate_error) < estimate.U95
        assert f"± {1e6 * estimate.U95:.0f} ppm" in text
        assert f"from {estimate.beats} beats" in text
        assert "beats come 0.0 ms late in the median" in text


async def test_the_help_explains_keys_flags_cautions_and_the_uncertainty():
    async with clocking("question_mark", size=(120, 200)) as (_, _, app, pilot):
        text = await look(app, pilot)
        for words in ("Set the selected shot aside", "trail-only", "19 of 20", "Local codes"):
            assert words in text


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
