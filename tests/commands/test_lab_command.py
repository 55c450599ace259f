"""`lab` without a terminal, and `guesses`."""

import csv
import io
import json
import shutil
import sys
from pathlib import Path

import pytest
from command_kit import is_one_clear_complaint

RECORDINGS = Path(__file__).parents[2] / "recordings"
PLAIN = RECORDINGS / "plain-lines-4us.tsv"


@pytest.fixture(name="monday")
def _monday(tmp_path) -> Path:
    shutil.copy(PLAIN, tmp_path / "monday.tsv")
    return tmp_path / "monday.tsv"


@pytest.fixture(name="say")
def _say(monkeypatch):
    """Let standard input say something."""
    return lambda text: monkeypatch.setattr(sys, "stdin", io.StringIO(text))


def test_without_a_terminal_everything_is_printed_once(chrono) -> None:
    done = chrono("lab", "--preset", 2)

    assert done.code == 0, done.err
    for words in (
        "45.0 ± 3.3 m/s",
        "true value",
        "theory: 0.408",
        "shares of u²",
        "7. If you take the mean",
    ):
        assert words in done.out
    assert done.err == ""


def test_options_set_the_bench(chrono) -> None:
    words = (
        "--speed", "60 m/s", "--spacing", "100 mm", "--tick", "4 us", "--jitter", "2 us",
        "--clock", "0.5 %", "--trip", "1 mm", "--spread", "2 %", "--edges", "trailing",
    )  # fmt: skip
    data = json.loads(chrono("lab", *words, "--json").out)

    assert data["settings"] == {
        "speed_mps": 60, "spacing_m": pytest.approx(0.1), "tick_s": pytest.approx(4e-6),
        "jitter_s": pytest.approx(2e-6), "clock_tolerance": pytest.approx(5e-3),
        "trip_m": pytest.approx(1e-3), "spread": pytest.approx(0.02), "edges": "trail",
    }  # fmt: skip


def test_a_recording_gives_its_gates_and_its_middle_shot(chrono) -> None:
    data = json.loads(chrono("lab", PLAIN, "--json").out)
    shots = json.loads(chrono("whatif", PLAIN, "--as-if-tick", "4 us", "--json").out)["shots"]
    shots = [shot["recorded"] for shot in shots]

    assert data["settings"]["spacing_m"] == 0.1
    assert data["settings"]["edges"] == "lead"
    assert data["settings"]["tick_s"] == pytest.approx(4e-6)
    middle, *_ = (s for s in shots if s["speed_mps"] == pytest.approx(data["speed_mps"]))
    assert data["U95_mps"] == pytest.approx(middle["U95_mps"], rel=1e-6)


def test_a_rig_file_gives_its_gates(chrono, tmp_path) -> None:
    (tmp_path / "rig.toml").write_text('lines = "plain"\n[gates]\nspacing = "123 mm"\n')
    data = json.loads(chrono("lab", "--rig", "rig.toml", "--json").out)

    assert data["settings"]["spacing_m"] == pytest.approx(0.123)
    assert data["settings"]["edges"] == "lead"
    assert data["settings"]["tick_s"] == pytest.approx(1e-6)


def test_an_estimate_is_asked_for_before_anything_is_shown(chrono, monday, say) -> None:
    before = monday.read_bytes()
    say("3b: 2 %\n")
    done = chrono("lab", monday, "--guess")

    assert done.code == 0, done.err
    assert done.err.startswith("Estimate the ± (95 %) of the speed 21.98 m/s")
    assert "3b said ± 0.4" in done.out
    assert "times too large" in done.out
    assert monday.read_bytes() == before
    kept = json.loads((monday.parent / "monday.guesses.jsonl").read_text())
    assert kept["who"] == "3b"
    assert kept["recording"] == "monday.tsv"
    assert kept["guess_mps"] == pytest.approx(0.02 * kept["speed_mps"])


def test_without_an_answer_the_lab_goes_on(chrono, monday, say) -> None:
    say("")
    done = chrono("lab", monday, "--guess")

    assert done.code == 0
    assert "said ±" not in done.out
    assert not (monday.parent / "monday.guesses.jsonl").exists()


def test_a_closed_input_is_no_answer_and_bytes_that_are_no_text_are_no_name(
    chrono, monday, monkeypatch
) -> None:
    monkeypatch.setattr(sys, "stdin", None)
    assert chrono("lab", monday, "--guess").code == 0
    raw = io.TextIOWrapper(io.BytesIO(b"gr\xfcn: 2 %\n"), "utf-8", errors="strict")
    monkeypatch.setattr(sys, "stdin", raw)
    assert chrono("lab", monday, "--guess").code == 0
    kept = json.loads((monday.parent / "monday.guesses.jsonl").read_text("utf-8"))
    assert kept["who"].startswith("gr")


