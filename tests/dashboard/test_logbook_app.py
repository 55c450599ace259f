"""The log book's screen: one list at every size, sorted as wanted, one recording chosen."""

import os
import pty
import signal
import sys

import pytest
from dashboard_kit import ALL_SIZES, screen_text
from test_colours import THEMES, faint_texts
from textual.widgets import OptionList, Static

from chrono.commands.list_command import _replay_what_is_chosen
from chrono.dashboard.logbook_app import LogBookApp
from chrono.errors import RecordingError
from chrono.season.logbook import LogOrder
from chrono.session.log_entry import LogEntry

ENTRIES = [
    LogEntry(
        "friday.tsv", "2026/friday.tsv", "2026-05-15T10:00:00+02:00", "gates 2", 30, 28,
        {"two bands": 20, "three bands": 8}, ("new rubber",),
    ),
    LogEntry(
        "monday.tsv", "2026/monday.tsv", "2026-05-11T09:30:00+02:00", "gates 1", 12, 12,
        {"": 12},
    ),
    LogEntry("prices.tsv", "2026/prices.tsv", trouble="the file is empty"),
    LogEntry("x\x1b[2J.tsv", "2026/x.tsv", "", "gates 1", 50, 1, {"a\x1b[2J": 1}),
]  # fmt: skip


def texts(app: LogBookApp) -> dict[str, str]:
    return {
        name: str(app.query_one(f"#{name}", Static).content)
        for name in ("status", "about", "keys")
    }


def lines(app: LogBookApp) -> list[str]:
    shown = app.query_one("#recordings", OptionList)
    return [str(shown.get_option_at_index(n).prompt) for n in range(shown.option_count)]


@pytest.mark.parametrize("size", ALL_SIZES)
async def test_every_recording_has_a_line_that_fits(size) -> None:
    app = LogBookApp(ENTRIES)
    async with app.run_test(size=size) as pilot:
        await pilot.pause()
        assert [line.split()[2] for line in lines(app)[:2]] == ["monday.tsv", "friday.tsv"]
        assert lines(app)[0].endswith("12       12")
        assert "cannot be used" in lines(app)[3]
        assert all(len(line) <= size[0] - 3 for line in lines(app))
        assert not any("\x1b" in line for line in lines(app))
        assert app.screen.query_one("#keys").region.bottom == size[1]
        assert (
            texts(app)["status"] == "Log book: 4 recordings · 1 cannot be used · sorted by date"
        )


async def test_a_terminal_is_prepared_again_only_if_it_is_not_closed(monkeypatch) -> None:
    """Closing a terminal sends SIGCONT; the program then hung in three of nine trials."""
    resumed = []
    ours, theirs = pty.openpty()
    before = signal.signal(signal.SIGCONT, lambda number, _: resumed.append(number))
    try:
        with os.fdopen(theirs, "w") as terminal:
            monkeypatch.setattr(sys, "__stderr__", terminal)
            async with LogBookApp(ENTRIES).run_test():
                os.kill(os.getpid(), signal.SIGCONT)
                assert resumed == [signal.SIGCONT]
                os.close(ours)
                os.kill(os.getpid(), signal.SIGCONT)
                assert resumed == [signal.SIGCONT]
    finally:
        signal.signal(signal.SIGCONT, before)


async def test_the_lines_follow_the_width_of_the_terminal() -> None:
    app = LogBookApp(ENTRIES)
    async with app.run_test(size=(120, 24)) as pilot:
        for width in (60, 100, 60):
            await pilot.resize_terminal(width, 24)
            await pilot.pause()
            assert {len(line) for line in lines(app)[:2]} == {width - 4}


async def test_enter_leaves_with_the_chosen_recording() -> None:
    app = LogBookApp(ENTRIES)
    async with app.run_test() as pilot:
        await pilot.press("down")
        assert texts(app)["about"].splitlines() == [
            "rig gates 2",
            "two bands (20 counted), three bands (8 counted)",
            "note: new rubber",
        ]
        await pilot.press("enter")
    assert app.return_value is not None
    assert app.return_value.where == "2026/friday.tsv"


async def test_a_click_on_a_key_does_the_same() -> None:
    app = LogBookApp(ENTRIES)
    async with app.run_test() as pilot:
        await pilot.press("down")
        await pilot.pause()
        keys = texts(app)["keys"]
        assert keys == "enter Replay  s Sort  r Reverse  q Quit"
        await pilot.click("#keys", offset=(1 + keys.index("s Sort"), 0))
        assert app.order is LogOrder.NAME
        await pilot.click("#keys", offset=(1 + keys.index("enter"), 0))
        await pilot.pause()
    assert app.return_value is not None
    assert app.return_value.where == "2026/friday.tsv"


async def test_home_and_end_reach_the_first_and_the_last() -> None:
    app = LogBookApp(ENTRIES)
    async with app.run_test() as pilot:
        await pilot.press("end")
        assert app.selected.name == "prices.tsv"
        await pilot.press("home", "enter")
    assert app.return_value.name == "monday.tsv"


