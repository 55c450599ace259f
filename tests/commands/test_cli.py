"""The commands as their user meets them: results, wrong input in one line, exit codes."""

import csv
import io
import json
import os
import pty
import shutil
import subprocess
import sys
import threading
import time
from collections.abc import Callable
from contextlib import suppress
from pathlib import Path

import pytest
from command_kit import are_kept, is_one_clear_complaint
from pty_board import PtyBoard

from chrono.reader.line_grammar import encode_hello
from chrono.session.recording_loader import read_recording

RECORDINGS = Path(__file__).parents[2] / "recordings"
BANDS = RECORDINGS / "two-and-three-bands.tsv"
HALL = RECORDINGS / "noisy-hall.tsv"
PLAIN = RECORDINGS / "plain-lines-4us.tsv"

GOOD_RIG = '[gates]\nspacing = "300 mm"\n'


# -- wrong input ---------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("text", "words"),
    [
        ('[gates]\nspacing = "300 mm"\nspacin = "1 mm"\n', ("rig.toml:3", "spacin")),
        ('[gates]\ntrip_tolerance = "1 mm"\n', ("rig.toml", "gates.spacing")),
        ('[gates]\nspacing = "-300 mm"\n', ("rig.toml:2", "gates.spacing")),
        ('[gates]\nspacing = "300 kg"\n', ("rig.toml:2", "300 kg", "but must be a length")),
        ("[gates]\nspacing = 300\n", ("rig.toml:2", "unit")),
        ('[gates\nspacing = "300 mm"\n', ("rig.toml:",)),
    ],
)
def test_a_wrong_rig_is_refused_with_its_line(chrono, tmp_path, text, words) -> None:
    rig = tmp_path / "rig.toml"
    rig.write_text(text)

    is_one_clear_complaint(chrono("budget", "--rig", "rig.toml", "--speed", "45 m/s"), *words)


@pytest.mark.parametrize("command", ["export", "summary", "replay"])
@pytest.mark.parametrize(
    "content", [b"", b"hello\n", b"\x00\xff" * 5000, b"a\tb\tc\n1\t2\t3\n"]
)
def test_a_file_that_is_no_recording_is_refused(chrono, tmp_path, command, content) -> None:
    (tmp_path / "x.tsv").write_bytes(content)

    is_one_clear_complaint(chrono(command, "x.tsv"), "x.tsv")


@pytest.mark.parametrize("command", ["export", "summary", "replay", "check"])
def test_a_file_that_is_not_there_is_refused(chrono, command) -> None:
    is_one_clear_complaint(chrono(command, "nowhere.tsv"), "nowhere.tsv")


@pytest.mark.parametrize("command", ["export", "summary", "replay", "check"])
def test_a_folder_is_no_recording(chrono, tmp_path, command) -> None:
    is_one_clear_complaint(chrono(command, tmp_path), str(tmp_path))


def test_a_recording_without_a_rig_is_refused_and_read_with_one(chrono, tmp_path) -> None:
    rows = BANDS.read_bytes().splitlines(keepends=True)
    (tmp_path / "x.tsv").write_bytes(b"".join(r for r in rows if b"\trig\t" not in r))
    (tmp_path / "rig.toml").write_text(GOOD_RIG)

    is_one_clear_complaint(chrono("summary", "x.tsv"), "x.tsv", "--rig")
    assert chrono("summary", "x.tsv", "--rig", "rig.toml").code == 0


def test_a_missing_port_is_refused(chrono, tmp_path) -> None:
    (tmp_path / "rig.toml").write_text(GOOD_RIG)

    call = ["clock", "/dev/nowhere", "--rig", "rig.toml", "--no-dashboard"]
    outcome = chrono(*call, "--recording", "x.tsv")

    is_one_clear_complaint(outcome, "/dev/nowhere")
    assert not (tmp_path / "x.tsv").exists(), "the same call may be repeated"


@pytest.mark.parametrize("port", ["virtual://nowhere", "virtual://two-bands?sed=1", "foo://x"])
def test_an_address_that_means_nothing_is_refused(chrono, tmp_path, port) -> None:
    (tmp_path / "rig.toml").write_text(GOOD_RIG)

    is_one_clear_complaint(chrono("clock", port, "--rig", "rig.toml", "--no-dashboard"), port)