def test_an_answer_that_is_none_is_one_complaint(chrono, monday, say) -> None:
    say("much\n")
    done = chrono("lab", monday, "--guess")

    assert done.code == 2
    assert "not an estimate" in done.err
    assert done.out == ""


def test_where_the_estimate_cannot_be_kept_it_is_said_and_shown_all_the_same(
    chrono, monday, say
) -> None:
    (monday.parent / "monday.guesses.jsonl").mkdir()
    say("2 %\n")
    done = chrono("lab", monday, "--guess")

    assert done.code == 1
    assert "said ± 0.4" in done.out
    assert "not saved" in done.err


def test_guesses_are_exported_as_csv_and_json(chrono, monday, say, tmp_path) -> None:
    for text in ("3b: 2 %\n", '=HYPERLINK("x"): 0.1 m/s\n'):
        say(text)
        assert chrono("lab", monday, "--guess").code == 0
    say("1 %\n")
    assert chrono("lab", "--guess").code == 0
    assert chrono("guesses", ".", "-o", "all.csv").code == 0
    table = (tmp_path / "all.csv").read_text("utf-8")

    rows = list(csv.DictReader(io.StringIO(table)))
    assert len(rows[0]) == len(table.splitlines()[0].split(",")), "no column twice"
    assert [row["recording"] for row in rows] == ["", "monday.tsv", "monday.tsv"]
    assert rows[1]["who"] == "3b"
    assert rows[2]["who"].startswith("'="), "harmless in a spreadsheet"
    for row in rows:
        guess, computed = float(row["guess_mps"]), float(row["U95_mps"])
        assert float(row["ratio"]) == pytest.approx(guess / computed)
    assert rows[1]["spacing_m"] == "0.1"
    data = json.loads(chrono("guesses", monday, "--json").out)
    assert [guess["who"] for guess in data] == ["3b", '=HYPERLINK("x")']
    out = chrono("guesses", monday, "-o", "x.csv")
    assert "the command wrote 2 guesses to" in out.err
    assert (tmp_path / "x.csv").read_text("utf-8").splitlines() == [
        line for line in table.splitlines() if "monday" in line or "recording" in line
    ]
    is_one_clear_complaint(chrono("guesses", monday, "-o", "x.csv"), "exists")
    assert chrono("guesses", monday).out.splitlines() == [
        "monday.tsv: 21.98 ± 0.22 m/s",
        "  3b               ± 0.4 m/s       2.0 times too large",
        '  =HYPERLINK("x")  ± 0.10 m/s      2.2 times too small',
    ]
    is_one_clear_complaint(chrono("guesses", monday, "-o", "x.pdf"), ".csv")
    both = chrono("guesses", monday, "-o", "y.csv", "--json")
    is_one_clear_complaint(both, "--json and --output cannot be used together")


def test_a_line_that_is_no_guess_is_told(chrono, tmp_path) -> None:
    (tmp_path / "a.guesses.jsonl").write_text("nonsense\n")
    done = chrono("guesses", "a.guesses.jsonl")

    assert done.code == 1
    assert "a.guesses.jsonl:1: the program ignores this line" in done.err


@pytest.mark.parametrize(
    ("words", "told"),
    [
        (("lab", "none.tsv"), ("none.tsv",)),
        (("lab", "--preset", "9"), ("--preset",)),
        (("lab", "--speed", "fast"), ("--speed",)),
        (("lab", "--tick", "1 s"), ("--tick", "1 ms")),
        (("lab", "--tick", "0 s"), ("--tick",)),
        (("lab", "--spacing", "1 mm"), ("--spacing",)),
        (("lab", "--clock", "50"), ("--clock", "percentage")),
        (("lab", "--clock", "0.1"), ("--clock", "percentage")),
        (("lab", "--spread", "50 %"), ("--spread", "20 %")),
        (("lab", "--jitter", "-1 us"), ("--jitter",)),
        (("lab", "--trip", "1 m"), ("--trip",)),
        (("lab", "--edges", "upper"), ("--edges",)),
        (("lab", "--rig", "none.toml"), ("none.toml",)),
        (("guesses", "."), ("no guesses",)),
        (("guesses",), ("places",)),
    ],
)
def test_wrong_input_gets_one_clear_line(chrono, words, told) -> None:
    is_one_clear_complaint(chrono(*words), *told)


def test_a_recording_without_a_speed_still_gives_its_gates(chrono, tmp_path) -> None:
    lines = PLAIN.read_bytes().splitlines(keepends=True)
    (tmp_path / "empty.tsv").write_bytes(b"".join(lines[:5]))
    done = chrono("lab", "empty.tsv", "--json")

    assert done.code == 1
    assert "no shot has a speed" in done.err
    assert json.loads(done.out)["settings"]["spacing_m"] == 0.1
