"""Pictures of speeds: every dot where its speed belongs, words for who cannot see them."""

import csv
import io
import json
import re
import sys
from pathlib import Path
from xml.etree import ElementTree

import numpy as np
import pytest
from command_kit import is_one_clear_complaint
from interval_kit import RIG, record, setup, shot, write_recording
from matplotlib import rc_context
from matplotlib.figure import Figure
from matplotlib.textpath import TextPath

from chrono.reports.speed_picture import (
    COLOURS,
    MARKERS,
    NARROW,
    WIDE,
    _fill,
    _legend_text,
    picture_svg,
)
from chrono.session.recording_loader import read_recording
from chrono.session.report_content import plotted_speeds

RECORDINGS = Path(__file__).parents[2] / "recordings"
BANDS = RECORDINGS / "two-and-three-bands.tsv"
PLAIN = RECORDINGS / "plain-lines-4us.tsv"
SVG = "{http://www.w3.org/2000/svg}"

OKABE_ITO = {
    "#000000",
    "#e69f00",
    "#56b4e9",
    "#009e73",
    "#f0e442",
    "#0072b2",
    "#d55e00",
    "#cc79a7",
}
"""Okabe and Ito, Color Universal Design (2008): black, orange, sky blue, bluish green, yellow,
blue, vermillion, reddish purple; from memory."""


@pytest.fixture(name="drawn")
def _drawn(chrono, tmp_path):
    """Draw a recording and return the SVG's root."""

    def draw(recording: Path) -> ElementTree.Element:
        out = tmp_path / "out.svg"
        done = chrono("picture", recording, "-o", out)
        assert done.code == 0, done.err
        return ElementTree.fromstring(out.read_bytes())

    return draw


def fill_of(element: ElementTree.Element) -> str:
    found = re.search(r"fill: (#[0-9a-f]{6})", element.get("style", ""))
    return found[1] if found else ""


def dots(root: ElementTree.Element, colour: str) -> np.ndarray:
    """Return the places of a colour's dots as rows of x and y, those of the legend left out."""
    found = [
        (float(use.get("x", "")), float(use.get("y", "")))
        for use in root.iter(f"{SVG}use")
        if fill_of(use) == colour and "fill-opacity" not in use.get("style", "")
    ]
    return np.array(found)


def upright_lines(root: ElementTree.Element, colour: str) -> np.ndarray:
    """Return the upright lines of a colour as rows of x, y, y."""
    found = []
    for path in root.iter(f"{SVG}path"):
        ends = re.findall(r"[ML] ([-\d.]+) ([-\d.]+)", path.get("d", ""))
        if f"stroke: {colour}" in path.get("style", "") and len(ends) == 2:
            (x, y), (x_end, y_end) = ((float(a), float(b)) for a, b in ends)
            if x == x_end:
                found.append((x, y, y_end))
    return np.array(found)


def test_dots_stand_where_the_exported_speeds_belong(chrono) -> None:
    rows = list(csv.DictReader(io.StringIO(chrono("export", BANDS).out)))
    root = ElementTree.fromstring(
        picture_svg(plotted_speeds(read_recording(BANDS)), NARROW, "k")
    )

    places, true = [], []
    for colour, name in ((COLOURS[0], "two bands"), (COLOURS[1], "three bands")):
        at = dots(root, colour)
        assert len(at) == 21
        places.append(at[at[:, 1] < at[:, 1].max()])  # the lowest one is the legend's
        own = [row for row in rows if row["setup"] == name]
        true += [(float(row["shot"]), float(row["speed_mps"])) for row in own]
    for drawn_at, value in zip(np.concatenate(places).T, np.array(true).T, strict=True):
        line = np.polyfit(value, drawn_at, 1)
        assert np.max(np.abs(np.polyval(line, value) - drawn_at)) < 0.01
    assert line[0] < 0  # faster is higher up


