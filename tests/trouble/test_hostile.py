"""Hostile sizes and absurd numbers: a clear message or a right result, in bounded memory."""

import binascii
import io
import json
import os
import subprocess
import sys
import threading
import tty
from collections.abc import Iterable, Iterator
from pathlib import Path
from typing import Any

import pytest

from chrono.errors import ChronoError, RigError
from chrono.reports.export_table import shot_table
from chrono.reports.summary_text import summary_data, summary_text
from chrono.reports.table_files import FORMATS, write_stream
from chrono.session.edge_list import edges_of
from chrono.session.readiness_check import check_recording
from chrono.session.recording_loader import read_recording
from chrono.session.session_summary import summary_of
from chrono.session.view_cache import ViewCache

DEMO = Path(__file__).parents[2] / "recordings" / "two-and-three-bands.tsv"
ROWS = DEMO.read_bytes().splitlines(keepends=True)
FILE, RIG, BODY = ROWS[:2], ROWS[2], ROWS[3:]
TEN_SHOTS = BODY[:77]
MEGABYTE = 1 << 20

MEASURED = """
import re, sys
from pathlib import Path
from chrono.cli import main
from chrono.arrays.machine_code import load_numba
from chrono.reader.row_decoding import decode_rows
from chrono.rigs.line_kinds import FRAMED

def run(*words):
    sys.argv = ["chrono", *words]
    try:
        main()
    except SystemExit as end:
        return end.code

def most_kb():  # the resource usage begins with that of the process which started this one
    status = Path("/proc/self/status").read_text()
    return int(re.search("VmHWM: *([0-9]+) kB", status.replace("\\t", " "))[1])

small, *words = sys.argv[1:]
load_numba()  # machine code, and making it, is part of the program
run("summary", small)
decode_rows(b"5\tboard\t\\n" * 1000, FRAMED)
before = most_kb()
code = run(*words)
print("GREW", most_kb() - before, file=sys.stderr)
raise SystemExit(code)
"""


def measured(*words: object) -> tuple[int, str, str, float]:
    """Return exit code, both outputs, and by how much a command made its process grow [MB]."""
    done = subprocess.run(
        [sys.executable, "-c", MEASURED, str(DEMO), *map(str, words)],
        capture_output=True,
        text=True,
        check=False,
    )
    *told, last = done.stderr.splitlines()
    assert last.startswith("GREW"), done.stderr
    return done.returncode, done.stdout, "\n".join(told), int(last.split()[1]) / 1024


def written(path: Path, parts: Iterable[bytes]) -> Path:
    with path.open("wb") as file:
        file.writelines(parts)
    return path


def records(origin: str, texts: Iterable[str]) -> Iterator[bytes]:
    return (f"5\t{origin}\t{text}\n".encode() for text in texts)


# -- sizes -------------------------------------------------------------------------------

LONG = b"E" * (100 * MEGABYTE)
MANY = 200_000
SIZES: dict[str, tuple[Iterable[bytes], int, str, float]] = {
    "a line of 100 MB": ([b"5\tboard\t", LONG, b"\n"], 0, "1 damaged line,", 40),
    "a record of 100 MB": (
        [b'5\tsetup\t{"name": "', LONG, b'"}\n'],
        0,
        "1 damaged line,",
        40,
    ),
    "more setups than any session": (
        records("setup", ('{"name": "a"}' for _ in range(MANY))),
        2,
        "more than 10000 setups",
        150,
    ),
    "many marks on one shot": (
        records("mark", ('{"action": "note", "shot": 7, "text": "a"}' for _ in range(MANY))),
        0,
        "40 shots, 40 counted",
        150,
    ),
    "marks on more shots than any session": (
        records("mark", (f'{{"action": "note", "shot": {i}}}' for i in range(MANY))),
        1,
        "left out: 100000 records of setups or marks; the first reason is: mark at 0.000 s: "
        "more than",
        200,
    ),
    "many notes": (
        records("mark", ('{"action": "note", "text": "a"}' for _ in range(MANY))),
        0,
        "use --json to see 9980 earlier notes",
        150,
    ),
    "nothing but rows that are none": ([b"x\n" * 5 * MEGABYTE], 0, "damaged lines", 150),
    "nothing but empty lines": ([b"5\tboard\t\n" * MANY], 0, "40 shots", 100),
}


