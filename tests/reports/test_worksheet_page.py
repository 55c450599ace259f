"""Worksheets: real counter values, keys that a pupil with the sheet alone arrives at."""

import csv
import io
import math
import re
from dataclasses import dataclass
from pathlib import Path

import pytest
from command_kit import is_one_clear_complaint
from interval_kit import RIG, record, setup, shot, write_recording
from page_kit import is_self_contained, read_page, tables_of
from pupil import UNITS, quantity, solve
from row_kit import edge, framed

from chrono.cautions import PAPER_CAUTION
from chrono.rigs.rig_file import parse_rig, rig_record
from chrono.virtual.scenarios import parse_play, rig_text
from chrono.virtual.virtual_board import simulate_recording

RECORDINGS = Path(__file__).parents[2] / "recordings"
BANDS = RECORDINGS / "two-and-three-bands.tsv"
PLAIN = RECORDINGS / "plain-lines-4us.tsv"
NOISY = RECORDINGS / "noisy-hall.tsv"

FRAMED_RIG = {"name": "framed", "gates": {"spacing_m": 0.3}, "clock": {"counter_bits": 32}}
CALIBRATED = {
    "clock": {"rate_error": 1.25e-3, "rate_error_u": 2e-6},
    "latency": {"difference_s": 15e-6, "difference_u_s": 2e-7},
    "spacing": {"spacing_m": 0.3002, "spacing_u_m": 1e-4},
}


@pytest.fixture(name="sheets")
def _sheets(chrono, tmp_path):
    """Write a sheet and its key, and return both as HTML."""

    def make(*words: object) -> tuple[str, str]:
        for old in tmp_path.glob("sheet*.html"):
            old.unlink()
        done = chrono("worksheet", *words, "-o", tmp_path / "sheet.html")
        assert done.code == int(words[0] == NOISY), done.err  # a lamp flickers there
        pages = [(tmp_path / n).read_text("utf-8") for n in ("sheet.html", "sheet-key.html")]
        for page in pages:
            is_self_contained(read_page(page))
        return pages[0], pages[1]

    return make


def answers_of(key: str) -> dict[str, str]:
    """Return the key's answers by what is asked, shots' numbers left out."""
    rows = [row for table in tables_of(key)[1:] for row in table[1:]]
    return {re.sub(r" shot \d+$", " shot", asked): answer for asked, _, answer in rows}


def agrees(sheet: str, key: str) -> None:
    """The key says what a pupil finds who has nothing but the sheet."""
    found, answers = solve(sheet), answers_of(key)
    for asked, value in found.answers.items():
        assert quantity(answers[asked]) == pytest.approx(value, rel=2e-5), asked
    assert set(answers) == {*found.answers, "result", "significant digits"}

    head, *rows = tables_of(key)[0]
    assert len(rows) == len(found.speeds_mps)
    time_unit, speed_unit = (cell.rpartition(", ")[2] for cell in head[-3:-1])
    for row, transits, time_s, speed in zip(
        rows, found.transits, found.times_s, found.speeds_mps, strict=True
    ):
        assert [int(cell) for cell in row[1:-3]] == list(transits)
        assert quantity(f"{row[-3]} {time_unit}") == pytest.approx(time_s, rel=1e-5)
        assert quantity(f"{row[-2]} {speed_unit}") == pytest.approx(speed, rel=1e-5)
    speed, half = re.findall(r"[\d.,]+", answers["result"])[:2]
    digits = re.sub("[.,]", "", speed).lstrip("0")
    assert answers["significant digits"] == str(len(digits))
    unit = answers["result"].rpartition(") ")[2]
    last_digit = UNITS[unit] * 10.0 ** -len(re.split("[.,]", half + ".")[1])
    assert quantity(f"{half} {unit}") == pytest.approx(
        found.answers["U = 2 u"], abs=0.51 * last_digit
    )
    assert quantity(f"{speed} {unit}") == pytest.approx(
        found.speeds_mps[0], abs=0.51 * last_digit
    )


