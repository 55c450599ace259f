"""Replays: loading behind a bar, pause, pace, the next shot, marks at the end of the file."""

import shutil
import threading
from pathlib import Path

import pytest
from hand_board import records, screen_text
from textual.widgets import Input, ProgressBar

from chrono.dashboard import app as dashboard_app
from chrono.dashboard.actions import LIVE_ONLY, REPLAY_ONLY
from chrono.dashboard.app import Dashboard, show, show_replay
from chrono.dashboard.loading import LoadingScreen
from chrono.errors import RecordingError
from chrono.reader.source import ReplaySource
from chrono.session.recorded import Findings, read_recording
from chrono.session.replay import WholeRun, replay_run

DEMO = Path(__file__).parents[2] / "recordings" / "two-and-three-bands.tsv"


def a_replay(path=DEMO, pace=1.0):
    recorded = read_recording(path)
    run = replay_run(path, recorded.session, pace)
    run.start()
    if pace is not None:
        run.source.pause()
    return run, recorded.session


async def test_stepping_shows_one_more_shot_each_time_until_the_end():
    run, whole = a_replay()
    app = Dashboard(run)
    async with app.run_test(size=(80, 24)) as pilot:
        await pilot.pause()
        assert "Eye protection" not in screen_text(app)  # nobody is about to shoot
        for n in range(1, 4):
            await pilot.press("full_stop")
            assert app.view.shots == n
            assert app.view.latest.speed_mps == whole.measured().speed_mps[n - 1]
            assert f"{n}" == app.screen.table.cells[-1][0]
        assert "paused" in screen_text(app)
        while not run.finished:
            run.step_to_next_shot()
        await pilot.press("full_stop")
        app.follow()
        await pilot.pause()
        assert "at its end" in screen_text(app)
    assert run.session.log.shots.tobytes() == whole.log.shots.tobytes()
    assert run.session.counted().tolist() == whole.counted().tolist()


async def test_pause_and_pace_move_the_recorded_time():
    run, _ = a_replay()
    source = run.source
    app = Dashboard(run)
    async with app.run_test(size=(80, 24)) as pilot:
        await pilot.press("space")
        assert not source.paused
        await pilot.press("plus")
        assert source.pace == 2.0
        await pilot.press("minus", "minus")
        assert source.pace == 0.5
        assert "0.5× at" in screen_text(app)
        await pilot.press("space")
        assert source.paused
        held = source.now_us()
        await pilot.pause(0.05)
        assert source.now_us() == held
        for _ in range(20):
            app.action_slower()
        assert source.pace == dashboard_app.PACES[0]
        for _ in range(20):
            app.action_faster()
        assert source.pace == dashboard_app.PACES[-1]
        assert all(app.check_action(name, ()) for name in REPLAY_ONLY)
        assert not any(app.check_action(name, ()) for name in LIVE_ONLY)
        await pilot.press("q")
        await pilot.pause()
        assert not app.is_running


async def test_a_mark_in_a_replay_is_added_at_the_end_of_the_file(tmp_path):
    path = tmp_path / "copy.tsv"
    shutil.copy(DEMO, path)
    before = path.read_bytes()
    run, whole = a_replay(path, None)
    app = Dashboard(run)
    async with app.run_test() as pilot:
        await pilot.pause()
        assert app.view.shots == len(whole.log)
        await pilot.press("home", "a")
        app.screen.query_one(Input).value = "wrong ball"
        await pilot.press("enter")
        assert not app.view.rows[0].counted
        assert app.screen.table.cells[0][6].startswith("set aside")
        await pilot.press("b")
        assert "read whole" in screen_text(app)
    assert path.read_bytes().startswith(before)
    assert records(path, "mark")[-1]["text"] == "wrong ball"
    assert read_recording(path).session.counted().tolist()[0] is False


