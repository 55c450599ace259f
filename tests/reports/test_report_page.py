"""Report pages: nothing fetched, nothing hidden, every number that the table of shots has."""

import csv
import hashlib
import io
import re
import sys
from pathlib import Path

import numpy as np
import pytest
from bounce_kit import unsound_recording
from command_kit import is_one_clear_complaint
from interval_kit import RIG, record, setup, shot, write_recording
from page_kit import Page, is_self_contained, read_page

from chrono import __version__
from chrono.cautions import CAUTION
from chrono.reports.atomic_file import write_new
from chrono.session.recording_loader import read_recording

RECORDINGS = Path(__file__).parents[2] / "recordings"
DEMO = sorted(RECORDINGS.glob("*.tsv"))
BANDS = RECORDINGS / "two-and-three-bands.tsv"
PLAIN = RECORDINGS / "plain-lines-4us.tsv"
NOISY = RECORDINGS / "noisy-hall.tsv"
"""A lamp flickers there: exit code 1."""
TEMPLATES = Path(__file__).parents[2] / "chrono" / "reports" / "pages"


@pytest.fixture(name="pages", scope="module")
def _pages() -> dict[tuple[object, ...], Page]:
    """Keep the pages of the demo recordings, which several tests read."""
    return {}


@pytest.fixture(name="reported")
def _reported(chrono, tmp_path, pages):
    """Write a report of recordings and read it."""

    def make(*words: object, code: int = 0) -> Page:
        if not set(words) <= set(DEMO):
            return write(*words, code=code)
        if (code, *words) not in pages:
            pages[code, *words] = write(*words, code=code)
        return pages[code, *words]

    def write(*words: object, code: int) -> Page:
        out = tmp_path / "out.html"
        out.unlink(missing_ok=True)
        done = chrono("report", *words, "-o", out)
        assert done.code == code, done.err
        assert done.out == ""
        found = read_page(out.read_text("utf-8"))
        is_self_contained(found)
        return found

    return make


@pytest.mark.parametrize("recording", DEMO, ids=lambda path: path.stem)
def test_a_page_stands_by_itself_and_says_what_file_program_and_cautions(
    reported, recording
) -> None:
    text = reported(recording, code=int(recording == NOISY)).text

    content = recording.read_bytes()
    assert hashlib.sha256(content).hexdigest() in text
    rows = len(content.splitlines()) - 1  # without the header
    assert f"{len(content)} bytes, {rows} rows" in text
    assert f"chrono-gates {__version__}" in text
    for line in CAUTION.split("\n- "):
        assert " ".join(line.split()) in text


@pytest.mark.parametrize("recording", DEMO, ids=lambda path: path.stem)
def test_every_counted_shot_is_listed_with_the_exported_speed(
    chrono, reported, recording
) -> None:
    rows = list(csv.DictReader(io.StringIO(chrono("export", recording).out)))
    text = reported(recording, code=int(recording == NOISY)).text

    part = text[text.index("Counted shots") : text.index("Shots set aside, and why")]
    marks = dict(zip(dict.fromkeys(row["setup"] for row in rows), "●■", strict=False))
    found = re.findall(r"(\d+) ([●■]) ([\d.]+) ± ([\d.]+)", part)
    counted = [row for row in rows if row["counted"] == "true"]
    assert [int(number) for number, *_ in found] == [int(row["shot"]) for row in counted]
    for (_, mark, speed, half), row in zip(found, counted, strict=True):
        assert mark == marks[row["setup"]]
        last_digit = 10.0 ** -len(speed.partition(".")[2])
        assert float(speed) == pytest.approx(float(row["speed_mps"]), abs=0.51 * last_digit)
        assert float(half) == pytest.approx(float(row["U95_mps"]), abs=0.51 * last_digit)


def test_what_does_not_count_is_told_with_its_reason(chrono, reported, tmp_path) -> None:
    path = unsound_recording(tmp_path / "close.tsv")
    rows = list(csv.DictReader(io.StringIO(chrono("export", path).out)))
    text = reported(path).text

    aside = [row["shot"] for row in rows if row["counted"] == "false"]
    assert len(aside) == 18
    assert f"unsound 18 {', '.join(aside[:10])} … and 8 more No pair of edges is" in text
    assert "2 shots counted, 18 set aside" in text