@pytest.mark.parametrize("recording", [BANDS, PLAIN], ids=lambda path: path.stem)
@pytest.mark.parametrize(
    "options",
    [
        (),
        ("--group", 2, "--shots", 4),
        ("--units", "km/h, cm, s", "--decimal-comma"),
        ("--units", "ft/s,in,µs", "--shots", 1),
    ],
    ids=["plain", "group 2", "comma", "inches"],
)
def test_a_pupil_with_the_sheet_alone_finds_the_key(sheets, recording, options) -> None:
    agrees(*sheets(recording, *options))


def test_the_key_of_a_calibrated_rig_is_found_too(sheets, tmp_path) -> None:
    rows = [setup("a"), *(shot(20 + i / 7) for i in range(8))]
    rig = RIG | {"calibration": CALIBRATED}
    sheet, key = sheets(write_recording(tmp_path / "x.tsv", rows, rig))

    assert "the same edge at B" in sheet
    assert "300.2 mm" in sheet
    assert "u = 0.1 mm" in sheet
    agrees(sheet, key)


def worked(working: str, unit: str, known: dict[str, float]) -> float | None:
    """Compute a key's working as it is printed, in SI units; None where it is in words."""
    formula, _, rate = working.partition(", r = ")
    last = formula.rpartition(" = ")[2]
    known = known | ({"r": quantity(rate)} if rate else {})
    signs = str.maketrans({"−": "-", "×": "*", "·": "*", "²": "**2", "√": "sqrt"})
    in_si = re.sub(
        r"([\d.]+) (ns|µs|ms|mm)", lambda found: str(quantity(found[0])), last.translate(signs)
    )
    try:
        value = eval(in_si, {"__builtins__": {}, "sqrt": math.sqrt, **known})
    except (SyntaxError, NameError):
        return None
    is_si = in_si != last.translate(signs) or unit == "%"
    return value if is_si else value * UNITS[unit]


def test_the_working_in_the_key_gives_its_answer(sheets, tmp_path) -> None:
    rows = [setup("a"), *(shot(20 + i / 7) for i in range(8))]
    calibrated = write_recording(tmp_path / "x.tsv", rows, RIG | {"calibration": CALIBRATED})
    for recording in (BANDS, PLAIN, calibrated):
        sheet, key = sheets(recording)
        known = {
            symbol: quantity(value) for _, symbol, value, _ in tables_of(sheet)[1][1:] if value
        }
        found = {}
        for asked, working, answer in (
            row for table in tables_of(key)[1:] for row in table[1:]
        ):
            unit = answer.rpartition(" ")[2]
            value = worked(working, unit, known) if unit in UNITS else None
            if value is not None:
                found[asked] = value
                assert quantity(answer) == pytest.approx(value, rel=3e-4), (asked, working)
        assert len(found) == 12, found.keys()
        assert "√(sum of (speed − mean)² / 5)" in key  # of six shots
        assert "sum / 6" in key


def test_a_rate_that_the_beats_told_is_on_the_sheet(sheets) -> None:
    """The demo's counter runs 18.2 ppm slow (recordings/README.md), which its beats tell."""
    sheet, key = sheets(BANDS, "--clock-from-host")

    (row,) = [row for row in tables_of(sheet)[1] if row[1] == "r"]
    assert quantity(row[2]) == pytest.approx(-18.2e-6, abs=3 * quantity(row[3][4:]))
    assert 0 < quantity(row[3].removeprefix("u = ")) < 50e-6 / 3**0.5
    agrees(sheet, key)


@dataclass(frozen=True)
class Flown:
    """A shot of a framed board: speed, the body's length, the counter's frequency."""

    speed_mps: float
    length_m: float = 0.04
    frequency_hz: int = 16_000_000