def test_intervals_are_as_long_as_the_exported_ones(chrono, drawn) -> None:
    rows = list(csv.DictReader(io.StringIO(chrono("export", PLAIN).out)))
    speed, half = (
        np.array([float(r[name]) for r in rows]) for name in ("speed_mps", "U95_mps")
    )
    lines = upright_lines(drawn(PLAIN), COLOURS[0])

    assert len(lines) == 60
    lines = lines[np.argsort(lines[:, 0])]
    ends = np.sort(lines[:, 1:], axis=1)
    slope, start = np.polyfit(speed, ends.mean(axis=1), 1)
    assert ends[:, 0] == pytest.approx(start + slope * (speed + half), abs=0.02)
    assert ends[:, 1] == pytest.approx(start + slope * (speed - half), abs=0.02)


def of_paths(root: ElementTree.Element, *words: str) -> list[np.ndarray]:
    """Return the corners of the paths in whose style these words are, as rows of x and y."""
    return [
        np.array(re.findall(r"[ML] ([-\d.]+) ([-\d.]+)", path.get("d", "")), float)
        for path in root.iter(f"{SVG}path")
        if all(word in path.get("style", "") for word in words)
    ]


def scales(root: ElementTree.Element, numbers: list[float], speeds: list[float]):
    """Return the straight lines from number to x and from speed to y, told by the dots."""
    at = dots(root, COLOURS[0])
    at = at[at[:, 1] < at[:, 1].max()]
    return np.polyfit(numbers, at[:, 0], 1), np.polyfit(speeds, at[:, 1], 1)


def test_the_mean_its_band_and_the_changes_stand_where_they_belong(chrono) -> None:
    rows = list(csv.DictReader(io.StringIO(chrono("export", BANDS).out)))
    own = [row for row in rows if row["setup"] == "two bands"]
    speeds = [float(row["speed_mps"]) for row in own]
    (told,) = json.loads(chrono("summary", BANDS, "--json").out)
    half = told["setups"][0]["U95_mean_mps"]
    root = ElementTree.fromstring(
        picture_svg(plotted_speeds(read_recording(BANDS)), NARROW, "k")
    )
    to_x, to_y = scales(root, [float(row["shot"]) for row in own], speeds)

    (line,) = [
        corners
        for corners in of_paths(root, f"stroke: {COLOURS[0]}", "square")
        if len(corners) == 2 and corners[0][1] == corners[1][1]
    ]
    assert line[0][1] == pytest.approx(np.polyval(to_y, np.mean(speeds)), abs=0.01)
    assert line[:, 0] == pytest.approx(np.polyval(to_x, [0.6, 30.4]), abs=0.01)

    (band,) = [
        use
        for use in root.iter(f"{SVG}use")
        if fill_of(use) == COLOURS[0] and "fill-opacity" in use.get("style", "")
    ]
    name = band.get("{http://www.w3.org/1999/xlink}href", "").lstrip("#")
    (shape,) = [path for path in root.iter(f"{SVG}path") if path.get("id") == name]
    heights = np.array(re.findall(r"[ML] [-\d.]+ ([-\d.]+)", shape.get("d", "")), float)
    heights += float(band.get("y", ""))
    ends = np.polyval(to_y, [np.mean(speeds) + half, np.mean(speeds) - half])
    assert [heights.min(), heights.max()] == pytest.approx(ends, abs=0.02)

    changes = [corners[0][0] for corners in of_paths(root, "stroke-dasharray")]
    assert changes == pytest.approx(np.polyval(to_x, [10.5, 20.5, 30.5]), abs=0.01)


def test_shots_in_turn_have_no_forest_of_lines(tmp_path) -> None:
    rows = [row for i in range(26) for row in (setup("ab"[i % 2]), shot(20 + i / 50))]
    plotted = plotted_speeds(read_recording(write_recording(tmp_path / "x.tsv", rows)))
    assert len(plotted.changes) == 25
    root = ElementTree.fromstring(picture_svg(plotted, NARROW, "k"))
    assert of_paths(root, "stroke-dasharray") == []


