"""Commands on folders and patterns: cores, bad files, interruption, what a terminal shows."""

import csv
import io
import json
import os
import pty
import shutil
import signal
from contextlib import suppress
from pathlib import Path
from typing import Any

import pytest
from command_kit import is_one_clear_complaint, without_progress
from program_kit import Program
from season_kit import BANDS, HALL, PLAIN, many_links, season
from waiting import patience, wait_until

from chrono.commands import batch_options

SHOTS = 140  # 40, 40 and 60 in the three demo sessions of a day


def rows(text: str) -> list[dict[str, str]]:
    return list(csv.DictReader(io.StringIO(text)))


@pytest.mark.parametrize("word", ["season", "season/day-*", "season/**/*.tsv"])
def test_an_export_takes_folders_and_patterns(chrono, tmp_path, word) -> None:
    season(tmp_path / "season")
    outcome = chrono("export", word)
    assert outcome.code == 1, "a lamp flickers in the noisy hall"
    assert "in the rhythm of a lamp (100 Hz)" in outcome.err
    assert len(rows(outcome.out)) == 2 * SHOTS
    names = list(dict.fromkeys(row["recording"] for row in rows(outcome.out)))
    assert names == sorted(names)
    assert names[0] == "season/day-0/noisy-hall.tsv"


def test_two_processes_give_the_same_bytes_as_one(chrono, tmp_path) -> None:
    season(tmp_path / "season")
    for jobs in (1, 2):
        for ending in ("csv", "parquet", "json", "xlsx"):
            call = ("export", "season", "-o", f"{jobs}.{ending}", "--jobs", jobs)
            assert chrono(*call).code == 1, "a lamp flickers in the noisy hall"
    for ending in ("csv", "parquet", "json", "xlsx"):
        one, two = ((tmp_path / f"{jobs}.{ending}").read_bytes() for jobs in (1, 2))
        assert one == two, ending
    for command in ("summary", "compare", "check"):
        one, two = (chrono(command, "season", "--jobs", jobs, "--json") for jobs in (1, 2))
        assert (one.code, one.out, one.err) == (two.code, two.out, two.err)
        assert json.loads(one.out)


@pytest.mark.parametrize("command", ["export", "summary", "compare", "check"])
def test_a_folder_without_recordings_is_told(chrono, tmp_path, command) -> None:
    (tmp_path / "empty").mkdir()
    is_one_clear_complaint(chrono(command, "empty"), "empty", "no recording")


@pytest.fixture(name="with_bad")
def _with_bad(tmp_path: Path) -> Path:
    folder = tmp_path / "week"
    folder.mkdir()
    shutil.copy(BANDS, folder / "a.tsv")
    (folder / "b.tsv").write_text("name\tprice\n")
    shutil.copy(PLAIN, folder / "c.tsv")
    (folder / "d.tsv").write_text("")
    return folder


@pytest.mark.parametrize("jobs", [1, 2])
def test_bad_files_are_left_out_and_named_where_that_is_wanted(chrono, with_bad, jobs) -> None:
    outcome = chrono("export", "week", "--skip-bad", "--jobs", jobs)
    assert outcome.code == 1
    assert {row["recording"] for row in rows(outcome.out)} == {"a.tsv", "c.tsv"}
    assert len(rows(outcome.out)) == 100
    told = outcome.err.splitlines()
    assert [line.split(":")[1].strip() for line in told] == ["week/b.tsv", "week/d.tsv"]
    assert all(line.endswith("skipped") for line in told)


@pytest.mark.parametrize("command", ["summary", "compare", "check"])
def test_every_command_can_leave_bad_files_out(chrono, with_bad, command) -> None:
    outcome = chrono(command, "week", "--skip-bad")
    assert outcome.code == 1
    assert outcome.err.count("skipped") == 2
    assert "a.tsv" in outcome.out


def test_the_first_bad_file_ends_it_otherwise(chrono, with_bad, tmp_path) -> None:
    is_one_clear_complaint(chrono("export", "week", "-o", "out.csv"), "week/b.tsv")
    assert not (tmp_path / "out.csv").exists()
    assert chrono("compare", "week").code == 2


def test_nothing_but_bad_files_is_no_comparison(chrono, tmp_path) -> None:
    (tmp_path / "x.tsv").write_text("")
    is_one_clear_complaint(
        chrono("compare", "x.tsv", "--skip-bad"), "none of the recordings can"
    )