def framed_session(path: Path, start: int, flown: list[Flown]) -> Path:
    """Make a recording of a framed board whose counter stands at `start` at the first edge."""
    rows, times, sequence, frequency = [setup("a")], [0], 0, 0
    for place, one in enumerate(flown):
        if one.frequency_hz != frequency:
            frequency = one.frequency_hz
            rows.append(("board", framed(b"H 1 %d 32 gates 1.0" % frequency).decode()))
            times.append(place * 1_000_000)
        ways = [0, one.length_m, 0.3, 0.3 + one.length_m]
        at = [start + round((place + way / one.speed_mps) * frequency) for way in ways]
        for gate, level, counter in zip("AABB", (1, 0, 1, 0), at, strict=True):
            rows.append(("board", edge(sequence, gate, level, counter % 2**32).decode()))
            times.append(place * 1_000_000 + 40_000 + sequence % 4)
            sequence += 1
    recording = write_recording(path, rows, FRAMED_RIG)
    head, lines = recording.read_text("utf-8").splitlines(keepends=True)[:3], []
    for time_us, (origin, line) in zip(times, rows, strict=True):
        lines.append(f"{time_us + 2_000_000}\t{origin}\t{line}\n")
    recording.write_text("".join(head + lines), "utf-8", newline="\n")
    return recording


def test_a_counter_that_goes_round_within_a_shot_is_printed_as_it_was(sheets, tmp_path) -> None:
    recording = framed_session(
        tmp_path / "x.tsv", 2**32 - 100_000, [Flown(v) for v in (20, 21, 22)]
    )
    sheet, key = sheets(recording, "--shots", 3)

    first = [int(cell) for cell in tables_of(sheet)[0][1][1:]]
    assert first == [4294867296, 4294899296, 140000, 172000]
    assert "add 4294967296 to it" in sheet
    agrees(sheet, key)
    assert solve(sheet).speeds_mps == pytest.approx([20, 21, 22], rel=1e-5)


@pytest.mark.parametrize(
    ("recording", "shots", "groups"), [(BANDS, 6, 1), (BANDS, 6, 4), (NOISY, 2, 5)]
)
def test_every_counter_value_stands_in_the_recording(sheets, recording, shots, groups) -> None:
    # In the noisy hall comparators chatter: an edge is then timed where no line stands.
    lines = set(re.findall(r"E \w{4} ([AB]) ([01]) (\w{8})", recording.read_text()))
    sheet, _ = sheets(recording, "--shots", shots, "--groups", groups)

    tables = tables_of(sheet)[::3]
    assert len(tables) == groups
    for head, *rows in tables:
        assert head == ["shot", "A lead", "A trail", "B lead", "B trail"]
        assert len(rows) == shots
        for row in rows:
            for gate, level, counter in zip("AABB", "1010", row[1:], strict=True):
                assert (gate, level, f"{int(counter):08X}") in lines


def test_counter_values_of_plain_lines_stand_in_the_recording(sheets) -> None:
    lines = set(re.findall(r"\t([AB]) (\d+)$", PLAIN.read_text(), re.MULTILINE))
    sheet, _ = sheets(PLAIN)

    head, *rows = tables_of(sheet)[0]
    assert head == ["shot", "A lead", "B lead"]
    for _, a, b in rows:
        assert {("A", a), ("B", b)} <= lines


def test_a_sheet_s_transits_are_the_exported_ones(chrono, sheets) -> None:
    rows = list(csv.DictReader(io.StringIO(chrono("export", BANDS).out)))
    exported = {row["shot"]: float(row["transit_us"]) for row in rows}
    sheet, key = sheets(BANDS, "--group", 5)

    numbers = [row[0] for row in tables_of(sheet)[0][1:]]
    assert [1e6 * t for t in solve(sheet).times_s] == pytest.approx(
        [exported[number] for number in numbers], abs=1e-4
    )
    # The program's own speed is beside the pupil's, which leaves out the tilt of the path.
    speeds = {row["shot"]: float(row["speed_mps"]) for row in rows}
    for row in tables_of(key)[0][1:]:
        own, _, half = row[-1].partition(" ± ")
        assert float(own) == pytest.approx(speeds[row[0]], abs=0.0051)
        assert float(row[-2]) == pytest.approx(speeds[row[0]], abs=float(half))