@pytest.mark.long
@pytest.mark.parametrize("case", SIZES)
def test_a_huge_file_ends_in_bounded_memory(tmp_path: Path, case: str) -> None:
    hostile, code, words, most_mb = SIZES[case]
    path = written(tmp_path / "huge.tsv", [*FILE, RIG, *hostile, *BODY])

    ended, out, err, grown_mb = measured("summary", path)

    assert ended == code
    assert words in out + err
    if code == 2:
        assert err.startswith(f"chrono: error: {path}: ")
    else:
        assert "40 shots, 40 counted" in out
    assert grown_mb < most_mb


@pytest.mark.long
def test_memory_grows_with_the_shots_and_not_with_the_file(tmp_path: Path) -> None:
    beats = [row for row in BODY if b"\tboard\tT" in row]
    path = written(tmp_path / "beats.tsv", [*FILE, RIG, *(beats * 10_000)])
    assert path.stat().st_size > 50e6
    code, _, _, grown_mb = measured("summary", path)
    assert code == 0
    assert grown_mb < 45


@pytest.mark.long
def test_a_line_of_20_megabytes_on_the_wire_is_damage_and_clocking_goes_on(
    tmp_path: Path,
) -> None:
    lines = [row.split(b"\t", 2)[2] for row in BODY if b"\tboard\t" in row]
    board, port = os.openpty()
    tty.setraw(port)
    rig = written(tmp_path / "rig.toml", [b'[gates]\nspacing = "300 mm"\n'])

    def send() -> None:
        stream = memoryview(
            b"".join(lines[:60]) + b"E" * (20 * MEGABYTE) + b"\n" + b"".join(lines[60:])
        )
        os.read(board, 1)  # the reader asks for a hello: it listens
        while stream:
            stream = stream[os.write(board, stream[:65536]) :]

    sender = threading.Thread(target=send, daemon=True)
    sender.start()
    target = tmp_path / "out.tsv"
    code, out, err, grown_mb = measured(
        *("clock", os.ttyname(port), "--rig", rig, "--recording", target),
        *("--no-dashboard", "--shots", 30),
    )
    os.close(board)
    os.close(port)
    assert code == 0, err
    assert len(out.splitlines()) > 30
    assert target.stat().st_size > 20 * MEGABYTE  # nothing that came is lost
    assert grown_mb < 120


# -- numbers -----------------------------------------------------------------------------

ABSURD = ("NaN", "Infinity", "1e308", "-1e308", "-1", "0", "1e-320", "9" * 18, "9" * 30)
STRANGE = (*ABSURD, '"x"', "null", "[]", "{}", "true")


def whole_rig() -> dict[str, Any]:
    rig: dict[str, Any] = json.loads(RIG.split(b"\t", 2)[2])
    rig["calibration"] = {
        "clock": {"rate_error": 1e-5, "rate_error_u": 1e-6, "dof": 5},
        "latency": {"difference_s": 1e-7, "difference_u_s": 1e-8, "dof": 5},
        "spacing": {"spacing_m": 0.3, "spacing_u_m": 1e-4, "covers_trip": True, "dof": 5},
    }
    return rig


def leaves(table: dict[str, Any], path: tuple[str, ...] = ()) -> Iterator[tuple[str, ...]]:
    for key, value in table.items():
        yield (*path, key)
        if isinstance(value, dict):
            yield from leaves(value, (*path, key))


def with_leaf(path: tuple[str, ...], text: str) -> bytes:
    """Return the rig's row with one value replaced by a text that need not be JSON."""
    rig = whole_rig()
    table = rig
    for key in path[:-1]:
        table = table[key]
    table[path[-1]] = "@"
    return b"0\trig\t" + json.dumps(rig).replace('"@"', text).encode() + b"\n"


def framed(body: str) -> bytes:
    return f"{body} {binascii.crc_hqx(body.encode(), 0xFFFF):04X}".encode()


def look_at_everything(path: Path) -> None:
    """Do what all commands do with a recording; a warning is an error here."""
    recorded = read_recording(path)
    summary_text(summary_of(recorded))
    json.dumps(summary_data(summary_of(recorded)), allow_nan=False)
    for suffix in (".json", ".csv", ".xlsx"):
        write_stream(
            [shot_table(recorded.session, recorded.name)], FORMATS[suffix], io.BytesIO()
        )
    ViewCache(recorded.session).view()
    edges_of(recorded)
    check_recording(path, None)


