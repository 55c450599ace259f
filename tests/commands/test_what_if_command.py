"""`whatif` on the demo recordings, and on what cannot be supposed."""

import json
import re
from collections import Counter
from itertools import takewhile
from pathlib import Path

import golden_kit
import pytest
from command_kit import is_one_clear_complaint

from chrono.commands.output_streams import text_columns

RECORDINGS = Path(__file__).parents[2] / "recordings"
FINE = RECORDINGS / "same-shots-fine.tsv"
PLAIN = RECORDINGS / "plain-lines-4us.tsv"
BANDS = RECORDINGS / "two-and-three-bands.tsv"
NOISY = RECORDINGS / "noisy-hall.tsv"


def test_every_shot_stands_beside_what_it_would_have_been(chrono):
    done = chrono("whatif", FINE, "--as-if-tick", "0.1 ms", "--phase", "0.3")

    assert done.code == 0, done.err
    lines = done.out.splitlines()
    assert lines[0] == "same-shots-fine.tsv, measured as if"
    assert lines[1] == (
        "  the clock ticked every 100 us (1600 recorded steps of 62.5 ns), phase 0.3"
    )
    rows = [line.split() for line in lines if line[:4].strip().isdigit()]
    assert [int(row[0]) for row in rows] == list(range(1, 61))
    for row in rows:
        recorded, supposed, difference, steps = (float(row[i]) for i in (1, 4, 7, 8))
        # shown to the digits that the ± leaves, the difference to one more
        assert supposed - recorded == pytest.approx(difference, abs=0.06)
        # 100 mm by a path 1 + (1°)²/6 as long, in steps of 0.1 ms; half steps by two pairs
        assert 0.1 * 1.0000508 / (steps * 1e-4) == pytest.approx(supposed, abs=0.051)
        assert (2 * steps).is_integer()
    assert "not there" not in done.out
    assert max(map(len, lines)) <= 80
    assert " of 60 shots, the new ± " in done.out
    assert "at 1600 different moments" in done.out.replace("\n  ", " ")


@pytest.mark.parametrize("recording", [FINE, NOISY, PLAIN])
def test_a_narrow_terminal_gets_it_all_but_the_steps(chrono, monkeypatch, recording):
    words = ("whatif", recording, "--as-if-tick", "1 ms", "--as-if-clock", "-500 ppm")
    wide = chrono(*words).out
    monkeypatch.setattr("chrono.commands.what_if_command.text_columns", lambda: 60)
    narrow = chrono(*words).out

    assert max(map(len, narrow.splitlines())) <= 60
    assert max(map(len, wide.splitlines())) > 60
    heads = [text.splitlines().index(next(x for x in text.splitlines() if x[:4] == "shot"))
             for text in (wide, narrow)]  # fmt: skip
    rows = [
        [*takewhile(str.strip, text.splitlines()[head:])]
        for text, head in zip((wide, narrow), heads, strict=True)
    ]
    assert rows[0][0].split()[-1] == "steps"
    assert rows[1][0].split()[-1] == "difference"
    for before, so in zip(
        *([x for x in r if x[:4].strip().isdigit()] for r in rows), strict=True
    ):
        assert so.split()[:3] == before.split()[:3]
    flags = "lone-a, lone-b", "not there", "outside", "unsound"
    for flag in flags:
        assert narrow.count(flag) == wide.count(flag)


def test_text_takes_the_columns_of_a_narrow_terminal_alone(monkeypatch):
    for is_terminal, columns, taken in ((True, 60, 60), (True, 200, 80), (False, 60, 80)):
        monkeypatch.setattr("sys.stdout.isatty", lambda answer=is_terminal: answer)
        monkeypatch.setenv("COLUMNS", str(columns))
        assert text_columns() == taken