def test_reasons_are_the_flags_that_keep_a_shot_out_the_most_frequent_first(
    reported, tmp_path
) -> None:
    held = [
        record("mark", {"action": "hold-on"}),
        shot(19),
        record("mark", {"action": "hold-off"}),
    ]
    rows = [setup("a"), shot(20), *held, shot(1), shot(21), shot(0.9), shot(0.8)]
    text = reported(write_recording(tmp_path / "x.tsv", rows)).text

    assert re.search(r"too-slow 3 3 \([\d.]+\), 5 \([\d.]+\), 6 \([\d.]+\) The shot", text)
    assert text.index("too-slow 3") < text.index("on hold 1 2 (")


def test_the_page_tells_setups_and_their_difference(reported) -> None:
    text = reported(BANDS).text

    assert "2025-05-16, 14:00 UTC+0200: 40 shots of squash ball in 1.99 minutes" in text
    assert re.search(r"two bands 20 22\.20 ± 0\.\d\d m/s", text)
    answer = "three bands is faster than two bands by 4.9 ± 0.4 m/s (95 %)."
    assert f"Made by chrono-gates {__version__}. {answer} Comparison" in text
    assert (
        "three bands against two bands: faster by 4.9 ± 0.4 m/s (95 %), which is 22.1 %" in text
    )
    assert "Rigs: there is one recording, so there is one rig." in text
    assert "conditions launcher sling, bands 2" in text
    assert "gate spacing 300 mm ± 0.5 mm" in text
    assert "counter 32 bits at 16 MHz" in text
    assert "gate spacing not calibrated; the stated limits are used" in text


def test_the_interval_of_s_is_that_of_the_chi_square(reported) -> None:
    # s = 0.43908 m/s of 20 shots; 32.852 and 8.907 are the 0.975 and 0.025 points of χ² for 19
    # degrees of freedom (NIST e-Handbook 1.3.6.7.4).
    low, high = (0.43908 * np.sqrt(19 / point) for point in (32.852, 8.907))
    assert f"s 0.439 m/s ({low:.2g} … {high:.2g})" in reported(BANDS).text


def test_the_budget_is_that_of_the_shot_with_the_median_speed(chrono, reported) -> None:
    rows = csv.DictReader(io.StringIO(chrono("export", BANDS).out))
    own = sorted((float(r["speed_mps"]), r["shot"]) for r in rows if r["setup"] == "two bands")
    assert f"Shot {own[10][1]} has the median speed of two bands" in reported(BANDS).text


def test_the_budget_adds_up(reported) -> None:
    text = reported(PLAIN).text
    part = text[text.index("share of u² [%]") : text.index("Random part of u")]
    rows = re.findall(r"(random|shared) ([\d.e-]+) ([\d.]+)", part)
    u = float(re.search(r"Combined u: ([\d.]+)[.] ", text)[1])  # type: ignore[index]

    assert len(rows) == 11
    assert sum(float(share) for _, _, share in rows) == pytest.approx(100, abs=0.5)
    assert np.sqrt(sum(float(own) ** 2 for _, own, _ in rows)) == pytest.approx(
        u, rel=0.05
    )  # of two digits
    for _, own, share in rows:
        assert 100 * (float(own) / u) ** 2 == pytest.approx(float(share), abs=4)


def test_a_transit_of_one_tick_more_or_less_moves_the_speed_by_hand(reported) -> None:
    """A tick of 4 µs is 1/1137 of the transit: 2 / 1137 of 21.98 m/s is 0.039 m/s."""
    text = reported(PLAIN).text
    assert "21.98 ± 0.22 m/s. Its transit lasted 4548 us, which is 1137 ticks of 4 us" in text
    assert "one tick longer or one tick shorter: 21.96 … 22.00 m/s." in text


def test_pictures_have_titles_and_descriptions_and_ids_are_unlike(reported) -> None:
    found = reported(BANDS, PLAIN)

    pictures = found.named("svg")
    assert len(pictures) == 4
    ids = [attributes["id"] for _, attributes in found.tags if "id" in attributes]
    assert len(ids) == len(set(ids))
    for picture in pictures:
        assert picture["role"] == "img"
        assert set(picture["aria-labelledby"].split()) <= set(ids)
    referred = [
        value.rpartition("#")[2].rstrip(")")
        for _, attributes in found.tags
        for name, value in attributes.items()
        if (name == "xlink:href" or "url(#" in value) and "#" in value
    ]
    assert set(referred) <= set(ids)


