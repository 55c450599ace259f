"""Trouble is seen at once, and costs nothing that was recorded."""

import asyncio
import errno
import threading
from dataclasses import replace
from pathlib import Path

import pytest
from dashboard_kit import SIZES, clocking, drive, finish_work, listed, screen_text
from hand_board import hand_run, records
from pty_board import until
from textual.widgets import Input, Static

from chrono.commands.console_output import RunReporter
from chrono.dashboard.dashboard_app import Dashboard
from chrono.dashboard.preferences import Choices
from chrono.dashboard.status_text import status_line
from chrono.processor.flicker import FlickerSpan
from chrono.reader import file_io
from chrono.session.recording_loader import read_recording
from chrono.session.replay_run import replay_run
from chrono.session.troubles import lamps_seen

HOSTILE = ["[bold red]x[/]", "\x1b[31mred\x1b[2J", "x" * 10_000, "a\tb\u202ec\u200b", "[/]["]


@pytest.mark.parametrize("size", SIZES)
async def test_the_caution_comes_first_and_nothing_is_lost_behind_it(tmp_path, size):
    board, run = hand_run(tmp_path / "a.tsv")
    app = Dashboard(run)
    async with app.run_test(size=size) as pilot:
        await pilot.pause()
        text = screen_text(app)
        assert "Caution: a launched body injures and can blind." in text
        assert "competent" in text
        assert "Enter: I confirm all points above" in text
        board.shoot_and_wait(30.0)
        await pilot.press("a", "h", "x")
        await drive(app, pilot)
        assert "Caution" in screen_text(app)
        assert records(tmp_path / "a.tsv", "mark") == []

        await pilot.press("enter")
        await drive(app, pilot)
        text = screen_text(app)
        assert "Caution:" not in text
        assert "Eye protection on" in text.splitlines()[1]
        assert [cells[4] for cells in listed(app)] == ["yes"]


@pytest.mark.parametrize("size", SIZES)
async def test_no_notice_covers_the_cautions(monkeypatch, size):
    monkeypatch.setattr(
        "chrono.dashboard.preferences.read_choices",
        lambda: Choices(unit="km/h", rig_unit="m/s"),
    )
    _, run = hand_run()
    app = Dashboard(run)
    async with app.run_test(size=size, notifications=True) as pilot:
        await pilot.pause()
        assert "a launched body injures and can blind." in screen_text(app)
        assert not app._notifications
        await pilot.press("enter")
        await pilot.pause()
        assert "because you chose this unit last time" in next(iter(app._notifications)).message


@pytest.mark.parametrize("size", SIZES)
async def test_a_full_disk_is_told_at_once_and_the_rest_goes_elsewhere(
    tmp_path, monkeypatch, size
):
    board, run = hand_run(tmp_path / "full.tsv")
    first = tmp_path / "full.tsv"
    app = Dashboard(run)
    real = file_io.write_some

    def refuse(fd, offset, rows):
        raise OSError(errno.ENOSPC, "No space left on device")

    async with app.run_test(size=size) as pilot:
        await pilot.press("enter")
        board.shoot_and_wait(30.0)
        assert not app.check_action("write_elsewhere", ())
        monkeypatch.setattr(file_io, "write_some", refuse)
        board.shoot_and_wait(31.0)
        await drive(app, pilot)
        text = " ".join(screen_text(app).split())
        assert f"DISK: No space left on device, {run.writer.pending_bytes:,} bytes wait" in text
        assert "w Write elsewhere" in text
        assert "NOT WRITTEN full.tsv" in text
        assert "REC " not in text
        assert [cells[4] for cells in listed(app)] == ["yes", "yes"]
        await pilot.press("q")
        asked = screen_text(app)
        assert "not saved completely" in " ".join(asked.replace("│", " ").split())
        assert "recording is saved" not in asked
        await pilot.press("n")

        monkeypatch.setattr(file_io, "write_some", real)
        await pilot.press("w")
        app.screen.query_one(Input).value = str(first)
        await pilot.press("enter")
        await finish_work(app)
        await pilot.pause()
        assert run.writer.path == first  # a file that is there is never taken
        second = tmp_path / "second.tsv"
        await pilot.press("w")
        app.screen.query_one(Input).value = str(second)
        await pilot.press("enter")
        await finish_work(app)
        await drive(app, pilot)
        assert "DISK" not in screen_text(app)
        assert "second.tsv" in screen_text(app)
    assert run.close() == []
    assert second.read_bytes().startswith(first.read_bytes()[:200])
    assert second.read_text().count("\tE ") == 8