def test_json_holds_what_the_table_shows(chrono):
    words = ("whatif", FINE, "--as-if-spacing", "98 mm")
    data = json.loads(chrono(*words, "--json").out)

    assert data["as_if"]["spacing_m"] == pytest.approx(0.098)
    assert data["as_if"]["recorded_spacing_m"] == pytest.approx(0.1)
    assert len(data["shots"]) == data["compared"] == 60
    assert data["within_U95"] == 0
    assert data["explained_by_steps"] is None
    for shot in data["shots"]:
        before, so = shot["recorded"], shot["as_if"]
        assert so["speed_mps"] == pytest.approx(0.98 * before["speed_mps"])
        assert shot["difference_mps"] == pytest.approx(so["speed_mps"] - before["speed_mps"])
        assert so["transit_s"] == before["transit_s"]
        assert shot["within_U95"] is False
    (setup,) = data["setups"]
    assert setup["as_if"]["mean_mps"] == pytest.approx(0.98 * setup["recorded"]["mean_mps"])
    text = chrono(*words).out
    assert "(the recording states 100 mm)" in text
    assert "In 0 of 60 shots, the new ± contains" in text
    assert text.count(", outside") + text.count("  outside") == 60


def test_each_setup_stands_below_as_it_was_and_as_it_would_have_been(chrono):
    words = ("whatif", BANDS, "--as-if-spacing", "98 mm")
    lines = chrono(*words).out.splitlines()

    for setup in json.loads(chrono(*words, "--json").out)["setups"]:
        at = lines.index(f"{setup['setup']}:")
        for line, series in zip(lines[at + 1 : at + 3], ("recorded", "as_if"), strict=True):
            assert line.startswith(f"  as {series.removeprefix('as_')}")
            mean = float(re.search(r"20 counted, mean ([\d.]+) ", line)[1])
            assert mean == pytest.approx(setup[series]["mean_mps"], abs=0.06)
        assert setup["as_if"]["mean_mps"] < setup["recorded"]["mean_mps"] - 0.2


def test_a_single_shot_is_told_in_the_singular(chrono, tmp_path):
    rows = BANDS.read_bytes().splitlines(keepends=True)
    ends = [i for i, row in enumerate(rows) if b" B 0 " in row]
    (tmp_path / "one.tsv").write_bytes(b"".join(rows[: ends[0] + 4]))

    told = chrono("whatif", "one.tsv", "--as-if-tick", "1 ms").out

    assert "In 1 of 1 shot," in told or "In 0 of 1 shot," in told
    assert "1 shots" not in told


def test_a_noisy_session_names_what_is_otherwise(chrono):
    done = chrono(
        "whatif", NOISY, "--as-if-tick", "1 ms", "--as-if-clock", "-500 ppm",
        "--as-if-edges", "leading",
    )  # fmt: skip

    assert done.code == 1, "a lamp flickers in the noisy hall"
    text = " ".join(done.out.split())
    assert "the counter ran 500 ppm too slow" in text
    assert "only the leading edges of each shot were used" in text
    assert "With the assumed values, the edges form other pairs." in text
    assert "number of new shots: 13." in text
    data = json.loads(chrono("whatif", NOISY, "--as-if-tick", "1 ms", "--json").out)
    assert data["new_shots"] == 13
    assert sum(shot["as_if"] is None for shot in data["shots"]) == 1


def test_long_steps_are_told_without_a_power_of_ten(chrono) -> None:
    told = " ".join(chrono("whatif", FINE, "--as-if-tick", "4 ms").out.split())

    assert re.search(r"can change a transit by up to \d{4} us \(95 %\)", told)


def test_a_step_is_taken_as_a_whole_number_of_recorded_ones_and_that_is_said(chrono):
    done = chrono("whatif", FINE, "--as-if-tick", "3.3 us")

    assert "ticked every 3.312 us (instead of 3.3 us: 53 recorded steps" in done.out


def test_without_a_shot_to_compare_the_exit_code_tells(chrono):
    done = chrono("whatif", PLAIN, "--as-if-edges", "trailing")

    assert done.code == 1
    assert "no shot is counted in both cases" in done.err
    assert "No shot is counted both in the recording and in this computation." in done.out
    assert "edges cannot be used: 60." in " ".join(done.out.split())