def test_several_recordings_are_checked_with_a_line_each(chrono, tmp_path) -> None:
    season(tmp_path / "season", days=1)
    outcome = chrono("check", "season")
    lines = outcome.out.splitlines()
    assert outcome.code == 1, "the noisy hall is not ready"
    assert lines[0].startswith("noisy-hall.tsv: not ready because")
    assert lines[1:] == ["plain-lines-4us.tsv: ready", "two-and-three-bands.tsv: ready"]
    told = json.loads(chrono("check", "season", "--json").out)
    assert [each["ready"] for each in told] == [False, True, True]
    assert told[0]["recording"] == "noisy-hall.tsv"


def test_one_recording_is_checked_in_full_as_before(chrono) -> None:
    told = json.loads(chrono("check", BANDS, "--json").out)
    assert told["ready"] is True
    assert len(chrono("check", BANDS).out.splitlines()) > 5


@pytest.mark.parametrize("jobs", ["0", "-1", "many"])
def test_a_number_of_processes_that_is_none_is_refused(chrono, jobs) -> None:
    is_one_clear_complaint(chrono("export", BANDS, f"--jobs={jobs}"), "--jobs")


# -- processes, terminals, signals ----------------------------------------------------------


def start(*words: str, cwd: Path, **options: Any) -> Program:
    return Program(*words, cwd=cwd, start_new_session=True, **options)


def rest_of(running: Program) -> tuple[bytes, bytes]:
    """Return what a program still says until it ends."""
    with running, patience(running):
        out, err = running.communicate()
    return out, without_progress((err or b"").decode()).encode()


def on_terminal(*words: str, cwd: Path, streams: tuple[str, ...]) -> bytes:
    """Return what a program that succeeds shows on a terminal by these streams."""
    master, slave = pty.openpty()
    wide = {"TERM": "xterm", "COLUMNS": "80"}
    shown = start(*words, cwd=cwd, env=wide, **dict.fromkeys(streams, slave))
    os.close(slave)
    seen = b""
    with patience(shown), suppress(OSError):  # Linux: the other end is closed
        while piece := os.read(master, 65536):
            seen += piece
    rest_of(shown)
    os.close(master)
    assert shown.returncode == 0
    return seen


def in_session(leader: int) -> list[int]:
    """Return the processes of a session that still run."""
    found = []
    for folder in Path("/proc").iterdir():
        if folder.name.isdigit():
            try:
                told = (folder / "stat").read_text().rsplit(")", 1)[1].split()
            except OSError:
                continue
            if int(told[3]) == leader and told[0] != "Z":
                found.append(int(folder.name))
    return found


@pytest.mark.parametrize("number", [signal.SIGINT, signal.SIGTERM])
def test_an_interruption_leaves_no_half_file_and_no_process(tmp_path, number) -> None:
    many_links(tmp_path / "many", 6000)
    words = ("export", "many", "-o", "out.parquet", "--jobs", "2")
    running = start(*words, cwd=tmp_path)
    wait_until(lambda: len(in_session(running.pid)) >= 4)  # main, two workers, their server
    assert not (tmp_path / "out.parquet").exists()
    assert list(tmp_path.glob(".chrono-*.part")), "it is being written"
    os.killpg(running.pid, number) if number == signal.SIGINT else running.send_signal(number)
    _, told = rest_of(running)
    assert running.returncode == 130, told
    assert b"Traceback" not in told
    assert [path.name for path in tmp_path.iterdir()] == ["many"]
    wait_until(lambda: not in_session(running.pid))


@pytest.mark.parametrize("processes", [2, 3])
def test_an_interruption_while_processes_start_is_silent(tmp_path, processes) -> None:
    many_links(tmp_path / "many", 6000)
    running = start("export", "many", "-o", "out.csv", "--jobs", "2", cwd=tmp_path)
    wait_until(lambda: len(in_session(running.pid)) >= processes)
    os.killpg(running.pid, signal.SIGINT)
    _, told = rest_of(running)
    assert running.returncode in (130, -signal.SIGINT), told
    assert told == b""
    wait_until(lambda: not in_session(running.pid))
    assert [path.name for path in tmp_path.iterdir()] == ["many"]


def test_processes_end_when_the_one_that_started_them_is_killed(tmp_path) -> None:
    many_links(tmp_path / "many", 6000)
    running = start("export", "many", "-o", "out.parquet", "--jobs", "2", cwd=tmp_path)
    wait_until(lambda: len(in_session(running.pid)) >= 4)
    running.kill()
    rest_of(running)
    wait_until(lambda: not in_session(running.pid))
    assert not (tmp_path / "out.parquet").exists(), "what has the name is whole"