async def test_a_disk_that_stands_still_holds_back_shots_and_nothing_else(
    tmp_path, monkeypatch
):
    board, run = hand_run(tmp_path / "slow.tsv")
    app, real = Dashboard(run), file_io.write_some
    stands, let_go = threading.Event(), threading.Event()

    def stall(fd, offset, rows):
        stands.set()
        assert let_go.wait(20.0)
        return real(fd, offset, rows)

    async with app.run_test(size=(80, 24)) as pilot:
        await pilot.press("enter")
        board.shoot_and_wait(30.0)
        await drive(app, pilot)
        board.journal.start()
        monkeypatch.setattr(file_io, "write_some", stall)
        board.shoot_and_wait(31.0)
        assert stands.wait(10.0)
        until(lambda: run.waiting_s > 0.5)
        await drive(app, pilot)
        text = " ".join(screen_text(app).split())
        assert "DISK: waiting " in text
        assert len(listed(app)) == 1, "its rows are not on the disk"
        await pilot.press("h", "b")  # the screen is there for the operator all the same
        assert app.current_mode == "beams"
        await pilot.press("s")
        RunReporter().look(run)
        let_go.set()
        until(lambda: not run.waiting_s)
        await drive(app, pilot)
        assert " s for the disk" not in screen_text(app)
        assert [cells[4] for cells in listed(app)] == ["yes", "yes"]
        assert run.session.on_hold
        board.journal.stop()
    assert run.close() == []
    assert (tmp_path / "slow.tsv").read_text().count("\tE ") == 8


async def test_a_mark_is_shown_once_its_row_is_written(tmp_path):
    board, run = hand_run(tmp_path / "a.tsv")
    app = Dashboard(run)
    async with app.run_test(size=(80, 24)) as pilot:
        await pilot.press("enter")
        board.shoot_and_wait(30.0)
        await drive(app, pilot)
        board.journal.start()
        await pilot.press("a", "w", "enter")
        until(lambda: b"\tmark\t" in (tmp_path / "a.tsv").read_bytes() and not run.waiting_s)
        app.drive()
        await pilot.pause()
        assert "no counted shots yet" in screen_text(app)
        board.journal.stop()


@pytest.mark.parametrize("size", SIZES)
async def test_much_that_waits_for_the_disk_is_warned_of(tmp_path, monkeypatch, size):
    board, run = hand_run(tmp_path / "full.tsv")
    app = Dashboard(run)

    def refuse(fd, offset, rows):
        raise OSError(errno.ENOSPC, "No space left on device")

    async with app.run_test(size=size) as pilot:
        await pilot.press("enter")
        monkeypatch.setattr(file_io, "write_some", refuse)
        monkeypatch.setattr("chrono.session.troubles.MUCH_BYTES", 1000)
        board.shoot_and_wait(30.0)
        await drive(app, pilot)
        assert run.writer.pending_bytes < 1000
        assert "memory may fill up" not in " ".join(screen_text(app).split())
        board.shoot_and_wait(30.0, 31.0, 32.0, 33.0)
        await drive(app, pilot)
        text = " ".join(screen_text(app).split())
        assert f"{run.writer.pending_bytes:,} bytes wait in memory, TOO MANY" in text
        assert "memory may fill up and data may be lost" in text
        assert "w Write elsewhere" in text