def long_numbers(html: str) -> set[str]:
    """Return all numbers of five digits and more, zeros in front not counted."""
    found = re.findall(r"\d[\d.]*\d", read_page(html).text)
    return {n for n in found if len(n.replace(".", "").lstrip("0")) >= 5}


@pytest.mark.parametrize(
    ("recording", "groups"), [(BANDS, 6), (PLAIN, 5)], ids=["bands", "plain"]
)
def test_no_two_groups_share_a_number(sheets, recording, groups) -> None:
    shared = {"4294967295", "4294967296"}  # where the counter begins anew, for all of them
    pages = [sheets(recording, "--group", group) for group in range(1, groups + 1)]
    numbers = [long_numbers(sheet) | long_numbers(key) for sheet, key in pages]

    for group, own in enumerate(numbers):
        assert len(own) > 30
        for other in numbers[:group]:
            assert own & other <= shared
    results = [answers_of(key)["result"] for _, key in pages]
    assert len(set(results)) == groups
    limits = [tables_of(sheet)[1][1][3] for sheet, _ in pages]
    assert len(set(limits)) == groups


def test_all_groups_on_one_page_have_what_each_has_alone(sheets) -> None:
    together = tables_of(sheets(BANDS, "--groups", 3)[0])
    for group in (1, 2, 3):
        alone = tables_of(sheets(BANDS, "--group", group)[0])
        assert together[3 * group - 3 : 3 * group] == alone


def test_shots_of_one_sheet_are_of_one_setup_and_setups_take_turns(chrono, sheets) -> None:
    rows = csv.DictReader(io.StringIO(chrono("export", BANDS).out))
    setups = {row["shot"]: row["setup"] for row in rows}
    tables = tables_of(sheets(BANDS, "--groups", 4)[0])[::3]

    used = [{setups[row[0]] for row in table[1:]} for table in tables]
    assert used == [{"two bands"}, {"three bands"}] * 2
    numbers = [row[0] for table in tables for row in table[1:]]
    assert len(numbers) == len(set(numbers))


def test_a_sheet_says_what_is_real_and_what_is_supposed(sheets) -> None:
    sheet, key = sheets(BANDS, "--group", 3)
    text = read_page(sheet).text

    assert "the counter begins again at 0" in text
    assert (
        "The counter values come unchanged from the recording two-and-three-bands.tsv" in text
    )
    assert "The rig states ± 0.5 mm. Each group gets a different ±" in text
    assert "± 0.55 mm" in text
    for page in (sheet, key):
        for line in PAPER_CAUTION:
            assert line in read_page(page).text
        assert "vessels" not in read_page(page).text, "nobody handles them on paper"
    answers = {"22.2279", "22.23", "13.4965"}
    assert not answers & set(re.findall(r"[\d.]+\d", text))
    assert answers <= set(re.findall(r"[\d.]+\d", read_page(key).text))


def test_what_contributes_most_is_named_with_its_share(sheets) -> None:
    _, key = sheets(PLAIN, "--group", 1)
    # By hand: (0.5/√3)² = 0.0833 mm² of 100² mm; 0.005/√3 of the rate: equal parts, 8.33e-6.
    # The gates 2·(0.2/√3)² = 0.0267 mm², 2.67e-6; u(T) and u(j) of some 4.5 ms: 4.9e-7.
    part = 8.33e-6 / (2 * 8.33e-6 + 2.67e-6 + ((4e-3 / 6**0.5) ** 2 + 2 * 1.9e-3**2) / 4.53**2)
    share = re.search(r"contributes most to u: (\d+) % of u².* (\d+) %", key)
    assert share
    assert int(share[1]) == pytest.approx(100 * part, abs=1)
    assert int(share[2]) == pytest.approx(100 * (1 - 0.75 * part) ** 0.5, abs=1)