def complaint_about(path: Path) -> ChronoError | None:
    try:
        look_at_everything(path)
    except ChronoError as complaint:
        return complaint
    return None


@pytest.mark.parametrize(
    "leaf",
    [
        pytest.param(leaf, id=".".join(leaf), marks=[pytest.mark.long] if place % 4 else [])
        for place, leaf in enumerate(leaves(whole_rig()))
    ],
)
def test_absurd_numbers_in_a_rig_record_are_refused_or_measured_with(
    tmp_path: Path, leaf: tuple[str, ...]
) -> None:
    path = tmp_path / "x.tsv"
    for text in STRANGE:
        written(path, [*FILE, with_leaf(leaf, text), *BODY[:40]])
        complaint = complaint_about(path)
        assert complaint is None or str(path) in str(complaint)


RECORDS = [
    *(f'setup\t{{"name": "a", "body": {{"{key}": @}}}}' for key in ("mass_kg", "length_m")),
    'setup\t{"name": @}',
    'setup\t{"name": "a", "body": @}',
    'setup\t{"name": "a", "conditions": {"k": @}}',
    'mark\t{"action": @}',
    'mark\t{"action": "set-aside", "shot": @}',
    'mark\t{"action": "note", "text": @}',
    'file\t{"format": @, "start": @}',
    'link\t{"event": "lost", "port": @, "reason": @}',
]


@pytest.mark.parametrize(
    "texts",
    [
        pytest.param(STRANGE, id="all"),
        *(pytest.param((text,), marks=pytest.mark.long, id=text) for text in STRANGE),
    ],
)
@pytest.mark.parametrize("record", RECORDS)
def test_absurd_values_in_records_change_no_shot(
    tmp_path: Path, record: str, texts: tuple[str, ...]
) -> None:
    path = tmp_path / "x.tsv"
    rows = [f"5\t{record.replace('@', text)}\n".encode() for text in texts]
    written(path, [*FILE, RIG, *rows, *TEN_SHOTS])
    look_at_everything(path)
    assert len(read_recording(path).session.log) == 10


HERTZ = ("0", "1", "999", "10000000000", "9" * 10, "9" * 18, "9" * 30, "-1", "NaN", "1e308")
BITS = ("0", "7", "8", "32", "33", "99999", "-1")
SOUND_HERTZ, SOUND_BITS = "9" * 10, "32"


def hellos() -> Iterator[Any]:
    """Each absurd number beside a sound one; that two of them come together takes long."""
    for bits in BITS:
        for hertz in HERTZ:
            is_quick = hertz == SOUND_HERTZ or bits == SOUND_BITS
            yield pytest.param(bits, hertz, marks=[] if is_quick else pytest.mark.long)


@pytest.mark.parametrize(("bits", "hertz"), [*hellos()])
@pytest.mark.parametrize("place", [0, 40])
def test_absurd_hellos_are_damage_or_a_counter(
    tmp_path: Path, bits: str, hertz: str, place: int
) -> None:
    path = tmp_path / "x.tsv"
    host = BODY[place].split(b"\t")[0]
    hello = b"%s\tboard\t%s\n" % (host, framed(f"H 1 {hertz} {bits} gates 1"))
    written(path, [*FILE, RIG, *TEN_SHOTS[:place], hello, *TEN_SHOTS[place:]])
    # By such a counter no speed can be trusted; what was clocked before it stays.
    if place == 0 and bits == "8" and hertz == SOUND_HERTZ:
        with pytest.raises(RigError, match="cannot be used: the counter wraps"):
            look_at_everything(path)
    else:
        look_at_everything(path)


@pytest.mark.parametrize("host", ["0", "9" * 18, "9" * 19, "-1", "NaN", "1e308"])
def test_absurd_host_times_are_times_or_damage(tmp_path: Path, host: str) -> None:
    path = tmp_path / "x.tsv"
    for place in (0, 50, len(BODY) - 1):
        row = host.encode() + b"\t" + BODY[place].partition(b"\t")[2]
        written(path, [*FILE, RIG, *BODY[:place], row, *BODY[place + 1 :]])
        look_at_everything(path)