def test_setups_differ_by_colour_that_all_can_tell_and_by_shape() -> None:
    assert set(COLOURS) <= OKABE_ITO
    assert len(set(COLOURS)) == len(COLOURS)
    assert len(set(MARKERS)) == len(MARKERS)
    pairs = {(COLOURS[i % len(COLOURS)], MARKERS[i % len(MARKERS)]) for i in range(42)}
    assert len(pairs) == 42


def test_a_picture_says_in_words_what_it_shows(drawn) -> None:
    root = drawn(BANDS)

    assert root.get("role") == "img"
    words = {
        part.get("id"): part.text or "" for part in root if part.tag.endswith(("title", "desc"))
    }
    assert root.get("aria-labelledby") == " ".join(words)
    title, desc = words.values()
    assert "two-and-three-bands.tsv" in title
    assert re.search(r"two bands: 20 counted, mean 22\.20 ± 0\.\d\d m/s \(95 %\)\.", desc)
    assert "The setup changed 3 times." in desc
    assert float(root.get("width", "").removesuffix("mm")) == 180


def test_a_png_is_one_and_carries_the_words(chrono, tmp_path) -> None:
    out = tmp_path / "out.png"
    done = chrono("picture", PLAIN, "-o", out)

    assert done.code == 0, done.err
    content = out.read_bytes()
    assert content.startswith(b"\x89PNG\r\n\x1a\n")
    assert content.endswith(b"IEND\xaeB\x60\x82")
    assert b"two bands: 60 counted" in content
    assert re.search(r"two bands: 60 counted, mean 22\.03 ± 0\.\d\d m/s", done.err)


HOSTILE = (
    "<script>alert(1)</script>",
    '$\\frac{1}{0}$ & "x"',
    "_hidden",
    "\u202eback",
    "ボール 🎾",
)


@pytest.mark.parametrize("name", HOSTILE)
@pytest.mark.parametrize("ending", ["svg", "png"])
def test_a_name_is_drawn_as_text_whatever_it_says(chrono, tmp_path, name, ending) -> None:
    rows = [setup(name), *(shot(20 + i / 10) for i in range(4))]
    recording = write_recording(tmp_path / "x.tsv", rows)
    out = tmp_path / f"out.{ending}"
    done = chrono("picture", recording, "-o", out)

    assert done.code == 0, done.err
    if ending == "svg":
        root = ElementTree.fromstring(out.read_bytes())
        texts = " ".join("".join(text.itertext()) for text in root.iter(f"{SVG}text"))
        assert name.replace("\u202e", "·") in texts
        assert not [e for e in root.iter() if e.tag.endswith("script")]


@pytest.mark.parametrize("name", ["שתי רצועות", "ثلاثة"])
def test_numbers_behind_a_name_from_right_to_left_keep_their_order(tmp_path, name) -> None:
    rows = [setup(name), *map(shot, (20, 20.2, 20.4)), setup("a"), shot(20), shot(21)]
    plotted = plotted_speeds(read_recording(write_recording(tmp_path / "x.tsv", rows)))
    svg = picture_svg(plotted, WIDE, "k")
    # UAX 9: numbers after a mark from left to right are laid out from left to right.
    assert f"{name}\u200e: 20" in svg
    assert "a: 2" in svg


@pytest.mark.parametrize("name", ["שתי רצועות", "ثلاثة"])
def test_a_name_from_right_to_left_is_drawn_before_its_numbers(tmp_path, name) -> None:
    rows = [setup(name), *map(shot, (20, 20.2, 20.4))]
    plotted = plotted_speeds(read_recording(write_recording(tmp_path / "x.tsv", rows)))
    text = _legend_text(plotted.setups[0], "m/s", room_mm=200)
    line, number = (TextPath((0, 0), each, size=12) for each in (text, "n 3"))
    begin = line.get_extents().xmax - number.get_extents().width
    at_end = line.vertices[line.vertices[:, 0] >= begin - 0.05]
    assert text.endswith("n 3")
    assert np.ptp(at_end[:, 1]) == pytest.approx(np.ptp(number.vertices[:, 1]))