def test_the_key_says_whether_the_gates_or_the_launcher_scatter(sheets, tmp_path) -> None:
    _, key = sheets(BANDS, "--group", 1)
    answers = answers_of(key)
    s, by_chance = (
        quantity(answers[asked])
        for asked in (
            "standard deviation s of the speeds",
            "u of the speed from step and jitter alone",
        )
    )
    assert s > 10 * by_chance
    assert "the launcher causes the scatter, not the gates" in key
    alike = [setup("a"), *(shot(20 + i / 1e4) for i in range(8))]
    _, key = sheets(write_recording(tmp_path / "x.tsv", alike))
    assert "Perhaps the gates cause all of the scatter" in key
    _, key = sheets(BANDS, "--shots", 1)
    assert "scatter" not in key


HOSTILE = ("<script>alert(1)</script>", '"><img src=x onerror=alert(1)>', "{{ 7 * 7 }}")


@pytest.mark.parametrize("text", HOSTILE)
def test_text_from_outside_is_text_only(sheets, tmp_path, text) -> None:
    rig = RIG | {"name": text, "body": {"name": text}}
    rows = [setup(text), *(shot(20 + i / 7) for i in range(8))]
    for page in sheets(write_recording(tmp_path / "x.tsv", rows, rig)):
        found = read_page(page)
        assert found.named("img") == []
        assert text in found.text
        assert "49" not in found.text.replace("4294967", "")


def test_shots_that_are_not_fit_are_left_out(sheets, tmp_path) -> None:
    held = [
        record("mark", {"action": "hold-on"}),
        shot(30),
        record("mark", {"action": "hold-off"}),
    ]
    rows = [setup("a"), shot(20), *held, shot(1), shot(21), shot(22)]
    sheet, _ = sheets(write_recording(tmp_path / "x.tsv", rows), "--shots", 3)

    assert [row[0] for row in tables_of(sheet)[0][1:]] == ["1", "4", "5"]


def test_a_shot_whose_body_is_in_doubt_is_left_out(sheets, tmp_path) -> None:
    flown = [Flown(20), Flown(21, length_m=0.02), Flown(22)]
    sheet, _ = sheets(framed_session(tmp_path / "x.tsv", 1000, flown), "--shots", 2)

    assert [row[0] for row in tables_of(sheet)[0][1:]] == ["1", "3"]


def test_shots_of_a_board_that_counted_otherwise_are_left_out(sheets, tmp_path) -> None:
    flown = [Flown(20), Flown(21), *(Flown(v, frequency_hz=8_000_000) for v in (22, 23))]
    sheet, key = sheets(framed_session(tmp_path / "x.tsv", 1000, flown), "--shots", 2)

    counts = tables_of(sheet)[0]
    assert [row[0] for row in counts[1:]] == ["3", "4"]
    assert counts[1][1] == "16001000"  # two seconds of 8 MHz, as the board sent it
    assert solve(sheet).speeds_mps == pytest.approx([22, 23], rel=1e-5)
    agrees(sheet, key)


def test_with_a_decimal_comma_there_is_no_decimal_point(sheets) -> None:
    for page in (*sheets(BANDS, "--decimal-comma"), *sheets(PLAIN, "--decimal-comma")):
        text = read_page(page).text
        assert re.search(r"\d,\d", text)
        assert not re.search(r"\d\.\d", text)
    assert "times as large as the scatter" in text


def test_too_many_groups_are_refused_with_how_many_there_are(chrono, tmp_path) -> None:
    refused = chrono("worksheet", BANDS, "--group", 7, "-o", "x.html")
    is_one_clear_complaint(refused, "6 groups of 6", "group 7", "--groups 6 or --shots 5")
    assert "only counted shots with all edges and no doubtful flag" in refused.err
    for offered in (("--groups", 6), ("--groups", 7, "--shots", 5)):
        assert chrono("worksheet", BANDS, *offered, "-o", "y.html").code == 0
        for page in tmp_path.iterdir():
            page.unlink()
    refused = chrono("worksheet", BANDS, "--shots", 24, "-o", "x.html")
    is_one_clear_complaint(refused, "0 groups of 24")
    assert list(tmp_path.iterdir()) == []