async def test_a_file_that_cannot_be_written_is_said(tmp_path, monkeypatch):
    run, _ = a_replay(DEMO, None)

    def refuse(mark):
        raise RecordingError("cannot be opened for writing", where="[b]x")

    monkeypatch.setattr(run, "say_mark", refuse)
    app = Dashboard(run)
    async with app.run_test(notifications=True) as pilot:
        await pilot.pause()
        await pilot.press("a", "enter")
        await pilot.pause()
        assert "cannot be opened" in screen_text(app)
        assert "[b]x" in screen_text(app)


async def test_a_long_recording_is_loaded_behind_a_bar():
    told, go_on = threading.Event(), threading.Event()

    def load(progress):
        progress(30, 100)
        told.set()
        assert go_on.wait(10)
        return a_replay(DEMO, None)[0]

    app = Dashboard(load=load, name="[b]long.tsv")
    async with app.run_test(size=(80, 24)) as pilot:
        while not told.is_set():
            await pilot.pause()
        await pilot.pause()
        assert isinstance(app.screen, LoadingScreen)
        bar = app.screen.query_one(ProgressBar)
        assert (bar.progress, bar.total) == (30, 100)
        assert "Reading [b]long.tsv" in screen_text(app)
        await pilot.press("a", "b", "n")  # nothing to act on yet
        assert isinstance(app.screen, LoadingScreen)
        go_on.set()
        await app.workers.wait_for_complete()
        await pilot.pause()
        assert app.current_mode == "shots"
        assert len(app.screen.table.cells) == 40


@pytest.fixture
def by_hand(monkeypatch):
    """Let the dashboard run without a terminal, as a hand would use it."""

    def play(act):
        def run(self):
            App_run(self, headless=True, auto_pilot=act, size=(80, 24))

        App_run = Dashboard.__mro__[1].run  # noqa: N806
        monkeypatch.setattr(Dashboard, "run", run)

    return play


def test_a_replay_is_read_shown_and_closed(by_hand):
    seen = []

    async def act(pilot):
        await pilot.app.workers.wait_for_complete()
        await pilot.pause()
        seen.append((type(pilot.app.clocking), pilot.app.view.shots))
        await pilot.press("q")

    by_hand(act)
    findings = Findings()
    show_replay(DEMO, None, None, findings)
    assert seen == [(WholeRun, 40)]
    assert findings.lines == []


def test_a_file_that_is_no_recording_is_the_one_error_line(by_hand, tmp_path):
    async def wait(pilot):
        await pilot.app.workers.wait_for_complete()

    by_hand(wait)
    (tmp_path / "x.tsv").write_text("no recording\n")
    with pytest.raises(RecordingError):
        show_replay(tmp_path / "x.tsv", None, 1.0, Findings())


def test_a_cut_recording_is_shown_and_found_fault_with(by_hand, tmp_path):
    async def leave(pilot):
        await pilot.app.workers.wait_for_complete()
        await pilot.pause()
        await pilot.press("q")

    by_hand(leave)
    cut = tmp_path / "cut.tsv"
    cut.write_bytes(DEMO.read_bytes()[:-7])
    findings = Findings()
    show_replay(cut, None, 1.0, findings)
    assert len(findings.lines) == 1
    assert "cut.tsv" in findings.lines[0]


def test_a_run_is_started_shown_and_closed(by_hand):
    async def leave(pilot):
        await pilot.pause()
        await pilot.press("q")

    by_hand(leave)
    recorded = read_recording(DEMO)
    run = replay_run(DEMO, recorded.session, 1.0)
    show(run, Findings())
    assert isinstance(run.source, ReplaySource)
    assert run.finished


def test_the_picture_shows_the_demo_session_and_is_small():
    picture = (DEMO.parent / "dashboard.svg").read_text("utf-8")
    last = next(read_recording(DEMO).session.rows_of(slice(39, 40)))
    shown = picture.replace("&#160;", " ")
    assert f"{last.speed_mps:.2f} ± {last.U95_mps:.2f}" in shown
    assert len(picture) < 150_000
    assert "Far view" in shown, "recordings/picture.py makes it anew"
    script = (DEMO.parent / "picture.py").read_text("utf-8").partition("async def draw")[0]
    exec(compile(script, "picture.py", "exec"), {"__file__": str(DEMO)})  # its imports hold
    assert "url(http" not in picture
