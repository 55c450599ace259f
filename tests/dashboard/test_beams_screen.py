"""The Beams screen: gates, link and clock now, and the verdict."""

from pathlib import Path

import pytest
from dashboard_kit import SIZES, clocking, drive, screen_text
from textual.widgets import Static

from chrono.dashboard.dashboard_app import Dashboard
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
        for words in ("Set the selected shot aside", "trail-only", "nineteen", "Local codes"):
            assert words in text