def test_equal_transits_never_go_to_two_groups(chrono, tmp_path) -> None:
    rows = [setup("a"), *[shot(20)] * 6, *[shot(21)] * 6]
    recording = write_recording(tmp_path / "x.tsv", rows)
    assert chrono("worksheet", recording, "--shots", 2, "--groups", 2, "-o", "x.html").code == 0
    refused = chrono("worksheet", recording, "--shots", 2, "--groups", 3, "-o", "y.html")
    is_one_clear_complaint(refused, "2 groups of 2 shots")


def test_a_recording_for_one_group_of_one_shot_is_told_in_the_singular(
    chrono, tmp_path
) -> None:
    recording = write_recording(tmp_path / "x.tsv", [setup("a"), shot(20)])
    refused = chrono("worksheet", recording, "--shots", 1, "--groups", 2, "-o", "x.html")
    is_one_clear_complaint(refused, "enough shots for 1 group of 1 shot, but")


@pytest.mark.parametrize(
    ("options", "words"),
    [
        (("--units", "furlong"), ("--units", "'furlong'", "km/h")),
        (("--units", "mm, cm"), ("--units", "a second unit of length")),
        (("--key", "x.html"), ("--key", "same file name")),
        (("--key", "x.doc"), ("'.doc'",)),
        (("--group", 1, "--groups", 2), ("--groups", "cannot be used together")),
        (("--key", "none/k.html"), ("cannot be written",)),
    ],
)
def test_wrong_options_are_one_complaint_and_leave_nothing(
    chrono, tmp_path, options, words
) -> None:
    refused = chrono("worksheet", BANDS, "-o", "x.html", *options)
    is_one_clear_complaint(refused, *words)
    assert list(tmp_path.iterdir()) == []


def test_a_key_that_is_there_is_left_alone_and_no_sheet_is_written(chrono, tmp_path) -> None:
    (tmp_path / "x-key.html").write_text("mine")
    is_one_clear_complaint(chrono("worksheet", BANDS, "-o", "x.html"), "x-key.html", "exists")
    assert [path.name for path in tmp_path.iterdir()] == ["x-key.html"]


def test_a_measured_spacing_that_covers_the_gates_leaves_their_term_out_of_the_key(
    sheets, tmp_path
) -> None:
    rows = [setup("a"), *(shot(20 + i / 7) for i in range(8))]
    spacing = {"spacing_m": 0.3002, "spacing_u_m": 1e-4}
    told = {}
    for covers in (True, False):
        rig = RIG | {"calibration": {"spacing": spacing | {"covers_trip": covers}}}
        path = write_recording(tmp_path / f"{covers}.tsv", rows, rig)
        _, key = sheets(path)
        (told[covers],) = [
            row[1] for table in tables_of(key) for row in table if row[0] == "u of the path"
        ]
    assert told[True].startswith("√(u(d)²) = √(")
    assert told[True].count("²") == 2
    assert told[False].startswith("√(u(d)² + 2 u(g)²) = √(")
    assert told[False].count("²") == 4


# -- marking -------------------------------------------------------------------------------

ASKED = {
    "t": "time of shot",
    "v": "speed of shot",
    "mean": "mean of the speeds",
    "s": "standard deviation s of the speeds",
    "high": "highest speed",
    "low": "lowest speed",
    "u": "u of the speed",
    "U": "U = 2 u",
}
"""What `--mark` calls an answer, and what the key calls it."""