HOSTILE = (
    "<script>alert(1)</script>",
    '"><img src=x onerror=alert(1)>',
    "</style></svg></title><b onload=alert(1)>",
    "{{ 7919 * 7907 }}{% raw %}",
    "&lt;i&gt; & $x_1$",
)


@pytest.mark.parametrize("text", HOSTILE)
def test_text_from_outside_is_text_only(reported, tmp_path, text) -> None:
    rig = RIG | {"name": text, "body": {"name": text}}
    note = record("mark", {"action": "note", "text": text})
    held = record("mark", {"action": "hold-on"})
    rows = [setup(text, **{text: text}), shot(20), shot(20.2), note, held, shot(20.1)]
    recording = write_recording(tmp_path / "x.tsv", rows, rig)
    key = int(read_recording(recording).session.log.shots["key"][0])
    said = (
        ("set-aside", key, text),
        ("note", int(read_recording(recording).session.log.shots["key"][1]), text),
    )
    marks = [record("mark", {"action": a, "shot": k, "text": t}) for a, k, t in said]
    found = reported(write_recording(tmp_path / "y.tsv", [*rows, *marks], rig))

    assert found.named("img") == []
    assert found.named("b") == []
    assert "62615533" not in found.text
    # Rig, body, setup, its condition, session's note, reason, shot's note.
    assert found.text.count(" ".join(text.split())) >= 8
    assert f"set aside: {text}" in found.text


def test_a_file_s_name_is_text_only(reported, tmp_path) -> None:
    recording = tmp_path / "<img src=x>.tsv"
    recording.write_bytes(PLAIN.read_bytes())
    found = reported(recording)

    assert found.named("img") == []
    assert "Speeds clocked: <img src=x>.tsv" in found.text


def test_characters_that_a_terminal_or_reader_obeys_are_shown_as_a_dot(
    reported, tmp_path
) -> None:
    note = record("mark", {"action": "note", "text": "c\u202ed\x07"})
    rows = [setup("a\u202eb\x1b[31m"), shot(20), note, shot(20.2)]
    text = reported(write_recording(tmp_path / "x.tsv", rows)).text

    assert "a·b·[31m" in text
    assert "note: c·d·" in text
    assert "\u202e" not in text


def test_a_long_session_is_cut_and_says_what_is_left_out(reported, tmp_path) -> None:
    rng = np.random.default_rng(2)
    held = [record("mark", {"action": "hold-on"}), *map(shot, rng.normal(20, 0.4, 30))]
    rows = [setup("a"), *map(shot, rng.normal(20, 0.4, 3000)), *held]
    recording = write_recording(tmp_path / "x.tsv", rows)
    text = reported(recording).text

    assert text.count(" ● ") == 50 + 2  # the list of shots, the table of setups, its details
    assert (
        "The list shows the first 25 and the last 25 counted shots. The results and the "
        "picture also use the 2950 counted shots between them (26 to 2975)"
    ) in text
    assert re.search(r"on hold 30 3001 \(.*\), .* 3010 \([\d.]+\) … and 20 more", text)
    assert (tmp_path / "out.html").stat().st_size < 300_000


def test_many_setups_and_many_reasons_are_counted_not_listed(reported, tmp_path) -> None:
    rows = [row for i in range(14) for row in (setup(f"s{i}"), shot(20 + i), shot(20.1 + i))]
    recording = write_recording(tmp_path / "x.tsv", rows)
    keys = read_recording(recording).session.log.shots["key"].tolist()
    marks = [
        record("mark", {"action": "set-aside", "shot": keys[2 * i], "text": f"why {i}"})
        for i in range(11)
    ]
    text = reported(write_recording(tmp_path / "y.tsv", [*rows, *marks])).text

    assert "6 more setups are left out of this table" in text
    assert "3 shots more for 3 other reasons" in text
    # Fourteen setups make 91 pairs: a matrix in two pieces shows every one.
    assert text.count("Comparison of the two fastest setups: s13 against s12") == 1
    assert text.count(" against s") == 1
    matrix = text.split("All pairs")[1].split("Each cell shows")[0]
    first, second = matrix.split("setup 10 11 12 13")
    cells = [len(re.findall(r"\S*[*~·?](?!\S)", piece)) for piece in (first, second)]
    assert cells == [81, 10]


