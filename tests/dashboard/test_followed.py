"""A recording that another program writes, on the screen as it grows."""

import os
import shutil
from pathlib import Path

import pytest
from dashboard_kit import SIZES, finish_work, names_of, screen_text

from chrono.dashboard import dashboard_app as dashboard_app
from chrono.dashboard.dashboard_app import Dashboard, show_followed
from chrono.errors import RecordingError
from chrono.reports.findings_text import Findings
from chrono.session.replay_run import FollowRun, follow_run

BANDS = Path(__file__).parents[2] / "recordings" / "two-and-three-bands.tsv"


RECORDS = {"correct_setup", "set_aside", "count_again", "note", "session_note"}
"""What the operator says of shots."""


@pytest.fixture(name="half")
def _half(tmp_path):
    """A recording of the first half of a session, and the rows of the other half."""
    rows = BANDS.read_bytes().splitlines(keepends=True)
    path = tmp_path / "monday.tsv"
    path.write_bytes(b"".join(rows[: len(rows) // 2]))
    return path, b"".join(rows[len(rows) // 2 :])


def a_follower(path: Path) -> FollowRun:
    run = follow_run(path)
    run.start()
    run.catch_up()
    return run


@pytest.mark.parametrize("size", SIZES)
async def test_new_shots_come_onto_the_screen_below_the_caution(
    half, size, monkeypatch
) -> None:
    path, rest = half
    run = a_follower(path)
    monkeypatch.setattr(type(run.source), "quiet_s", 0.0)  # however busy the machine is
    app = Dashboard(run)
    async with app.run_test(size=size) as pilot:
        await pilot.pause()
        app.follow()
        await pilot.pause()
        text = screen_text(app)
        assert app.driver.view.shots == 20
        assert "Eye protection on" in text  # somebody shoots while this is looked at
        assert "Recording monday.tsv" in text
        assert "followed while it grows" in text
        assert "REC" not in text
        with path.open("ab") as file:
            file.write(rest)
        app.drive()
        await pilot.pause()
        assert app.driver.view.shots == 40
    assert run.close() == []


async def test_nothing_can_be_said_of_its_shots(half) -> None:
    path, _ = half
    before = path.read_bytes()
    app = Dashboard(a_follower(path))
    async with app.run_test(size=(120, 40)) as pilot:
        await pilot.pause()
        forbidden = names_of("live") | names_of("replay") | RECORDS
        assert not any(app.check_action(name, ()) for name in forbidden)
        await pilot.press("a", "c", "t", "T", "n", "h", "space", "full_stop")
        await pilot.pause()
        assert len(app.screen_stack) == 1  # no dialog
        assert "Set aside" not in screen_text(app)
        await pilot.press("q")
        await pilot.pause()
        assert not app.is_running
    app.driver.run.close()
    assert path.read_bytes() == before


@pytest.mark.skipif(os.name != "posix", reason="Windows keeps open files from being deleted")
async def test_what_became_of_the_file_stands_above_the_shots(half, monkeypatch) -> None:
    monkeypatch.setattr("chrono.reader.row_sources.LOOK_S", 0.0)
    path, _ = half
    content = path.read_bytes()
    app = Dashboard(a_follower(path))
    async with app.run_test(size=(120, 40)) as pilot:
        await pilot.pause()

        async def seen() -> str:
            app.drive()
            app.follow()
            await pilot.pause()
            return screen_text(app)

        path.unlink()
        assert "RECORDING NOT READ: the file was deleted or moved" in await seen()
        path.write_bytes(content)
        assert "RECORDING NOT READ" not in await seen()
        path.unlink()
        shutil.copy(BANDS.with_name("noisy-hall.tsv"), path)
        text = await seen()
        assert "READING ENDED: the recording was replaced" in text
        assert app.driver.view.shots == 20
    assert len(app.driver.run.close()) == 1


async def test_a_quiet_recording_says_how_long(half, monkeypatch) -> None:
    path, _ = half
    run = a_follower(path)
    app = Dashboard(run)
    async with app.run_test(size=(80, 24)) as pilot:
        await pilot.pause()
        monkeypatch.setattr(type(run.source), "quiet_s", 61.2)
        app.follow()
        await pilot.pause()
        assert "nothing new for 61 s" in screen_text(app)
    run.close()


async def test_a_recording_that_nobody_writes_is_finished_and_not_quiet(half, monkeypatch):
    path, _ = half
    run = a_follower(path)
    app = Dashboard(run)
    async with app.run_test(size=(80, 24)) as pilot:
        await pilot.pause()
        monkeypatch.setattr(type(run.source), "quiet_s", 1300.0)
        monkeypatch.setattr(type(run.source), "unwritten", True)
        app.follow()
        await pilot.pause()
        assert "finished: no program writes to this file" in screen_text(app)
        assert "nothing new" not in screen_text(app)
    run.close()


def test_it_is_read_behind_a_bar_shown_and_closed(half, monkeypatch) -> None:
    path, _ = half
    seen = []

    async def act(pilot):
        await finish_work(pilot.app)
        await pilot.pause()
        if pilot.app.loaded:
            seen.append((type(pilot.app.driver.run), pilot.app.driver.view.shots))
            await pilot.press("q")

    run = Dashboard.__mro__[1].run
    monkeypatch.setattr(
        Dashboard, "run", lambda self: run(self, headless=True, auto_pilot=act, size=(80, 24))
    )
    findings = Findings()
    dashboard_app.show_followed(path, None, findings)
    assert seen == [(FollowRun, 20)]
    assert findings.lines == []
    with pytest.raises(RecordingError):
        show_followed(path.with_name("nowhere.tsv"), None, findings)