def test_a_terminal_shows_how_far_it_is_and_a_file_does_not(tmp_path) -> None:
    many_links(tmp_path / "many", 30, BANDS)
    piped = start("export", "many", "-o", "a.csv", cwd=tmp_path)
    assert rest_of(piped) == (b"", b"the command wrote 1200 shots to a.csv\n")
    seen = on_terminal("export", "many", "-o", "b.csv", cwd=tmp_path, streams=("stderr",))
    assert b"shots to b.csv" in seen
    assert b"recordings" in seen
    assert b"/30" in seen


@pytest.mark.parametrize("command", ["summary", "check"])
def test_results_that_come_one_by_one_on_a_terminal_have_no_bar_among_them(
    tmp_path, command
) -> None:
    many_links(tmp_path / "many", 30, BANDS)
    for words, has_bar in ((("--json",), True), ((), False)):
        seen = on_terminal(command, "many", *words, cwd=tmp_path, streams=("stdout", "stderr"))
        assert (b"/30" in seen) == has_bar


def test_without_a_terminal_a_line_now_and_then_says_how_far_it_is(monkeypatch, capsys) -> None:
    now_s = [100.0]
    monkeypatch.setattr(batch_options.time, "monotonic", lambda: now_s[0])
    with batch_options._bar(200, hidden=False) as advance:
        for _ in range(200):
            now_s[0] += 1.0
            advance()
    told = capsys.readouterr().err
    assert without_progress(told) == ""
    assert told.splitlines() == [
        "chrono: 10 of 200 recordings are done; time left: about 3 min",
        "chrono: 70 of 200 recordings are done; time left: about 2 min",
        "chrono: 130 of 200 recordings are done; time left: about 70 s",
        "chrono: 190 of 200 recordings are done; time left: about 10 s",
    ]
    for total, hidden in ((1, False), (200, True)):
        with batch_options._bar(total, hidden) as advance:
            now_s[0] += 100.0
            advance()
    assert capsys.readouterr().err == ""


def test_a_report_takes_folders_and_leaves_bad_files_out_where_that_is_wanted(
    chrono, with_bad, tmp_path
) -> None:
    done = chrono("report", with_bad, "-o", tmp_path / "x.html", "--skip-bad")
    assert done.code == 1
    assert "skipped" in done.err
    assert (tmp_path / "x.html").exists()
    is_one_clear_complaint(chrono("report", with_bad, "-o", tmp_path / "y.html"))
    assert not (tmp_path / "y.html").exists()


def test_more_recordings_than_a_page_shows_are_refused(chrono, tmp_path) -> None:
    many_links(tmp_path / "many", 51)
    refused = chrono("report", "many", "-o", "x.html")
    is_one_clear_complaint(refused, "there are 51 recordings", "at most 50", "give fewer")
    assert not (tmp_path / "x.html").exists()


def test_a_picture_takes_a_folder_of_one_recording_and_refuses_more(chrono, tmp_path) -> None:
    many_links(tmp_path / "many", 2)
    refused = chrono("picture", "many", "-o", "x.svg")
    is_one_clear_complaint(refused, "there are 2 recordings", "at most 1", "name only one")
    many_links(tmp_path / "single", 1)
    assert chrono("picture", "single", "-o", "x.svg").code == 1, "a lamp flickers there"
    assert (tmp_path / "x.svg").stat().st_size
    is_one_clear_complaint(
        chrono("picture", "memory://a.tsv", "-o", "y.svg"), "download the recording"
    )


@pytest.mark.parametrize(
    "words",
    [
        ("summary",),
        ("export", "-o", "out.csv"),
        ("check",),
        ("compare",),
        ("report", "-o", "out.html"),
        ("picture", "-o", "out.svg"),
        ("energy",),
        ("fall",),
        ("stop", "--distance", "0.5 m"),
        ("worksheet", "-o", "sheet.html"),
        ("whatif", "--as-if-tick", "1 ms"),
        ("replay", "--at-once", "--no-dashboard"),
        ("list",),
    ],
    ids=lambda words: words[0],
)
def test_no_command_is_silent_about_a_lamp(chrono, words) -> None:
    command, *options = words
    outcome = chrono(command, HALL, *options)

    assert outcome.code == 1
    assert "in the rhythm of a lamp (100 Hz)" in outcome.err