async def test_one_that_cannot_be_used_says_why_and_is_not_chosen() -> None:
    app = LogBookApp(ENTRIES)
    async with app.run_test() as pilot:
        await pilot.press("end", "enter")
        assert texts(app)["about"] == "cannot be used: the file is empty"
        assert app.is_running
        await pilot.press("q")
    assert app.return_value is None


async def test_sorting_keeps_the_cursor_on_its_recording() -> None:
    app = LogBookApp(ENTRIES)
    async with app.run_test() as pilot:
        await pilot.press("down")
        for order in ("name", "rig", "shots"):
            await pilot.press("s")
            assert texts(app)["status"].endswith(f"by {order}")
            assert app.selected.name == "friday.tsv"
        assert [entry.shots for entry in app.entries] == [12, 30, 50, 0]
        await pilot.press("r")
        assert [entry.shots for entry in app.entries] == [50, 30, 12, 0]
        assert texts(app)["status"].endswith("by shots, reversed")
        assert app.selected.name == "friday.tsv"


async def test_the_cursor_comes_back_to_what_was_replayed_and_tells_what_went_wrong() -> None:
    app = LogBookApp(
        ENTRIES, LogOrder.NAME, False, ENTRIES[1], "2026/monday.tsv: there is no such file"
    )
    async with app.run_test() as pilot:
        await pilot.pause()
        assert app.selected is ENTRIES[1]
        assert texts(app)["about"].startswith(
            "This recording cannot be replayed: 2026/monday.tsv: there is no"
        )
        await pilot.press("up")
        assert "cannot be replayed" not in texts(app)["about"]


async def test_a_log_book_of_nothing_is_left_like_any_other() -> None:
    app = LogBookApp([])
    async with app.run_test() as pilot:
        await pilot.press("enter", "s", "r", "down", "q")
    assert app.return_value is None


@pytest.mark.parametrize("theme", THEMES)
async def test_no_text_of_the_log_book_is_faint(theme) -> None:
    app = LogBookApp(ENTRIES)
    async with app.run_test(size=(80, 24)) as pilot:
        app.theme = theme
        await pilot.press("down")
        await pilot.pause()
        assert faint_texts(app) == {}


async def test_names_from_outside_are_harmless_on_the_screen() -> None:
    app = LogBookApp(ENTRIES)
    async with app.run_test() as pilot:
        await pilot.press("s", "end", "up")
        assert app.selected.where == "2026/x.tsv"
        assert "\x1b" not in texts(app)["about"]
        assert "a·[2J (1 counted)" in texts(app)["about"]


def test_a_chosen_recording_is_replayed_and_then_the_list_comes_back(monkeypatch) -> None:
    chosen = iter([ENTRIES[0], ENTRIES[1], None])
    seen, replayed = [], []

    def run(book):
        seen.append((book.order, book.reverse))
        return next(chosen)

    def replay(path, rig, pace, findings):
        replayed.append((str(path), pace))
        raise RecordingError("the file has gone", where=str(path))

    monkeypatch.setattr(LogBookApp, "run", run)
    monkeypatch.setattr("chrono.dashboard.dashboard_app.show_replay", replay)
    _replay_what_is_chosen(ENTRIES, LogOrder.SHOTS, True, None)
    assert replayed == [("2026/friday.tsv", 1.0), ("2026/monday.tsv", 1.0)]
    assert seen == [(LogOrder.SHOTS, True)] * 3


@pytest.mark.parametrize("width", [60, 80])
async def test_what_a_line_tells_stands_below_its_heading(width) -> None:
    long = LogEntry(f"{'sunday ' * 20}.tsv", "a", "2026-05-10T09:30:00+02:00", "", 99, 98, {})
    broken = LogEntry(f"{'broken ' * 20}.tsv", "b", trouble="the file is empty")
    app = LogBookApp([*ENTRIES, long, broken])
    async with app.run_test(size=(width, 24)) as pilot:
        await pilot.pause()
        head = str(app.query_one("#columns", Static).content)
        name, shots = head.index("recording"), head.index("shots") + len("shots")
        assert len(head) == width - 4
        assert head.endswith("counted")
        sunday, monday, friday, *_ = lines(app)
        for line, begin, count, counted in (
            (sunday, "sunday sunday", "99", "98"),
            (monday, "monday.tsv ", "12", "12"),
            (friday, "friday.tsv ", "30", "28"),
        ):
            assert len(line) == width - 4
            assert line[name:].startswith(begin)
            assert line[:shots].endswith(f" {count}")
            assert line.endswith(f" {counted}")
        unusable = [line for line in lines(app) if "cannot be used" in line]
        assert [line[name:][:6] for line in unusable] == ["broken", "prices"]
        assert {len(line) for line in unusable} == {width - 4}
        assert sum("…" in line for line in lines(app)) == 2


async def test_brackets_in_names_are_shown_as_they_are() -> None:
    entry = LogEntry("[b]a[/b].tsv", "a", "", "[i]gates[/i]", 1, 1, {"[u]two[/u]": 1})
    app = LogBookApp([entry])
    async with app.run_test(size=(80, 24)) as pilot:
        await pilot.pause()
        text = screen_text(app)
        for name in (entry.name, entry.rig, *entry.setups):
            assert name in text
