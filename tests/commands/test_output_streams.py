"""Commands where the stream, the terminal or the moment is not what one hopes for."""

import json
import os
import pty
import signal
import subprocess
import sys
from datetime import datetime
from pathlib import Path
from typing import Any

import pytest
from command_kit import are_kept
from program_kit import Program
from waiting import PATIENCE_S, patience

from chrono.commands import console_output
from chrono.commands.console_output import default_recording, print_shots
from chrono.commands.output_streams import STAND_INS
from chrono.reports.export_table import shot_records
from chrono.reports.findings_text import Findings
from chrono.session.live_run import live_run
from chrono.session.recording_loader import read_recording

BANDS = Path(__file__).parents[2] / "recordings" / "two-and-three-bands.tsv"
RIG = '[gates]\nspacing = "300 mm"\n'
DEMO = ("demo", "--no-dashboard", "--shots", "2", "--speedup", "50")
COMMANDS = {
    "demo": DEMO,
    "replay": ("replay", str(BANDS), "--at-once", "--no-dashboard"),
    "export": ("export", str(BANDS)),
    "summary": ("summary", str(BANDS)),
    "boards": ("boards",),
    "budget": ("budget", "--rig", "rig.toml", "--speed", "45 m/s"),
}
BRAILLE = {chr(c) for c in range(0x2800, 0x2900)}
"""Drawn only where the stream carries it."""


def chrono(*words: str, cwd: Path, **options: Any) -> subprocess.CompletedProcess[bytes]:
    """Run a command to its end."""
    (cwd / "rig.toml").write_text(RIG)
    with Program(*words, cwd=cwd, **options) as program, patience(program):
        out, err = program.communicate()
    return subprocess.CompletedProcess(words, program.wait(), out, err)


def kept(recording: Path) -> list[dict[str, object]]:
    """Return the shots of a recording, as `export --json` has them."""
    session = read_recording(recording).session
    return list(shot_records(session, recording.name, slice(0, len(session.log))))


@pytest.mark.parametrize(
    ("name", "encoding"), [("summary", "cp1252"), ("budget", "cp1252"), ("demo", "latin-1")]
)
def test_signs_that_the_stream_knows_stay(name, encoding, tmp_path):
    done = chrono(*COMMANDS[name], cwd=tmp_path, env={"PYTHONIOENCODING": encoding})

    assert done.returncode == 0, done.stderr
    assert "±" in done.stdout.decode(encoding)


def test_every_sign_in_the_program_has_a_stand_in():
    sources = (BANDS.parents[1] / "chrono").rglob("*.py")
    signs = {c for path in sources for c in path.read_text("utf-8") if not c.isascii()}
    lost = {c for c in signs if b"?" in c.encode("ascii", "chrono-stand-in")}
    assert not lost - BRAILLE


def test_letters_lose_their_accents_before_they_are_lost():
    text = "K\u00fcche a\u0308 ½ \u6f22"
    assert text.encode("ascii", "chrono-stand-in") == b"Kuche a 1/2 ?"


def test_stand_ins_are_plain_ascii():
    assert all(text.isascii() and not sign.isascii() for sign, text in STAND_INS.items())


@pytest.mark.parametrize("name", ["export", "demo", "replay"])
def test_a_full_device_for_results_is_told_in_one_line(name, tmp_path):
    with Path("/dev/full").open("wb") as full:
        done = chrono(*COMMANDS[name], cwd=tmp_path, stdout=full)
    told = [line for line in done.stderr.decode().splitlines() if "No space left" in line]

    assert done.returncode == 1
    assert b"Traceback" not in done.stderr
    assert b"Exception ignored" not in done.stderr
    assert told


def closed(redirection: str, *words: str, cwd: Path) -> subprocess.CompletedProcess[bytes]:
    """Run a command by a shell that closes streams before the start."""
    (cwd / "rig.toml").write_text(RIG)
    shell = ["sh", "-c", f'exec "$@" {redirection}', "sh", sys.executable, "-m", "chrono"]
    return subprocess.run(
        [*shell, *words], cwd=cwd, capture_output=True, timeout=PATIENCE_S, check=False
    )


@pytest.mark.parametrize(
    "name",
    ["export", "--help"]
    + [pytest.param(n, marks=pytest.mark.long) for n in COMMANDS if n != "export"],
)
def test_results_for_a_closed_output_are_refused_in_one_line(name, tmp_path):
    done = closed(">&-", *COMMANDS.get(name, (name,)), cwd=tmp_path)
    told = [
        line for line in done.stderr.decode().splitlines() if "the output is closed" in line
    ]

    assert done.returncode == 1
    assert b"Traceback" not in done.stderr
    assert b"Exception ignored" not in done.stderr
    assert len(told) == 1 if name not in ("demo", "replay") else told


def test_a_file_is_written_and_a_session_recorded_though_all_streams_are_closed(tmp_path):
    everything = "<&- >&- 2>&-"
    written = closed(everything, "export", str(BANDS), "-o", "out.csv", cwd=tmp_path)
    words = "clock", "virtual://two-bands?speedup=50", "--shots", "3", "--recording", "a.tsv"
    clocked = closed(everything, *words, cwd=tmp_path)
    later = chrono("export", "a.tsv", "--json", cwd=tmp_path)

    assert written.returncode == 0
    assert (tmp_path / "out.csv").read_text().count("\n") == 41
    assert clocked.returncode == 1
    assert len(json.loads(later.stdout)["data"]) >= 3