@pytest.mark.parametrize(
    ("words", "told"),
    [
        ((), ("an assumption is missing", "--as-if-tick")),
        (("--phase", "0.5"), ("an assumption is missing",)),
        (
            ("--as-if-edges", "leading", "--phase", "0.5"),
            ("--phase", "together with --as-if-tick"),
        ),
        (
            ("--as-if-tick", "8 us", "--phase", "1"),
            ("--phase", "cannot be moved by this part of one tick"),
        ),
        (
            ("--as-if-tick", "8 us", "--phase", "-0.1"),
            ("--phase", "cannot be moved by this part of one tick"),
        ),
        (
            ("--as-if-tick", "8 us", "--phase", "nan"),
            ("--phase", "cannot be moved by this part of one tick"),
        ),
        (("--as-if-tick", "1 us"), ("--as-if-tick", "longer tick")),
        (("--as-if-tick", "8"), ("--as-if-tick", "unit")),
        (("--as-if-tick", "8 mm"), ("--as-if-tick", "a time")),
        (("--as-if-tick", "20 s"), ("--as-if-tick", "cannot have steps of this length")),
        (("--as-if-spacing", "1 km"), ("--as-if-spacing", "1e+06 mm")),
        (("--as-if-spacing", "1.5 mm"), ("--as-if-spacing", "quarter")),
        (("--as-if-clock", "500"), ("--as-if-clock", "ppm")),
        (("--as-if-clock", "0 ppm"), ("--as-if-clock", "rate is not possible")),
        (("--as-if-clock", "-150 %"), ("--as-if-clock", "rate is not possible")),
        (("--as-if-clock", "20.1 %"), ("--as-if-clock", "at most 20 %")),
        (("--as-if-edges", "upper"), ("--as-if-edges", "leading")),
    ],
)
def test_what_cannot_be_supposed_gets_one_clear_line(chrono, words, told) -> None:
    is_one_clear_complaint(chrono("whatif", PLAIN, *words), *told)


def test_a_file_that_is_none_gets_one_clear_line(chrono) -> None:
    is_one_clear_complaint(chrono("whatif", "none.tsv", "--as-if-tick", "8 us"), "none.tsv")


def test_the_short_form_fits_a_projector_and_has_every_shot_twice(chrono) -> None:
    """60 columns by 30 lines; what its bars stand for is counted in the table."""
    out = chrono("whatif", BANDS, "--as-if-tick", "1 ms", "--short").out
    lines = out.splitlines()
    assert len(lines) <= 30
    assert max(map(len, lines)) <= 60
    assert "two bands: mean 22.20 ± 0.21 m/s → 22.33 ± 0.33 m/s" in lines
    assert "shot  recorded" not in out
    (before, after) = (
        int(line.split("highest bar is ")[1].split()[0])
        for line in lines
        if "highest bar" in line
    )
    data = json.loads(chrono("whatif", BANDS, "--as-if-tick", "1 ms", "--json").out)
    readings = Counter(round(shot["as_if"]["speed_mps"], 3) for shot in data["shots"])
    assert after == max(readings.values()) > before
    picture = lines[lines.index(next(line for line in lines if line.startswith("as if"))) :]
    columns = {i for line in picture for i, sign in enumerate(line) if sign == "█"}
    assert len(columns) == len(readings), "one bar for each reading that there can be"
    # each bar stands at its reading: by the first and the last number below the axis
    foot = picture[[line[:1] in "─┬" for line in picture].index(True) + 1]
    found = re.finditer(r"\d+", foot)
    labels = [(match.start() + (len(match[0]) - 1) // 2, float(match[0])) for match in found]
    (c0, v0), *_, (c1, v1) = labels
    speeds = [v0 + (column - c0) * (v1 - v0) / (c1 - c0) for column in sorted(columns)]
    assert speeds == pytest.approx(sorted(readings), abs=0.17)


def test_the_short_form_is_for_people(chrono) -> None:
    is_one_clear_complaint(
        chrono("whatif", BANDS, "--as-if-tick", "1 ms", "--short", "--json"), "--short"
    )


def test_a_shot_that_was_set_aside_has_both_speeds_and_is_said_to_be_uncounted(
    chrono, tmp_path
) -> None:
    hall = golden_kit.with_one_set_aside(tmp_path)
    data = json.loads(chrono("whatif", hall, "--as-if-spacing", "301 mm", "--json").out)
    lines = chrono("whatif", hall, "--as-if-spacing", "301 mm").out.splitlines()

    (number,) = (
        shot["shot"]
        for shot in data["shots"]
        if shot["difference_mps"] is not None and not shot["compared"]
    )
    said = [line.split()[0] for line in lines if line.endswith("not counted")]
    assert said == [str(number)]