@pytest.mark.parametrize(
    ("options", "speed", "time"),
    [
        ((), "m/s", "ms"),
        (("--shots", "2"), "m/s", "ms"),
        (("--units", "km/h, s", "--decimal-comma"), "km/h", "s"),
    ],
    ids=["plain", "two shots", "comma"],
)
def test_what_a_pupil_finds_from_paper_is_marked_right(
    sheets, chrono, tmp_path, options, speed, time
) -> None:
    """Rounded to as many digits as a pupil writes: five, and two of a u."""
    lines, is_comma = [], "--decimal-comma" in options
    for group in (1, 2):
        sheet, _ = sheets(BANDS, "--group", group, *options)
        answers = solve(sheet).answers
        for name, asked in ASKED.items():
            value = answers[asked] / UNITS[time if name == "t" else speed]
            text = f"{value:{'#.2' if name in 'usU' else '.5'}g}"
            lines.append(f"{group} {name} {text.replace('.', ',') if is_comma else text}")
    (tmp_path / "answers.txt").write_text("\n".join(lines))
    done = chrono("worksheet", BANDS, "--groups", 2, *options, "--mark", "answers.txt")
    assert done.code == 0, done.err
    table = done.out.splitlines()
    assert table[0].split() == ["group", *ASKED]
    assert [row.split()[1:] for row in table[1:3]] == [["right"] * 8] * 2
    assert table[-1] == "16 of 16 answers right"
    assert max(map(len, table)) <= 60


@pytest.mark.parametrize(
    ("answer", "word"),
    [
        ("1 v 21.74", "right"), ("1 v 21.7", "right"), ("1 v 22", "short"),
        ("1 v 21.8", "wrong"), ("1 v -21.74", "wrong"), ("1;v;21,74", "right"),
        ("1 v 21.7\n1 v 30", "wrong"), ("1 v 30\n1 v 21.7", "right"),
    ],
)  # fmt: skip
def test_an_answer_is_right_as_far_as_it_was_rounded(chrono, tmp_path, answer, word) -> None:
    """The key: 300 mm in 13.8014 ms is 21.7369 m/s; the last answer of a group counts."""
    (tmp_path / "answers.txt").write_text(answer)
    done = chrono("worksheet", BANDS, "--mark", "answers.txt")
    cells = dict(zip(*(line.split() for line in done.out.splitlines()[:2]), strict=True))
    assert cells["v"] == word
    assert ("the right answer is 21.7369" in done.out) == (word != "right")


def test_lines_that_are_no_answers_are_told_and_the_others_are_marked(chrono, tmp_path) -> None:
    bad = ["nonsense", "7 v 3", "1 w 3", "1 v three", "1 v \x1b[31m", "x v 3", "1 v 1 2", "²"]
    text = "\n".join(["# group, quantity, value", "", *bad, "1 v 21.74"])
    (tmp_path / "answers.txt").write_bytes(text.encode() + b"\n\xff 1 2\n")
    done = chrono("worksheet", BANDS, "--mark", "answers.txt")
    assert done.code == 1
    assert len(re.findall(r"answers.txt:\d+: this line is skipped", done.err)) == len(bad) + 1
    assert "answers.txt:3: this line is skipped" in done.err
    assert "\x1b" not in done.out + done.err
    assert done.out.splitlines()[-1] == "1 of 1 answer right"


@pytest.mark.parametrize(
    ("words", "expected"),
    [
        ((), ("-o", "sheet.html")),
        (("--mark", "nowhere.txt"), ("nowhere.txt", "--mark")),
        (("--mark", "."), ("--mark", "cannot be read")),
        (("--mark", "x", "-o", "y.html"), ("--mark", "leave out -o")),
        (("--mark", "x", "--key", "y.html"), ("--mark", "leave out -o")),
    ],
)
def test_marking_without_answers_is_refused(chrono, words, expected) -> None:
    is_one_clear_complaint(chrono("worksheet", BANDS, *words), *expected)


def test_drops_make_no_sheet_for_d_over_t(chrono, tmp_path) -> None:
    play = parse_play("virtual://drop-test?shots=12")
    rig = rig_record(parse_rig(rig_text(play.scenario)))
    path = tmp_path / "drops.tsv"
    path.write_bytes(simulate_recording(play, rig=rig, file={"format": 1, "start": ""}))
    outcome = chrono("worksheet", path, "-o", tmp_path / "sheet.html")
    is_one_clear_complaint(outcome, "drops.tsv", "gates.slope", "not the speed in the middle")
    assert not (tmp_path / "sheet.html").exists()
