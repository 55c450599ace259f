"""The Beams screen: gates, link and clock now, the verdict, and what it is told of them."""

import re
from pathlib import Path
from time import monotonic

import pytest
from dashboard_kit import SIZES, clocking, drive, screen_text
from hand_board import hand_run
from textual.widgets import Static

from chrono.dashboard import dashboard_app
from chrono.dashboard.beams_screen import records_text
from chrono.dashboard.dashboard_app import POLL_S, SHOW_S, Dashboard
from chrono.reader.line_grammar import GateLevels
from chrono.session.live_run import live_run
from chrono.session.operator_records import NOTE, Mark
from chrono.session.recording_loader import read_recording
from chrono.session.replay_run import replay_run
from chrono.virtual.scenarios import SCENARIOS
from chrono.virtual.virtual_board import light_of

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
        assert "damaged lines in the session: 1" in text
        assert "E 0000 A 1 0000 FFFF" in text


async def test_notes_and_records_left_out_are_shown_harmless():
    async with clocking("b", size=(120, 40)) as (board, _, app, pilot):
        board.wait(2.0)
        text = await look(app, pilot)
        assert "notes on the session" not in text
        assert "unusable" not in text

        board.record("mark", {"action": "note", "text": "new [red]rubber[/]\x1b[2J"})
        for n in range(6):
            board.record("mark", {"action": "note", "text": f"note {n}"})
        board.record("mark", {"action": "explode"})
        text = await look(app, pilot)
        assert "note 5" in text
        assert text.index("note 5") < text.index("note 1")
        assert "note 0" not in text
        assert "mark at 2.000 s: unknown mark 'explode'" in text
        assert "setups and marks not used: 1" in text
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
        assert "no beams are shown here" in text
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
        assert "the median delay of the beats is 0.0 ms" in text


async def test_the_help_explains_keys_flags_cautions_and_the_uncertainty():
    async with clocking("question_mark", size=(120, 200)) as (_, _, app, pilot):
        text = await look(app, pilot)
        for words in ("Set the selected shot aside", "trail-only", "19 of 20", "Local codes"):
            assert words in text


ALIGNED = GateLevels(1.03, 0.463, 0.577)


@pytest.mark.parametrize("size", [*SIZES, (60, 24)])
async def test_the_light_of_a_board_that_measures_it_is_shown_against_the_thresholds(size):
    async with clocking("b", size=size) as (board, _, app, pilot):
        board.wait(2.0)
        assert "margin" not in await look(app, pilot)
        board.levels = ALIGNED, GateLevels(0.70, 0.463, 0.577)
        text = await look(app, pilot)
        assert "A ███||███▎··········· 1.03 V, max. 1.03, margin 55 %" in text
        assert "good: the gate trips at 45 % of full light" in text
        assert "!   too dim, below 0.8 V: turn D1 to get a longer bar" in text
        board.levels = None
        assert "margin" not in await look(app, pilot)
        assert not app.screen.query_one("#alignment").display


async def test_the_bell_rings_for_the_gate_that_is_chosen_and_is_off_at_first(monkeypatch):
    async with clocking("b", size=(80, 24)) as (board, _, app, pilot):
        rung = []
        monkeypatch.setattr(app, "bell", lambda: rung.append(app.screen.tone.gate))
        board.levels = ALIGNED, GateLevels(0.2, 0.463, 0.577)
        await pilot.press("o")
        assert not rung, "no board that measures, no tone"
        board.offers_levels = True
        assert "tone" not in await look(app, pilot)
        await pilot.press("o")
        assert "tone for gate A: more light, more beeps" in await look(app, pilot)
        assert set(rung) == {"A"}
        await pilot.press("o")
        rung.clear()
        assert "tone for gate B" in await look(app, pilot)
        assert not rung, "gate B is blocked"
        await pilot.press("o")
        assert "tone" not in await look(app, pilot)


@pytest.mark.long
async def test_the_bars_follow_a_beam_that_goes_out_of_line_within_0_3_s(monkeypatch):
    """The virtual board's beam swings in real time; every bar shows a light it had just now."""
    monkeypatch.setattr(dashboard_app, "POLL_S", POLL_S)
    monkeypatch.setattr(dashboard_app, "SHOW_S", SHOW_S)
    scenario = SCENARIOS["loose-beam"]
    run = live_run("virtual://loose-beam?shots=0", None, None)
    run.start()
    begin_s, lags_s = monotonic(), []
    app = Dashboard(run)
    try:
        async with app.run_test(size=(80, 24)) as pilot:
            await pilot.press("enter", "b")
            while monotonic() - begin_s < 6.0:
                await pilot.pause(0.03)
                now_s = monotonic() - begin_s
                shown = re.search(r" B .* (\d\.\d\d) V", screen_text(app))
                if shown is None or now_s < 2.0:
                    continue
                light_v = float(shown[1])
                back = (0.005 * n for n in range(1000))
                lags_s.append(
                    next(s for s in back if light_of(scenario, 1, now_s - s) >= light_v - 0.005)
                )
    finally:
        run.close()
    assert len(lags_s) > 50


def test_the_last_five_notes_on_the_session_are_listed_the_newest_first():
    _, run = hand_run()
    for note in "abcdefg":
        run.say_mark(Mark(NOTE, text=note))
    while run.step():
        pass
    assert records_text(run.session).plain.split()[-5:] == list("gfedc")
