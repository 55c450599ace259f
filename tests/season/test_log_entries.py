"""The log book: what stands in it, in which order, and what becomes of bad files."""

import json
import os
from itertools import permutations
from pathlib import Path

import pytest
from command_kit import is_one_clear_complaint
from interval_kit import setup, shot, write_recording
from rich.cells import cell_len, set_cell_size
from season_kit import BANDS, HALL, season

from chrono.reader.recording_rows import json_row
from chrono.reports.logbook_text import about_lines, date_text, logbook_text
from chrono.season.logbook import LogOrder, MakeEntry, in_order_of
from chrono.season.recording_finder import RecordingSource
from chrono.session.log_entry import LogEntry


def entry_of(path: Path) -> tuple[LogEntry, list[str]]:
    return MakeEntry()(path, RecordingSource(str(path), path.name, 0))


def test_an_entry_tells_date_rig_setups_counts_and_notes(tmp_path: Path) -> None:
    noted = tmp_path / "noted.tsv"
    note = json_row(7_000_000, "mark", {"action": "note", "text": "new rubber"})
    noted.write_bytes(BANDS.read_bytes() + note)
    entry, findings = entry_of(noted)
    assert findings == []
    assert entry == LogEntry(
        name="noted.tsv",
        where=str(noted),
        started="2025-05-16T14:00:00.000+02:00",
        rig="virtual gates: class-afternoon",
        shots=40,
        counted=40,
        setups={"two bands": 20, "three bands": 20},
        notes=("new rubber",),
    )
    assert about_lines(entry)[-1] == "note: new rubber"


def test_counts_are_of_counted_shots_by_setup() -> None:
    entry, _ = entry_of(HALL)
    assert (entry.shots, entry.counted) == (40, 40)
    assert entry.setups == {"2 bar": 20, "3 bar": 20}


def test_shots_that_do_not_count_are_not_counted_for_their_setup(tmp_path: Path) -> None:
    rows = [setup("a"), shot(20), shot(0.9), setup("b"), shot(30), shot(31), setup("c")]
    rows += [shot(0.8), setup("never shot")]
    entry, _ = entry_of(write_recording(tmp_path / "x.tsv", rows))
    assert (entry.shots, entry.counted) == (5, 3)
    assert entry.setups == {"a": 1, "b": 2, "c": 0}


def test_a_file_that_is_no_recording_is_shown_as_such(tmp_path: Path) -> None:
    (tmp_path / "x.tsv").write_text("name\tprice\n")
    entry, findings = entry_of(tmp_path / "x.tsv")
    assert entry.trouble.endswith(", so this is not a recording")
    assert findings == [f"{tmp_path / 'x.tsv'}: {entry.trouble}"]
    assert "cannot be used: the first line" in logbook_text([entry])


BOOK = [
    LogEntry("a", "a", "2026-05-11T00:30:00+02:00", "r2", 5, 5),
    LogEntry("b", "b", "2026-05-10T23:00:00+00:00", "r1", 9, 1),
    LogEntry("c", "c", "2026-05-11T01:30:00+05:00", "r3", 1, 1),
    LogEntry("d", "d", "some day", "r0", 7, 7),
    LogEntry("e", "e", trouble="is empty"),
]


@pytest.mark.parametrize(
    ("order", "reverse", "names"),
    [
        (LogOrder.DATE, False, "cabde"),  # by the moment, not by what the clock showed
        (LogOrder.DATE, True, "bacde"),
        (LogOrder.NAME, False, "abcde"),
        (LogOrder.NAME, True, "dcbae"),
        (LogOrder.RIG, False, "dbace"),
        (LogOrder.SHOTS, True, "bdace"),
        (LogOrder.COUNTED, False, "bcade"),
    ],
)
def test_the_order_is_that_of_what_it_is_sorted_by(order, reverse, names) -> None:
    for shuffled in permutations(BOOK):
        found = in_order_of(shuffled, order, reverse)
        assert "".join(entry.name for entry in found) == names


def test_dates_are_those_of_the_recording_s_own_clock() -> None:
    assert [date_text(entry) for entry in BOOK] == [
        "2026-05-11 00:30",
        "2026-05-10 23:00",
        "2026-05-11 01:30",
        "no date",
        "no date",
    ]