@pytest.mark.parametrize("size", [WIDE, NARROW])
def test_a_long_session_is_thinned_and_says_so(chrono, tmp_path, size) -> None:
    speeds = np.random.default_rng(1).normal(20, 0.4, 1000)
    recording = write_recording(tmp_path / "x.tsv", [setup("a"), *map(shot, speeds)])
    plotted = plotted_speeds(read_recording(recording))

    (drawn,) = plotted.setups
    assert drawn.per_dot == 5
    assert len(drawn.number) == 200
    rows = csv.DictReader(io.StringIO(chrono("export", recording).out))
    true = np.array([float(row["speed_mps"]) for row in rows])
    assert true == pytest.approx(speeds, rel=2e-3)
    groups = true.reshape(200, 5)
    assert drawn.speed_mps == pytest.approx(groups.mean(axis=1), abs=1e-6)
    assert drawn.low_mps == pytest.approx(groups.min(axis=1), abs=1e-6)
    assert drawn.high_mps == pytest.approx(groups.max(axis=1), abs=1e-6)
    assert drawn.number == pytest.approx(np.arange(1000).reshape(200, 5).mean(axis=1) + 1)
    svg = picture_svg(plotted, size, "k")
    assert "Each dot is the mean of up to 5 shots" in svg
    assert len(svg) < 150_000


def test_the_last_dot_of_a_thinned_session_may_stand_for_fewer_shots(tmp_path) -> None:
    rows = [setup("a"), *(shot(20 + i / 100) for i in range(25))]
    recorded = read_recording(write_recording(tmp_path / "x.tsv", rows))

    (drawn,) = plotted_speeds(recorded, most_dots=12).setups
    assert drawn.per_dot == 3
    assert drawn.number.tolist() == [*range(2, 25, 3), 25]
    assert drawn.high_mps[-1] == drawn.low_mps[-1] == drawn.speed_mps[-1]


def test_shots_that_do_not_count_are_drawn_apart_and_cannot_squeeze_the_others(
    tmp_path,
) -> None:
    held = [
        record("mark", {"action": "hold-on"}),
        shot(100),
        record("mark", {"action": "hold-off"}),
    ]
    rows = [setup("a"), shot(20), shot(20.2), *held, shot(20.1)]
    plotted = plotted_speeds(read_recording(write_recording(tmp_path / "x.tsv", rows)))

    assert plotted.aside_number.tolist() == [3]
    assert plotted.aside_mps == pytest.approx([100], rel=1e-3)
    assert plotted.setups[0].number.tolist() == [1, 2, 4]
    svg = picture_svg(plotted, WIDE, "k")
    assert "not counted (1 of 1 shots are not shown)" in svg
    assert "1 shots have a speed but are not counted" not in svg
    assert "1 shot has a speed but is not counted" in svg


def test_a_change_back_to_a_setup_is_a_change_and_the_same_name_again_is_none(tmp_path) -> None:
    rows = [
        setup("a"),
        shot(20),
        setup("a"),
        shot(20),
        setup("b"),
        shot(20),
        setup("a"),
        shot(20),
    ]
    plotted = plotted_speeds(read_recording(write_recording(tmp_path / "x.tsv", rows)))

    assert plotted.changes.tolist() == [3, 4]


def test_a_rig_s_own_unit_is_the_picture_s(tmp_path) -> None:
    rows = [setup("a"), shot(20), shot(21)]
    recording = write_recording(tmp_path / "x.tsv", rows, RIG | {"speed_unit": "km/h"})
    svg = picture_svg(plotted_speeds(read_recording(recording)), NARROW, "k")

    assert "speed / (km/h)" in svg
    ticks = [float(tick) for tick in re.findall(r">(\d\d\.?\d*)<", svg)]
    assert min(ticks) < 73 < 75 < max(ticks) + 1