def test_without_a_dashboard_the_disk_is_told_once_for_each_change(
    tmp_path, monkeypatch, capsys
):
    board, run = hand_run(tmp_path / "full.tsv")
    disk, real = RunReporter(), file_io.write_some

    def told(seconds):
        board.wait(seconds)
        run.step()
        disk.look(run)
        return capsys.readouterr().err

    def refuse(fd, offset, rows):
        raise OSError(errno.ENOSPC, "No space left on device")

    assert told(3.0) == ""
    monkeypatch.setattr(file_io, "write_some", refuse)
    monkeypatch.setattr("chrono.session.troubles.MUCH_BYTES", 1000)
    first = told(3.0)
    assert first.startswith("state of the disk: No space left on device, ")
    assert first.endswith(" bytes wait in memory\n")
    assert told(3.0) == ""
    assert "memory may fill up" in told(60.0)
    assert told(3.0) == ""
    monkeypatch.setattr(file_io, "write_some", real)
    run.writer._retry_due = 0.0
    assert told(3.0) == "state of the disk: all data are saved\n"
    assert run.close() == []


def test_without_a_dashboard_a_wait_for_the_disk_and_a_restart_are_told_once(
    tmp_path, monkeypatch, capsys
):
    board, run = hand_run(tmp_path / "a.tsv")
    reporter = RunReporter()
    told = []
    for waiting_s in (0.0, 0.4, 0.6, 3.0, 0.0):
        monkeypatch.setattr(type(run), "waiting_s", waiting_s)
        reporter.look(run)
        told.append(capsys.readouterr().err)
    assert [bool(words) for words in told] == [False, False, True, False, True]
    assert told[2].startswith("state of the disk: waiting 0.6 s for the disk")
    board.wait(2.0)
    board.start_anew()
    board.line("H 1 16000000 32 hand 1.0")
    board.wait(2.0)
    run.step()
    for words in (
        "board restarted once: a shot during the restart may be shown as two shots\n",
        "",
    ):
        reporter.look(run)
        assert capsys.readouterr().err == words
    run.close()


async def test_the_state_of_the_link_is_told():
    async with clocking() as (board, _, app, pilot):
        board.wait(2.0)
        board.link = replace(board.link, state="lost", reason="cable pulled", losses=1)
        await drive(app, pilot)
        assert "LINK LOST: hand://: cable pulled. Check the cable and the power" in screen_text(
            app
        )
        board.link = replace(board.link, state="open", reason="")
        await drive(app, pilot)
        assert "LINK LOST" not in screen_text(app)
        assert "open, lost once" in screen_text(app)
        board.link = replace(board.link, silent_s=7.0)
        await drive(app, pilot)
        assert "SILENT for 7 s" in screen_text(app)
        board.link = replace(board.link, state="failed", reason="ValueError: x")
        await drive(app, pilot)
        assert "READING ENDED: ValueError: x" in screen_text(app)


@pytest.mark.parametrize("size", [(60, 20), (80, 24)])
async def test_a_shot_that_hangs_on_a_silent_board_says_so_in_one_line(size):
    async with clocking(size=size) as (board, run, app, pilot):
        board.shoot_and_wait(30.0)
        board.trip("A")
        for silent_s in (2.0, 7.0, 30.0):
            board.us += int(silent_s * 1e6) - 4_500_000 * (silent_s > 2.0)
            board.link = replace(board.link, silent_s=silent_s)
            await drive(app, pilot)
            told = f"SILENT for {silent_s:.0f} s: shot 2 waits for data from the board"
            assert (told in screen_text(app)) == (silent_s > 2.0)
            assert app.screen.query_one("#trouble").size.height <= 1
        board.us += 10_000_000
        board.link = replace(board.link, silent_s=40.0)
        await drive(app, pilot)
        assert "SILENT for 40 s: the board sends nothing" in screen_text(app)
        assert listed(app)[1][4] == "no"
        run.close()


async def test_several_shots_that_wait_are_counted():
    async with clocking(size=(60, 20)) as (board, _, app, pilot):
        board.wait(2.1)
        for _ in range(2):
            board.shoot(30.0)
            board.us += 300_000
        board.link = replace(board.link, silent_s=7.0)
        await drive(app, pilot)
        assert "SILENT for 7 s: 2 shots wait for data from the board" in screen_text(app)


async def test_a_board_that_talks_garbage_is_complained_about():
    async with clocking(hello=False) as (board, _, app, pilot):
        for _ in range(30):
            board.raw("%%%%%")
        await drive(app, pilot)
        text = " ".join(screen_text(app).split())
        assert "are not lines in the format framed" in text
        assert "--baud" in text
        assert "30 damaged" in text