def test_the_page_names_each_body_that_flew_in_a_setup(reported, tmp_path) -> None:
    def ball(mass_kg: float) -> tuple[str, str]:
        body = {"mass_kg": mass_kg, "diameter_m": 0.04}
        return record("setup", {"name": "sling", "body": body, "conditions": {}})

    one = [ball(0.024), shot(20), shot(21), ball(0.99)]
    two = [*one[:2], ball(0.048), shot(21), *one[-1:]]
    texts = [
        reported(write_recording(tmp_path / f"{i}.tsv", rows)).text
        for i, rows in enumerate((one, two))
    ]

    assert re.search(r"its body [^;]*, 24 g, 40 mm across, [^;]* round", texts[0])
    assert re.search(r"its bodies [^;]*, 24 g, 40 mm [^;]*; [^;]*, 48 g, 40 mm ", texts[1])
    assert not any("990 g" in text for text in texts)


def test_the_body_of_a_shot_that_is_set_aside_is_not_named(reported, tmp_path) -> None:
    def ball(mass_kg: float) -> tuple[str, str]:
        return record("setup", {"name": "sling", "body": {"mass_kg": mass_kg}})

    rows = [ball(0.024), shot(20), ball(0.048), shot(21)]
    keys = read_recording(write_recording(tmp_path / "x.tsv", rows)).session.log.shots["key"]
    aside = {"action": "set-aside", "shot": int(keys[1]), "text": "heavy"}
    text = reported(write_recording(tmp_path / "y.tsv", [*rows, record("mark", aside)])).text

    assert re.search(r"its body [^;]*, 24 g, ", text)
    assert "48 g" not in text


def test_what_is_left_out_alone_is_told_in_the_singular(reported, tmp_path) -> None:
    notes = [record("mark", {"action": "note", "text": f"wind {i}"}) for i in range(9)]
    rows = [row for i in range(9) for row in (setup(f"s{i}"), shot(20 + i))]
    rows += [setup("s0"), shot(20.5), *notes]
    text = reported(write_recording(tmp_path / "x.tsv", rows)).text

    assert "1 more setup is left out of this table" in text
    assert "1 earlier note is not shown here; it is in the recording" in text


def test_more_than_three_setups_are_compared_in_a_matrix(reported, tmp_path) -> None:
    rows = [
        row
        for turn in range(4)
        for i in range(5)
        for row in (setup(f"s{i}"), shot(20 + 3 * i + 0.1 * ((turn + i) % 3)))
    ]
    text = reported(write_recording(tmp_path / "x.tsv", rows)).text

    assert "s4 is the fastest of the 5 setups." in text
    assert re.search(r"All pairs setup 1 2 3 4 1 s0 2 s1 \+[\d.]+\* 3 s2 \+[\d.]+\* \+", text)
    assert "the shots do not show that one setup has less scatter" in text


def test_several_recordings_are_told_apart_and_compared(reported) -> None:
    text = reported(BANDS, PLAIN).text

    assert "Speeds clocked: plain-lines" not in text
    assert "two-and-three-bands.tsv, plain-lines-4us.tsv" in text
    assert "plain-lines-4us.tsv: two bands against two-and-three-bands.tsv: two bands:" in text
    assert "All setups together:" in text


def test_a_title_names_up_to_three_recordings_and_counts_more(chrono, tmp_path) -> None:
    paths = [tmp_path / f"{letter}.tsv" for letter in "abcd"]
    for path in paths:
        write_recording(path, [setup("plain"), shot(20)])

    titles = []
    for count in (3, 4):
        out = tmp_path / f"{count}.html"
        assert chrono("report", *paths[:count], "-o", out).code == 0
        titles += re.findall("<title>(.*?)</title>", out.read_text("utf-8"))

    assert "Speeds clocked: a.tsv, b.tsv, c.tsv" in titles
    assert "Speeds clocked: 4 recordings" in titles


def test_the_page_says_which_rigs_were_taken_and_the_option_overrules_it(reported) -> None:
    both = reported(BANDS, PLAIN).text
    assert "Rigs: 2 different rigs for the 2 recordings" in both
    told = reported(BANDS, PLAIN, "--rigs", "one").text
    assert "Rigs: the program assumes one rig for all 2 recordings, as you requested." in told