def test_the_command_lists_a_folder_with_bad_files_in_it(chrono, tmp_path) -> None:
    season(tmp_path / "season", days=1)
    (tmp_path / "season" / "bad.tsv").write_text("")
    outcome = chrono("list", "season")
    assert outcome.code == 1
    bad, lamp = outcome.err.splitlines()
    assert "noisy-hall.tsv: gate A tripped 783 times in the rhythm of a lamp" in lamp
    assert bad == "chrono: season/bad.tsv: the file is empty, so this is not a recording"
    head, *rows, total = outcome.out.splitlines()
    assert head.split() == ["start", "recording", "shots", "counted", "setups"]
    assert [row[:58].split() for row in rows] == [
        ["2025-05-16", "14:00", "two-and-three-bands.tsv", "40", "40"],
        ["2025-05-17", "10:30", "noisy-hall.tsv", "40", "40"],
        ["2025-05-20", "09:15", "plain-lines-4us.tsv", "60", "60"],
        ["no", "date", "bad.tsv"],
    ]
    assert "two bands 20" in rows[0]
    assert "cannot be used" in rows[-1]
    assert total == "3 recordings: 140 shots, 140 counted; recordings that cannot be used: 1"
    assert rows[0].endswith("rig virtual gates: class-afternoon"), "nothing is cut in a file"


def test_a_terminal_shows_what_has_room(chrono, monkeypatch, tmp_path) -> None:
    season(tmp_path / "season", days=1)
    monkeypatch.setattr("sys.stdout.isatty", lambda: True)
    monkeypatch.setattr("shutil.get_terminal_size", lambda *_: os.terminal_size((70, 24)))
    _, row, *_ = chrono("list", "season").out.splitlines()
    assert len(row) == 70
    assert row.endswith("…")


@pytest.mark.parametrize("columns", [60, 80, 200])
def test_three_hundred_recordings_are_three_hundred_lines(columns: int) -> None:
    entries = [
        LogEntry(
            f"{'名' * (n % 30)}-{n}.tsv", "x", "2026-05-10T23:00:00+02:00", "r" * 60, 1, 1,
            {"s" * n: n}, ("note " * n,),
        )
        for n in range(300)
    ]  # fmt: skip
    lines = logbook_text(entries, columns).splitlines()
    assert len(lines) == 302
    assert columns - 1 <= max(map(cell_len, lines)) <= columns
    assert lines[-1] == "300 recordings: 300 shots, 300 counted"
    counted_ends_at = lines[0].index("counted") + len("counted")
    for line in lines[1:-1]:
        beside = set_cell_size(line, counted_ends_at).split()
        assert beside[-2:] == ["1", "1"]


def test_one_shot_is_one_shot() -> None:
    entry = LogEntry("a.tsv", "a.tsv", "", "r", 1, 0, {"": 0})
    assert logbook_text([entry]).endswith("1 recording: 1 shot, 0 counted")


def test_the_command_sorts_and_speaks_json(chrono, tmp_path) -> None:
    season(tmp_path / "season", days=1)
    told = json.loads(chrono("list", "season", "--sort", "counted", "--json").out)
    assert [each["counted"] for each in told] == [40, 40, 60]
    assert told[0]["where"] == "season/day-0/noisy-hall.tsv"
    turned = json.loads(chrono("list", "season", "--sort", "name", "--reverse", "--json").out)
    assert turned[0]["name"] == "two-and-three-bands.tsv"


def test_this_folder_is_listed_where_none_is_named(chrono, tmp_path) -> None:
    is_one_clear_complaint(chrono("list"), "no recording was found")
    season(tmp_path, days=1)
    assert chrono("list").code == 1, "a lamp flickers in the noisy hall"


@pytest.mark.parametrize("words", [("--sort", "weight"), ("--choose", "--json"), ("--choose",)])
def test_a_wrong_call_is_refused(chrono, tmp_path, words) -> None:
    season(tmp_path, days=1)
    is_one_clear_complaint(chrono("list", *words), words[0])