def test_a_real_port_without_a_rig_is_refused(chrono) -> None:
    is_one_clear_complaint(chrono("clock", "/dev/ttyUSB0", "--no-dashboard"), "--rig")


def test_a_port_without_permission_is_refused() -> None:
    ours, theirs = pty.openpty()
    port = os.ttyname(theirs)
    Path(port).chmod(0)

    script = (
        "import os, sys\n"
        "import serial, serial.serialposix, serial.tools.list_ports_linux\n"
        "from chrono.reader.serial_ports import open_port\n"
        "from chrono.errors import ChronoError\n"
        "if os.getuid() == 0: os.setgid(65534); os.setuid(65534)  # root may open everything\n"
        "try: open_port(sys.argv[1])\n"
        "except ChronoError as error: print(type(error).__name__, error)\n"
    )
    done = subprocess.run(
        [sys.executable, "-c", script, port], capture_output=True, text=True, check=False
    )
    os.close(ours)
    os.close(theirs)

    assert done.stdout.startswith("PortError"), done.stderr
    assert "permission" in done.stdout
    assert "dialout" in done.stdout


@pytest.mark.parametrize("name", ["there.tsv"])
def test_a_recording_that_exists_is_never_overwritten(chrono, tmp_path, name) -> None:
    (tmp_path / name).write_bytes(b"precious")

    outcome = chrono("clock", "virtual://two-bands", "--recording", name, "--no-dashboard")

    is_one_clear_complaint(outcome, name)
    assert (tmp_path / name).read_bytes() == b"precious"


def test_an_export_never_overwrites(chrono, tmp_path) -> None:
    (tmp_path / "out.csv").write_bytes(b"precious")

    is_one_clear_complaint(chrono("export", BANDS, "-o", "out.csv"), "out.csv")
    assert (tmp_path / "out.csv").read_bytes() == b"precious"


@pytest.mark.parametrize("name", ["out.xls", "out", "nowhere/out.csv"])
def test_an_export_to_nowhere_is_refused(chrono, name) -> None:
    is_one_clear_complaint(chrono("export", BANDS, "-o", name), name)


@pytest.mark.parametrize("speed", ["45 kg", "fast", "nan m/s", "-3 m/s", "1e308 m/s", "0 m/s"])
def test_a_speed_that_is_none_is_refused(chrono, tmp_path, speed) -> None:
    (tmp_path / "rig.toml").write_text(GOOD_RIG)

    outcome = chrono("budget", "--rig", "rig.toml", f"--speed={speed}")

    is_one_clear_complaint(outcome, "--speed")


@pytest.mark.parametrize("within", ["0.5", "5 mm", "0 %", "-1 %", "200 %", "nan", ".5", ""])
def test_a_goal_that_is_none_is_refused(chrono, within) -> None:
    is_one_clear_complaint(
        chrono("plan", "--speed", "60 m/s", f"--within={within}"), "--within"
    )


@pytest.mark.parametrize(
    "words",
    [
        ["nonsense"],
        ["export"],
        ["export", BANDS, "--nonsense"],
        ["replay", BANDS, "--pace", "2", "--at-once"],
        ["replay", BANDS, "--pace", "fast"],
        *(["replay", BANDS, "--pace", pace] for pace in ("0", "-1", "nan", "inf", "1e-320")),
        ["check", BANDS, "--seconds", "nan"],
        ["demo", "--speedup", "nan"],
        ["demo", "--shots", "0"],
    ],
)
def test_a_wrong_call_is_refused(chrono, words) -> None:
    is_one_clear_complaint(chrono(*words))


# -- a silent or babbling board ----------------------------------------------------------