async def test_hostile_texts_are_shown_harmless(tmp_path):
    async with clocking(recording=tmp_path / "a.tsv", notifications=True) as at:
        board, run, app, pilot = at
        for name in HOSTILE:
            board.record("setup", {"name": name, "conditions": {name: name}})
            board.shoot_and_wait(30.0)
            board.raw(name.encode("unicode_escape").decode())
            board.link = replace(board.link, state="lost", reason=name)
            await drive(app, pilot)
            mark = {"action": "set-aside", "shot": app.driver.view.latest.key, "text": name}
            board.record("mark", mark)
            await drive(app, pilot)
            text = screen_text(app)
            assert "\x1b" not in text
            assert "\u202e" not in text
            assert run.session.setup_now.name == name[:500]
            shot = str(app.screen.query_one("#shot", Static).content)
            assert shot.replace("\n", " ").isprintable()
            if name.startswith("["):
                assert f"LINK LOST: hand://: {name}" in text
        await pilot.press("n")
        await drive(app, pilot)
        assert "so far: [bold red]x[/]," in screen_text(app)
        await pilot.press("escape", "b")
        await drive(app, pilot)
        assert "\x1b" not in screen_text(app)
        items = str(app.screen.query_one("#items", Static).content)
        assert "[bold red]x[/]" in items
        assert "\\x1b[31mred" in items  # as the recording writes it


def test_lines_that_wait_to_be_taken_are_no_babble():
    board, run = hand_run(hello=False)
    board.link = replace(board.link, bytes=5000, lines=3)
    for _ in range(3):
        board.raw("x" * 1600)
    assert run.complaint() is None
    run.step()
    assert "are not lines in the format framed" in str(run.complaint())


async def test_a_lost_link_names_the_port_that_has_appeared_and_what_to_type(tmp_path):
    path = tmp_path / "a b.tsv"
    async with clocking(recording=path, size=(120, 40)) as (board, _, app, pilot):
        board.link = replace(board.link, state="lost", reason="gone", appeared=("/dev/ttyX1",))
        await drive(app, pilot)
        text = " ".join(screen_text(app).split())
        assert "New port: /dev/ttyX1" in text
        assert f"chrono clock /dev/ttyX1 --resume '{path}'" in text.replace("' ", "'")


async def test_a_shot_is_shown_as_soon_as_it_is_written_and_not_at_the_next_poll(tmp_path):
    async with clocking(recording=tmp_path / "a.tsv") as (board, run, app, pilot):
        board.journal.start()
        board.shoot_and_wait(30.0)
        await asyncio.to_thread(until, lambda: not run.waiting_s)
        await pilot.pause()
        assert [cells[4] for cells in listed(app)] == ["yes"]
        board.journal.stop()


def test_what_lamps_did_stands_in_the_status_line() -> None:
    path = Path(__file__).parents[2] / "recordings" / "noisy-hall.tsv"
    run = replay_run(path, read_recording(path).session, None)
    run.start()
    while run.step():
        pass
    assert "gate signals caused by a lamp: A 783" in status_line(run).plain


def test_the_spans_of_a_lamp_add_up_to_its_mean_frequency() -> None:
    """A lamp at 50 Hz mains trips gate B 100 times per second, whatever the counter's unit."""
    spans = [
        FlickerSpan(1, 0, 0, 12, steps=10, stepped=1_600_000, blocked=0, unit_s=62.5e-9),
        FlickerSpan(1, 0, 0, 40, steps=30, stepped=75_000, blocked=0, unit_s=4e-6),
    ]
    (lamp,) = lamps_seen(spans)
    assert (lamp.gate, lamp.trips) == ("B", 52)
    assert lamp.frequency_hz == pytest.approx(100)
    (lone,) = lamps_seen([FlickerSpan(0, 0, 0, 3, steps=0, stepped=0, blocked=0, unit_s=4e-6)])
    assert (lone.gate, lone.trips) == ("A", 3)
    assert lone.frequency_hz != lone.frequency_hz