@pytest.mark.parametrize("name", ["W" * 300, "Щ" * 300, "two bands, 1.5 bar, cold ball"])
def test_a_narrow_legend_holds_its_text_and_loses_no_more_than_it_must(tmp_path, name) -> None:
    recording = write_recording(tmp_path / "x.tsv", [setup(name), shot(20), shot(20.4)])
    figure = Figure((NARROW.width_mm / 25.4, 4), layout="constrained")
    with rc_context({"font.size": 8.5}):
        _fill(figure, plotted_speeds(read_recording(recording)), NARROW)
        figure.draw_without_rendering()
        (text,) = figure.legends[0].get_texts()
        room = figure.bbox.x1 - text.get_window_extent().x1
        letter = text.get_window_extent().width / len(text.get_text())
    assert 0 <= room < 4 * letter or name in text.get_text()


@pytest.mark.parametrize(
    ("setups", "words"), [(9, "and 1 more setup<"), (11, "and 3 more setups<")]
)
def test_more_setups_than_the_legend_holds_are_counted(tmp_path, setups, words) -> None:
    rows = [
        row for i in range(setups) for row in (setup(f"s{i}"), shot(20 + i), shot(20.1 + i))
    ]
    plotted = plotted_speeds(read_recording(write_recording(tmp_path / "x.tsv", rows)))

    svg = picture_svg(plotted, WIDE, "k")
    assert "s7: " in re.sub("<desc.*?</desc>", "", svg)
    assert "s8: " not in re.sub("<desc.*?</desc>", "", svg)
    assert words in svg


def test_a_recording_without_shots_is_refused_and_leaves_no_file(chrono, tmp_path) -> None:
    recording = write_recording(tmp_path / "x.tsv", [setup("a")])
    is_one_clear_complaint(chrono("picture", recording, "-o", "y.svg"), "no shot has a speed")
    assert not (tmp_path / "y.svg").exists()


def test_a_file_that_is_there_is_left_alone(chrono, tmp_path) -> None:
    (tmp_path / "y.svg").write_text("mine")
    is_one_clear_complaint(chrono("picture", PLAIN, "-o", "y.svg"), "y.svg", "exists")
    assert (tmp_path / "y.svg").read_text() == "mine"


@pytest.mark.parametrize(
    ("out", "word"), [("y.gif", "'.gif'"), ("y", "''"), ("none/y.svg", "cannot be written")]
)
def test_a_place_that_cannot_be_written_to_is_one_complaint(chrono, out, word) -> None:
    is_one_clear_complaint(chrono("picture", PLAIN, "-o", out), out, word)


@pytest.mark.parametrize(("command", "out"), [("picture", "y.svg"), ("report", "y.html")])
def test_without_matplotlib_one_line_says_what_to_install_before_any_reading(
    chrono, tmp_path, monkeypatch, command, out
) -> None:
    monkeypatch.setitem(sys.modules, "matplotlib", None)
    is_one_clear_complaint(chrono(command, "none.tsv", "-o", out), "pip install matplotlib")
    assert list(tmp_path.iterdir()) == []


def test_what_was_set_aside_has_its_own_sign_in_the_legend(tmp_path) -> None:
    held = [
        record("mark", {"action": "hold-on"}),
        shot(21),
        record("mark", {"action": "hold-off"}),
    ]
    rows = [setup("a"), shot(20), shot(20.2), *held, setup("b"), shot(30), shot(31)]
    plotted = plotted_speeds(read_recording(write_recording(tmp_path / "x.tsv", rows, RIG)))
    figure = Figure()
    _fill(figure, plotted, WIDE)

    signs = [handle.get_marker() for handle in figure.legends[0].legend_handles]
    assert signs == [MARKERS[0], MARKERS[1], "x"]