def test_words_for_a_closed_standard_error_do_not_go_among_the_results(tmp_path):
    done = closed("2>&-", *COMMANDS["demo"], cwd=tmp_path)
    assert done.returncode == 0
    assert [line.split()[0] for line in done.stdout.decode().splitlines()] == ["1", "2"]


def test_clocking_goes_on_and_records_though_nobody_reads_the_results(tmp_path):
    port = "virtual://two-bands?speedup=20"
    (tmp_path / "rig.toml").write_text(RIG)
    reader, writer = os.pipe()
    os.close(reader)
    try:
        done = chrono(
            "clock",
            port,
            "--no-dashboard",
            "--recording",
            "a.tsv",
            "--shots",
            "4",
            cwd=tmp_path,
            stdout=writer,
        )
    finally:
        os.close(writer)

    assert done.returncode == 1, done.stderr
    assert done.stderr.count(b"another program read the output, but it has ended") == 2, (
        "when it happened, and at the end"
    )
    assert b"Exception ignored" not in done.stderr
    assert len(kept(tmp_path / "a.tsv")) >= 4


@pytest.mark.parametrize("number", [signal.SIGTERM, signal.SIGHUP, signal.SIGINT])
def test_signals_end_a_session_with_its_shots_printed_and_kept(number, tmp_path):
    words = (
        "clock",
        "virtual://two-bands?speedup=20",
        "--no-dashboard",
        "--json",
        "--recording",
        "a.tsv",
    )
    with Program(*words, cwd=tmp_path) as process, patience(process):
        first = process.stdout.readline()
        process.send_signal(number)
        rest, err = process.communicate()
    rows = kept(tmp_path / "a.tsv")
    printed = [json.loads(line) for line in (first + rest).splitlines()]

    assert process.returncode == 0, err
    assert len(printed) == len(rows)
    assert are_kept(printed, rows)
    assert b"stopped" in err
    assert b"next: chrono summary a.tsv" in err


def test_a_signal_before_the_first_shot_can_be_measured_ends_a_session_in_order(capsys):
    run = live_run("virtual://two-bands?speedup=50&shots=1", None, None)
    run.session.make_ready = lambda: os.kill(os.getpid(), signal.SIGINT)
    try:
        print_shots(run, None, as_json=False, findings=Findings())
    except KeyboardInterrupt:
        pytest.fail("nobody noted it")

    assert "stopped" in capsys.readouterr().err
    assert run.source.status.state == "closed"


def test_shots_stops_after_so_many_whole_ones(tmp_path):
    words = (
        "clock",
        "virtual://two-bands?speedup=20",
        "--no-dashboard",
        "--json",
        "--recording",
        "a.tsv",
        "--shots",
        "3",
    )
    done = chrono(*words, cwd=tmp_path)

    assert done.returncode == 0, done.stderr
    assert len(done.stdout.splitlines()) == 3
    assert all(row["edges_used"] == "both" for row in kept(tmp_path / "a.tsv")), "no half one"


def test_a_terminated_dashboard_gives_the_terminal_back(tmp_path):
    """The alternate screen is left, the recording replays, and what there is is said."""
    master, slave = pty.openpty()
    words = ("clock", "virtual://two-bands?speedup=20", "--recording", "a.tsv")
    process = subprocess.Popen(
        [sys.executable, "-m", "chrono", *words],
        cwd=tmp_path,
        stdin=slave,
        stdout=slave,
        stderr=slave,
        env=os.environ | {"TERM": "xterm-256color"},
    )
    os.close(slave)
    with patience(process):
        read_until(master, b"Eye protection")
        while (tmp_path / "a.tsv").read_bytes().count(b"\tboard\tE ") < 8:  # those of two shots
            assert read_some(master), "it ended early"
        process.send_signal(signal.SIGTERM)
        screen = read_until(master, b"next: chrono summary")
        assert process.wait() == 0
    os.close(master)

    assert b"\x1b[?1049l" in screen
    assert kept(tmp_path / "a.tsv")


def read_some(master: int) -> bytes:
    """Read what is shown next; nothing when the program is gone."""
    try:
        return os.read(master, 65536)
    except OSError:
        return b""


def read_until(master: int, words: bytes) -> bytes:
    screen = b""
    while words not in screen:
        new = read_some(master)
        assert new, screen[-2000:]
        screen += new
    return screen


def test_a_recording_without_a_name_is_named_by_the_time_and_never_like_another(
    tmp_path, monkeypatch
):
    class Noon(datetime):
        @classmethod
        def now(cls, tz=None):
            return cls(2026, 5, 16, 12, 0, 5)

    monkeypatch.setattr(console_output, "datetime", Noon)
    monkeypatch.chdir(tmp_path)
    names = []
    for _ in range(3):
        path = default_recording()
        path.touch(exist_ok=False)
        names.append(path.name)
    assert names == [f"session-20260516-120005{end}.tsv" for end in ("", "-2", "-3")]