def test_a_setup_of_one_shot_and_a_session_without_any_have_a_page(reported, tmp_path) -> None:
    one = reported(write_recording(tmp_path / "x.tsv", [setup("a"), shot(20)])).text
    assert "1 shot of squash ball through two light gates" in one
    assert "1 shot counted, 0 set aside" in one

    none = reported(write_recording(tmp_path / "y.tsv", [setup("a")])).text
    assert "0 shots of squash ball" in none
    assert "apart. 0 shots counted" in none
    assert "Error budget" not in none


ALL_MARKS = (
    "A band shows the mean",
    "A dotted line shows where",
    "A cross is a shot that is not counted",
)


def test_the_words_below_a_picture_explain_only_what_it_has(reported, tmp_path) -> None:
    bands, lines, crosses = ALL_MARKS
    few = [row for i in range(4) for row in (setup(f"s{i}"), shot(20), shot(20.1))]
    many = [row for i in range(50) for row in (setup(f"s{i % 2}"), shot(20 + i % 2))]
    held = [setup("a"), record("mark", {"action": "hold-on"}), shot(20), shot(21)]
    for place, (rows, has) in enumerate(
        [(few, {lines, bands}), (many, {bands}), (held, {crosses}), (few + held, {*ALL_MARKS})]
    ):
        text = reported(write_recording(tmp_path / f"{place}.tsv", rows)).text
        assert {mark for mark in ALL_MARKS if mark in text} == has
    assert "Speeds in m/s. No shot is counted." in reported(tmp_path / "2.tsv").text


def test_calibrations_are_told_with_date_value_and_evidence(reported, tmp_path) -> None:
    calibration = {
        "clock": {
            "rate_error": 12.5e-6,
            "rate_error_u": 2e-6,
            "dof": 30.04,
            "date": "2025-05-01",
        },
        "latency": {"difference_s": 1.5e-6, "difference_u_s": 2e-7, "date": "2025-05-02"},
        "spacing": {"spacing_m": 0.3002, "spacing_u_m": 1e-4, "evidence": "drops.tsv"},
    }
    rows = [setup("a"), shot(20), shot(21)]
    recording = write_recording(tmp_path / "x.tsv", rows, RIG | {"calibration": calibration})
    text = reported(recording).text

    assert "+12.5 ppm, u = 2 ppm, 30 degrees of freedom, 2025-05-01" in text
    assert "gate B reacts 1.5 us later than gate A, u = 0.2 us, 2025-05-02" in text
    assert "300.2 mm, u = 0.1 mm, date not given (drops.tsv)" in text
    assert "through two light gates 300.2 mm apart" in text


def test_what_is_wrong_with_the_data_is_on_the_page_and_ends_with_one(
    reported, tmp_path
) -> None:
    cut = tmp_path / "cut.tsv"
    cut.write_bytes(PLAIN.read_bytes()[:-3] + b"\n99\tboard\tnoise\n88")
    text = reported(cut, code=1).text

    assert "data that could not be used 1 damaged line" in text
    assert "incomplete end of the recording: line 127 is cut off" in text


def test_a_page_says_with_which_rig_it_was_measured(chrono, reported, tmp_path) -> None:
    assert "measured with the rig in the recording" in reported(BANDS).text

    chrono("rig", "new", "other.toml")
    text = reported(BANDS, "--rig", "other.toml").text
    assert "measured with the rig file other.toml instead of the rig in the recording" in text


def test_a_rig_s_own_unit_is_the_page_s(chrono, reported, tmp_path) -> None:
    held = [
        record("mark", {"action": "hold-on"}),
        shot(19),
        record("mark", {"action": "hold-off"}),
    ]
    rows = [setup("a"), shot(20), shot(20.2), *held, shot(21)]
    recording = write_recording(tmp_path / "x.tsv", rows, RIG | {"speed_unit": "km/h"})
    exported = csv.DictReader(io.StringIO(chrono("export", recording).out))
    kmh = [3.6 * float(row["speed_mps"]) for row in exported]
    text = reported(recording).text

    counted = [float(v) for v in re.findall(r"\d ● ([\d.]+) ± ", text)]
    assert counted == pytest.approx([kmh[0], kmh[1], kmh[3]], abs=0.051)
    assert f"on hold 1 3 ({kmh[2]:.4g})" in text
    assert "m/s" not in text
    u = re.search(r"gate spacing ± 0.5 mm rectangular shared ([\d.]+)", text)
    assert u
    assert float(u[1]) == pytest.approx(kmh[1] * 0.5 / 300 / 3**0.5, rel=0.03)