@pytest.fixture(name="quick_complaint")
def _quick_complaint(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr("chrono.session.live_run.ANSWER_WITHIN_S", 0.3)


@pytest.fixture(name="board")
def _board():
    """Give both ends of a pseudo-terminal: the board's and the port's name."""
    ours, theirs = pty.openpty()
    yield ours, os.ttyname(theirs)
    os.close(ours)
    os.close(theirs)


@pytest.mark.usefixtures("quick_complaint")
def test_a_port_on_which_no_board_answers_is_told(chrono, tmp_path, board) -> None:
    (tmp_path / "rig.toml").write_text(GOOD_RIG)

    call = ["clock", board[1], "--rig", "rig.toml", "--no-dashboard", "--recording", "x.tsv"]
    outcome = chrono(*call)

    is_one_clear_complaint(outcome, "no board answers", board[1])
    assert not (tmp_path / "x.tsv").exists(), "the same call may be repeated"


def test_garbage_of_a_wrong_baud_rate_is_told(chrono, tmp_path, board) -> None:
    (tmp_path / "rig.toml").write_text(GOOD_RIG)
    ours, port = board
    stop = threading.Event()

    def babble() -> None:
        while not stop.wait(0.005):
            os.write(ours, bytes(range(0x80, 0x100)) + b"\n")

    thread = threading.Thread(target=babble)
    thread.start()
    try:
        outcome = chrono(
            "clock", port, "--rig", "rig.toml", "--no-dashboard", "--recording", "x.tsv"
        )
    finally:
        stop.set()
        thread.join()

    is_one_clear_complaint(outcome, "baud", port)
    assert (tmp_path / "x.tsv").exists(), "what came is evidence"
    assert (tmp_path / "x.tsv").read_bytes().count(b"\\xFF") >= 1


# -- results --------------------------------------------------------------------------------


@pytest.mark.parametrize("shots", [3, 10])
def test_clocking_a_number_of_shots_prints_stores_and_counts_so_many(chrono, shots) -> None:
    port = "virtual://two-bands?seed=3&speedup=1000&shots=60"
    live = chrono("clock", port, "--recording", "n.tsv", "--no-dashboard", "--shots", shots)
    assert live.code == 0
    assert len(live.out.splitlines()) == shots
    assert f"n.tsv: {shots} shots, {shots} counted" in live.err
    assert len(read_recording(Path("n.tsv")).session.log) == shots


def test_the_demo_prints_five_shots(chrono) -> None:
    outcome = chrono("demo", "--no-dashboard", "--shots", 5, "--speedup", 50)

    assert outcome.code == 0
    assert len(outcome.out.splitlines()) == 5
    assert all(" ± " in line for line in outcome.out.splitlines())
    assert "Eye protection" in outcome.err


@pytest.mark.parametrize(
    ("scenario", "speedup"), [("class-afternoon", 20), ("noisy-hall", 20), ("plain-board", 6)]
)
def test_an_export_gives_the_shots_that_were_printed_live(chrono, scenario, speedup) -> None:
    port = f"virtual://{scenario}?seed=4&speedup={speedup}&shots=6"
    live = chrono("clock", port, "--recording", "x.tsv", "--json", "--shots", 6)

    exported = chrono("export", "x.tsv", "--json")

    assert live.code == exported.code == 0
    printed = [json.loads(line) for line in live.out.splitlines()]
    assert len(printed) >= 6
    kept = json.loads(exported.out)["data"]
    assert len(printed) == len(kept)
    assert are_kept(printed, kept)


def test_a_replay_prints_the_lines_that_were_printed_live(chrono) -> None:
    port = "virtual://air-high?seed=2&speedup=20&shots=5"
    live = chrono("clock", port, "--recording", "x.tsv", "--no-dashboard", "--shots", 5)

    at_once = chrono("replay", "x.tsv", "--at-once", "--no-dashboard")
    paced = chrono("replay", "x.tsv", "--pace", 200, "--no-dashboard")

    assert live.out == at_once.out == paced.out
    assert len(live.out.splitlines()) == 5


def test_csv_json_and_parquet_hold_the_same_table(chrono, tmp_path) -> None:
    import pandas as pd

    for name in ("a.csv", "a.json", "a.parquet"):
        assert chrono("export", HALL, BANDS, "-o", name).code == 1, "a lamp flickers there"

    frames = [
        pd.read_csv(tmp_path / "a.csv", keep_default_na=True),
        pd.read_json(tmp_path / "a.json", orient="table", precise_float=True).reset_index(),
        pd.read_parquet(tmp_path / "a.parquet"),
    ]
    assert [len(f) for f in frames] == [len(frames[0])] * 3
    for column in ("speed_mps", "u_mps", "U95_mps", "transit_us", "shot", "time_s"):
        for frame in frames[1:]:
            assert (frame[column].dropna() == frames[0][column].dropna()).all()


def test_recordings_of_one_name_in_two_folders_are_told_apart(chrono, tmp_path) -> None:
    for folder, source in (("monday", BANDS), ("friday", PLAIN)):
        (tmp_path / folder).mkdir()
        shutil.copy(source, tmp_path / folder / "x.tsv")
    shutil.copy(HALL, tmp_path / "y.tsv")

    exported = chrono("export", "monday/x.tsv", "friday/x.tsv", "y.tsv")
    told = chrono("summary", "monday/x.tsv", "friday/x.tsv", "y.tsv")

    rows = list(csv.DictReader(io.StringIO(exported.out)))
    assert {row["recording"] for row in rows} == {"monday/x.tsv", "friday/x.tsv", "y.tsv"}
    assert told.out.count("monday/x.tsv: 40") == told.out.count("\ny.tsv: 40") == 1


@pytest.mark.parametrize("command", ["export", "summary"])
def test_a_recording_named_twice_is_refused(chrono, tmp_path, command) -> None:
    shutil.copy(BANDS, tmp_path / "x.tsv")

    outcome = chrono(command, "x.tsv", tmp_path / "x.tsv")

    is_one_clear_complaint(outcome, "x.tsv", "twice")


def test_a_cut_recording_gives_everything_before_the_cut_and_exit_1(chrono, tmp_path) -> None:
    content = BANDS.read_bytes()
    cut = content[: int(len(content) * 0.6)].rstrip(b"\n")[:-3]
    (tmp_path / "cut.tsv").write_bytes(cut)

    outcome = chrono("export", "cut.tsv")
    whole = chrono("export", BANDS)

    rows = list(csv.reader(io.StringIO(outcome.out)))
    assert outcome.code == 1
    assert "cut.tsv" in outcome.err
    assert 15 < len(rows) < 41
    strip = [row[1:] for row in rows[:-1]]
    assert strip == [row[1:] for row in list(csv.reader(io.StringIO(whole.out)))[: len(strip)]]


def test_the_summary_of_the_demo_session_agrees_with_its_truth(chrono) -> None:
    data = json.loads(chrono("summary", BANDS, "--json").out)[0]

    two, three = data["setups"]
    assert (two["counted"], three["counted"]) == (20, 20)
    assert abs(two["mean_mps"] - 22.179) <= two["U95_mean_mps"]
    assert abs(three["mean_mps"] - 27.049) <= three["U95_mean_mps"]


def test_a_better_rig_measures_a_recording_again(chrono, tmp_path) -> None:
    (tmp_path / "rig.toml").write_text('[gates]\nspacing = "330 mm"\n')

    was = json.loads(chrono("export", BANDS, "--json").out)["data"]
    now = json.loads(chrono("export", BANDS, "--json", "--rig", "rig.toml").out)["data"]

    assert len(was) == len(now)
    assert all(
        abs(n["speed_mps"] / w["speed_mps"] - 1.1) < 1e-6 for w, n in zip(was, now, strict=True)
    )


@pytest.mark.parametrize("command", [("export",), ("summary",), ("replay", "--at-once")])
def test_a_rig_of_other_lines_than_the_recording_s_is_told(chrono, tmp_path, command) -> None:
    (tmp_path / "rig.toml").write_text('lines = "plain"\n' + GOOD_RIG)
    shutil.copy(BANDS, tmp_path / "x.tsv")

    outcome = chrono(*command, "x.tsv", "--rig", "rig.toml")

    assert outcome.code == 1
    assert "x.tsv: none of the 284 lines has the format plain" in outcome.err


def test_a_recording_is_not_altered_by_reading_it(chrono, tmp_path) -> None:
    copy = tmp_path / "x.tsv"
    shutil.copy(HALL, copy)

    for command in ("export", "summary"):
        chrono(command, copy)
    chrono("replay", copy, "--at-once")

    assert copy.read_bytes() == HALL.read_bytes()


def test_a_starter_rig_is_a_sound_rig(chrono) -> None:
    assert chrono("rig", "new", "rig.toml").code == 0
    assert chrono("rig", "check", "rig.toml").code == 0
    is_one_clear_complaint(chrono("rig", "new", "rig.toml"), "rig.toml")


def test_a_starter_may_be_that_of_a_board(chrono, tmp_path) -> None:
    assert chrono("rig", "new", "nano.toml", "--board", "nano").code == 0
    assert "5000 ppm" in (tmp_path / "nano.toml").read_text()
    refused = chrono("rig", "new", "x.toml", "--board", "mega")
    is_one_clear_complaint(refused, "--board", "uno, nano, pico, other")
    assert not (tmp_path / "x.toml").exists()


def test_a_rig_that_is_hardly_possible_is_shown_and_doubted(chrono, tmp_path) -> None:
    text = '[gates]\nspacing = "300 mm"\n[site]\nmuzzle_distance = "0 m"\n'
    (tmp_path / "rig.toml").write_text(text)
    outcome = chrono("rig", "check", "rig.toml")
    assert outcome.code == 1
    assert "spacing_m" in outcome.out
    assert "behind the launcher's mouth" in outcome.err
    assert json.loads(chrono("rig", "check", "rig.toml", "--json").out)["name"]


def test_a_recording_of_a_board_whose_counter_cannot_tell_a_shot_is_refused(
    chrono, tmp_path
) -> None:
    recorded = HALL.read_bytes()
    narrow = encode_hello(16_000_000, 16, "narrow", "0.1")
    usual = encode_hello(16_000_000, 32, "gates-328p", "1.0")
    (tmp_path / "x.tsv").write_bytes(recorded.replace(usual, narrow))
    is_one_clear_complaint(chrono("summary", "x.tsv"), "16 bits cannot be used", "window.slow")


@pytest.mark.parametrize(
    ("words", "heavy"),
    [
        (
            ["--help"],
            {"pandas", "scipy", "textual", "pint", "numpy", "pydantic", "pyarrow", "numba"},
        ),
        (
            ["demo", "--no-dashboard", "--shots", "1"],
            {"pandas", "textual", "pyarrow", "numba"},
        ),
    ],
)
def test_a_command_loads_no_heavy_library_it_has_no_need_of(words, heavy) -> None:
    script = (
        "import sys\n"
        f"sys.argv = ['chrono', *{words}]\n"
        "from chrono.cli import main\n"
        "try: main()\n"
        "except SystemExit: pass\n"
        f"print('LOADED', {heavy} & set(sys.modules))\n"
    )
    done = subprocess.run(
        [sys.executable, "-c", script], capture_output=True, text=True, check=True
    )

    assert done.stdout.rstrip().endswith("LOADED set()")


def test_names_with_formulas_and_control_characters_are_harmless(chrono, tmp_path) -> None:
    from chrono.reader.recording_rows import json_row

    rows = BANDS.read_bytes().splitlines(keepends=True)
    evil = json_row(0, "setup", {"name": "=cmd|'/c calc'!A0\x1b[31m"})
    body = [r for r in rows if b"\tsetup\t" not in r]
    (tmp_path / "evil.tsv").write_bytes(b"".join([*body[:3], evil, *body[3:]]))

    table = list(csv.DictReader(io.StringIO(chrono("export", "evil.tsv").out)))
    text = chrono("summary", "evil.tsv").out

    assert {row["setup"] for row in table} == {"'=cmd|'/c calc'!A0·[31m"}
    assert "\x1b" not in text


@pytest.fixture(name="noted")
def _noted(tmp_path: Path) -> Path:
    """A demo session with notes on it, some nasty, and records that are none."""
    from chrono.reader.recording_rows import json_row

    records = [
        ("mark", {"action": "note", "text": "new rubber"}),
        ("mark", {"action": "note", "text": "lamp\x1b[2J\nout"}),
        ("mark", {"action": "explode\x1b[2J"}),
        ("setup", {"name": "x", "body": {"length_m": -1}}),
    ]
    rows = b"".join(json_row(7_000_000, origin, data) for origin, data in records)
    (tmp_path / "noted.tsv").write_bytes(BANDS.read_bytes() + rows)
    return tmp_path / "noted.tsv"


def test_the_summary_shows_notes_on_the_session(chrono, noted: Path) -> None:
    lines = chrono("summary", noted).out.splitlines()
    (data,) = json.loads(chrono("summary", noted, "--json").out)

    assert "  note: new rubber" in lines
    assert "  note: lamp·[2J·out" in lines
    assert data["notes"] == ["new rubber", "lamp\x1b[2J\nout"]


def test_many_notes_do_not_bury_the_summary(chrono, noted: Path) -> None:
    note = b'7000000\tmark\t{"action": "note", "text": "again"}\n'
    noted.write_bytes(noted.read_bytes() + note * 1000)

    lines = chrono("summary", noted).out.splitlines()

    assert "  use --json to see 982 earlier notes" in lines
    assert lines.count("  note: again") == 20


def test_a_single_earlier_note_is_told_in_the_singular(chrono, noted: Path) -> None:
    note = b'7000000\tmark\t{"action": "note", "text": "again"}\n'
    noted.write_bytes(noted.read_bytes() + note * 19)

    assert "  use --json to see 1 earlier note" in chrono("summary", noted).out.splitlines()


@pytest.mark.parametrize("command", ["summary", "export"])
def test_records_that_are_none_are_told_with_exit_code_1(chrono, noted: Path, command) -> None:
    told = chrono(command, noted)

    assert told.code == 1
    assert "left out: 2 records of setups or marks; the first reason is: mark at 7" in told.err
    assert "unknown mark 'explode" in told.err
    assert "\x1b" not in told.out + told.err
    if command == "summary":
        assert json.loads(chrono("summary", noted, "--json").out)[0]["unread_records"] == 2
        assert "  left out: 2 records of setups or marks" in told.out


def test_a_recording_is_judged_and_the_exit_code_says_so(chrono) -> None:
    good, bad = chrono("check", BANDS), chrono("check", HALL)
    assert good.code == 0
    assert good.out.splitlines()[-1] == "ready"
    assert bad.code == 1
    assert "not ready because a lamp makes gate A flicker at 100 Hz" in bad.out


@pytest.mark.parametrize(
    "words",
    [
        ("budget", "--rig", "rig.toml"),
        ("plan", "--rig", "rig.toml", "--within", "2 %"),
        ("stop", "--rig", "rig.toml", "--distance", "5 cm", "--mass", "24 g"),
    ],
)
def test_a_speed_without_its_unit_is_in_the_unit_of_the_rig(chrono, words) -> None:
    rig = '[gates]\nspacing = "300 mm"\n'
    for text, unit in (("", "m/s"), ('speed_unit = "km/h"\n', "km/h")):
        Path("rig.toml").write_text(text + rig)
        alone = chrono(*words, "--speed", "45", "--json")
        assert alone.code == 0, alone.err
        assert alone.out == chrono(*words, "--speed", f"45 {unit}", "--json").out


def test_the_log_book_and_the_summary_end_alike_for_a_folder_that_is_not_there(chrono) -> None:
    for name in ("nope", "nope/"):
        listed, summed = chrono("list", name), chrono("summary", name)
        assert listed.code == summed.code == 2
        assert "there is no such file" in listed.err
        assert listed.err.splitlines()[-2:] == summed.err.splitlines()[-2:]


def watch(*words: str, seen: Callable[[bytes], bool]) -> tuple[bytes, int]:
    """Watch a port on a terminal until enough is seen, then press a key."""
    ours, theirs = pty.openpty()
    call = [sys.executable, "-m", "chrono", "check", *words, "--watch"]
    with subprocess.Popen(
        call, stdin=theirs, stdout=theirs, stderr=theirs, start_new_session=True
    ) as program:
        os.close(theirs)
        shown = b""
        while not seen(shown):
            shown += os.read(ours, 4096)
        assert program.poll() is None
        os.write(ours, b"x")
        with suppress(OSError):  # Linux says so when the other end is closed
            while piece := os.read(ours, 4096):
                shown += piece
    os.close(ours)
    return shown, program.returncode


def test_a_port_is_watched_until_a_key_is_pressed() -> None:
    shown, code = watch(
        "virtual://two-bands?shots=0", seen=lambda shown: shown.count(b"beam A") >= 3
    )
    assert code == 0, shown
    assert b"press any key to end" in shown
    assert b"ready" in shown
    assert b"margin" not in shown


def test_the_watch_shows_the_light_of_a_board_that_measures_it_and_rings_only_when_asked() -> (
    None
):
    port, good = "virtual://loose-beam?shots=0", "good: the gate trips at 45 % of full light"
    shown, _ = watch(port, seen=lambda shown: shown.count(good.encode()) >= 20)
    assert "A ██" in shown.decode()
    assert b"\a" not in shown

    shown, _ = watch(port, "--tone", "A", seen=lambda shown: shown.count(b"\a") >= 5)
    assert good in shown.decode()


def test_a_watch_of_a_board_that_says_nothing_ends_as_not_ready(tmp_path: Path) -> None:
    rig = tmp_path / "rig.toml"
    rig.write_text(GOOD_RIG)
    with PtyBoard(tmp_path / "board") as board:
        words = str(board.name), "--rig", str(rig)
        shown, code = watch(*words, seen=lambda shown: b"not ready" in shown)

    assert code == 1, shown
    assert b"Traceback" not in shown


@pytest.mark.parametrize(
    ("words", "told"),
    [
        (("virtual://two-bands",), "a terminal"),
        (("virtual://two-bands", "--json"), "one port"),
        ((str(BANDS),), "only with a port"),
    ],
)
def test_what_cannot_be_watched_is_refused(chrono, words, told) -> None:
    outcome = chrono("check", *words, "--watch")
    assert outcome.code == 2
    assert told in " ".join(outcome.err.replace("│", " ").split())


@pytest.mark.parametrize(
    ("words", "told"),
    [
        (("--tone", "A"), "--tone works only with --watch"),
        (("--watch", "--tone", "C"), "'C' is not one"),
    ],
)
def test_a_tone_is_for_one_gate_that_is_watched(chrono, words, told) -> None:
    outcome = chrono("check", "virtual://loose-beam", *words)
    assert outcome.code == 2
    assert told in " ".join(outcome.err.replace("│", " ").split())


def test_a_check_of_a_port_lasts_as_long_as_asked(chrono) -> None:
    begun = time.monotonic()
    outcome = chrono("check", "virtual://two-bands?speedup=50", "--seconds", "1", "--json")
    assert time.monotonic() - begun >= 1
    read = next(i for i in json.loads(outcome.out)["items"] if i["name"] == "lines")
    assert int(read["reading"].split()[0]) >= 2


@pytest.mark.parametrize(
    ("given", "code"), [("0.01 m/s", 0), ("9 mm/s", 2), ("20 km/s", 0), ("20.1 km/s", 2)]
)
def test_a_budget_takes_speeds_that_a_launched_body_can_have(
    chrono, tmp_path, given: str, code: int
) -> None:
    (tmp_path / "rig.toml").write_text('[gates]\nspacing = "300 mm"\n')
    done = chrono("budget", "--rig", "rig.toml", "--speed", given)
    assert done.code == code, done.err


def interrupt_while_a_class_is_made(*_) -> None:
    class Interrupting:
        def __set_name__(self, owner: type, name: str) -> None:
            raise KeyboardInterrupt

    class Made:
        field = Interrupting()


def test_an_interruption_while_a_module_makes_a_class_ends_without_a_traceback(
    chrono, monkeypatch
) -> None:
    monkeypatch.setattr("chrono.session.replay_run.replay_run", interrupt_while_a_class_is_made)
    outcome = chrono("replay", BANDS, "--no-dashboard")
    assert (outcome.code, outcome.err) == (130, "")


def test_an_error_of_the_program_itself_is_not_hidden(chrono, monkeypatch) -> None:
    def fail(*_) -> None:
        raise RuntimeError("a fault")

    monkeypatch.setattr("chrono.session.replay_run.replay_run", fail)
    with pytest.raises(RuntimeError, match="a fault"):
        chrono("replay", BANDS, "--no-dashboard")