def luminance(colour: str) -> float:
    """Return the relative luminance of a colour (WCAG 2.2, definition)."""
    parts = [int(colour[i : i + 2], 16) / 255 for i in (1, 3, 5)]
    linear = [p / 12.92 if p <= 0.04045 else ((p + 0.055) / 1.055) ** 2.4 for p in parts]
    return float(np.dot([0.2126, 0.7152, 0.0722], linear))


def contrast(one: str, other: str) -> float:
    low, high = sorted((luminance(one), luminance(other)))
    return (high + 0.05) / (low + 0.05)


@pytest.mark.parametrize("theme", [0, 1], ids=["light", "dark"])
def test_colours_stand_out_from_the_paper(theme) -> None:
    # WCAG 2.2: text 4.5 : 1 (1.4.3), parts of a picture 3 : 1 (1.4.11). Orange and sky blue on
    # white fall short of that; their dots differ by shape, and their names stand beside them.
    style = (TEMPLATES / "page.css").read_text("utf-8")
    blocks = re.findall(r":root \{(.*?)\}", style, re.DOTALL)
    assert len(blocks) == 2
    colours = dict(re.findall(r"--(\w+): (#[0-9a-f]{6})", blocks[theme]))
    assert len(colours) == 11
    paper = colours["paper"]
    assert contrast(colours["ink"], paper) >= 7
    assert contrast(colours["pale"], paper) >= 4.5
    for place in range(6):
        assert contrast(colours[f"setup{place}"], paper) >= (2 if theme == 0 else 3)


def test_pictures_follow_the_page_s_light_and_dark(chrono, tmp_path) -> None:
    assert chrono("report", BANDS, "-o", "out.html").code == 0
    html = (tmp_path / "out.html").read_text("utf-8")
    drawn = html[html.index("<svg") : html.rindex("</svg>")]
    colours = set(re.findall(r"(?<!,)#[0-9a-f]{6}\b", drawn))
    assert colours == set()
    assert "var(--setup0,#0072b2)" in drawn


def test_a_page_that_is_there_is_left_alone(chrono, tmp_path) -> None:
    write_new(tmp_path / "x.html", b"mine")
    is_one_clear_complaint(chrono("report", BANDS, "-o", "x.html"), "x.html", "exists")
    assert (tmp_path / "x.html").read_bytes() == b"mine"


def test_wrong_endings_and_missing_files_are_one_complaint(chrono, tmp_path) -> None:
    is_one_clear_complaint(chrono("report", BANDS, "-o", "x.docx"), "'.docx'", ".html or .pdf")
    is_one_clear_complaint(chrono("report", "none.tsv", "-o", "x.html"), "none.tsv")
    is_one_clear_complaint(chrono("report", BANDS, "-o", "no/x.html"), "cannot be written")
    assert list(tmp_path.iterdir()) == []


@pytest.mark.parametrize("command", ["report", "worksheet"])
def test_without_weasyprint_one_line_says_what_to_install(
    chrono, tmp_path, monkeypatch, command
) -> None:
    monkeypatch.setitem(sys.modules, "weasyprint", None)
    refused = chrono(command, BANDS, "-o", "x.pdf")
    is_one_clear_complaint(refused, "pip install weasyprint", "from a browser")
    assert list(tmp_path.iterdir()) == []


def test_a_library_that_the_system_lacks_is_named(chrono, tmp_path, monkeypatch) -> None:
    package = tmp_path / "lacking" / "weasyprint.py"
    package.parent.mkdir()
    package.write_text("raise OSError('cannot load library libpango-1.0-0')")
    monkeypatch.syspath_prepend(package.parent)
    monkeypatch.delitem(sys.modules, "weasyprint", raising=False)
    refused = chrono("report", BANDS, "-o", "x.pdf")
    is_one_clear_complaint(
        refused, "cannot load library libpango-1.0-0", "apt-get install libpango"
    )


def test_a_page_that_weasyprint_cannot_lay_out_is_one_complaint(
    chrono, tmp_path, monkeypatch
) -> None:
    def fail(*_: object, **__: object) -> None:
        raise AssertionError

    monkeypatch.setattr("weasyprint.HTML.write_pdf", fail)
    refused = chrono("report", BANDS, "-o", "x.pdf")
    is_one_clear_complaint(refused, "cannot make a PDF of this page", "print the page from")
    assert list(tmp_path.iterdir()) == []
