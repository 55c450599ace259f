"""Pages in headless Chromium: on a phone, on a wide screen and on paper."""

from pathlib import Path

import numpy as np
import pytest
from browser_kit import judge_by_axe, lay_out, printed_pages
from interval_kit import record, setup, shot, write_recording

pytestmark = pytest.mark.long

RECORDINGS = Path(__file__).parents[2] / "recordings"
DEMO = sorted(RECORDINGS.glob("*.tsv"))


def lies_well(page: Path, width: int) -> dict[str, object]:
    """Nothing on the console, nothing asked for, nothing beyond the edge or cut off."""
    found = lay_out(page, width)
    assert found["width"] == width
    assert found["elements"] > 100
    assert found["console"] == []
    assert found["asked"] == []
    assert found["wide"] <= width
    assert found["beyond"] == []
    assert found["cut"] == []
    return found


def thousands(folder: Path) -> Path:
    """Make a recording of 3,000 shots with two setups."""
    rng = np.random.default_rng(4)
    rows = [setup("a"), *map(shot, rng.normal(20, 0.3, 1500))]
    rows += [setup("b"), *map(shot, rng.normal(21, 0.3, 1500))]
    return write_recording(folder / "thousands.tsv", rows)


def wordy(folder: Path) -> Path:
    """Make a recording of 3,000 shots, eleven setups with long names and thirty reasons."""
    rng = np.random.default_rng(3)
    rows = []
    for place in range(11):
        rows.append(
            setup(f"{'a very long name for a setup ' * 4}{place}", **{"x" * 60: "y" * 60})
        )
        rows += map(shot, rng.normal(20 + place, 0.3, 270))
        rows += [record("mark", {"action": "note", "text": f"{'W' * 120} {place}"})]
    return write_recording(folder / f"{'n' * 60}.tsv", rows)


def hostile(folder: Path) -> Path:
    """Make a recording with names without a break, from right to left, and like a tag."""
    rows = []
    for place, name in enumerate(
        ("W" * 300, "שתי רצועות \u202e<b>", '<script x="1">&', "ثلاثة")
    ):
        rows += [setup(name, **{"k" * 100: "v" * 300}), *(shot(20 + place),) * 5]
    rows.append(record("mark", {"action": "note", "text": "n" * 300}))
    return write_recording(folder / "hostile.tsv", rows)


def uncounted(folder: Path) -> Path:
    """Make a recording in which no shot counts: one setup, all slower than the window."""
    return write_recording(folder / "uncounted.tsv", [setup("a"), *(shot(0.5),) * 3])


MADE = {
    "thousands": thousands,
    "wordy": wordy,
    "hostile": hostile,
    "uncounted": uncounted,
}
PAPERS = {"wordy": 7, "hostile": 5}
"""Names of 100 letters and more, and as many long notes, take more lines."""


@pytest.fixture(name="page", params=[*(path.stem for path in DEMO), *MADE])
def _page(request, chrono, tmp_path) -> Path:
    name = request.param
    recording = MADE[name](tmp_path) if name in MADE else RECORDINGS / f"{name}.tsv"
    out = tmp_path / f"{name}.html"
    done = chrono("report", recording, "-o", out)
    assert done.code == (1 if name == "noisy-hall" else 0), done.err  # a lamp flickers there
    return out


def test_a_report_lies_well_on_a_phone_and_on_a_wide_screen(page) -> None:
    for width, height_px in ((390, 9), (1280, 9), (320, 7)):
        found = lies_well(page, width)
        assert found["pictures"] == 1
        assert float(str(found["smallest"])) >= height_px


def test_a_report_is_printed_on_two_pages_and_a_long_one_not_on_forty(page) -> None:
    fewest = 1 if page.stem == "uncounted" else 2
    assert fewest <= printed_pages(page) <= PAPERS.get(page.stem, 2)


LOOKS = ([], ["--window-size=390,900"], ["--blink-settings=preferredColorScheme=0"])


def test_axe_finds_nothing_to_complain_about(page) -> None:
    for options in LOOKS:
        found = judge_by_axe(page, *options)
        assert found["passes"] > 25
        assert found["violations"] == []


def test_a_phone_folds_sections_that_a_wide_screen_shows(page) -> None:
    phone, wide = lay_out(page, 390), lay_out(page, 1280)
    assert phone["switches"] >= 2
    assert wide["switches"] == 0
    assert phone["tall"] < 4000 or page.stem == "wordy"
    assert "Rig: " in phone["text"]
    assert "SHA-256" not in phone["text"]
    assert "SHA-256" in wide["text"]


@pytest.mark.parametrize("name", ["two-and-three-bands", "plain-lines-4us"])
def test_a_worksheet_and_its_key_lie_well_and_fit_on_their_papers(
    chrono, tmp_path, name
) -> None:
    recording = RECORDINGS / f"{name}.tsv"
    done = chrono("worksheet", recording, "-o", tmp_path / "sheet.html", "--groups", 3)
    assert done.code == 0, done.err
    for page, papers in (("sheet", 6), ("sheet-key", 3)):
        for width in (390, 1280):
            lies_well(tmp_path / f"{page}.html", width)
        assert judge_by_axe(tmp_path / f"{page}.html")["violations"] == []
        assert printed_pages(tmp_path / f"{page}.html") == papers


def test_the_look_at_a_page_sees_what_is_wrong_with_it(tmp_path) -> None:
    page = tmp_path / "bad.html"
    page.write_text(
        "<!DOCTYPE html><meta http-equiv='Content-Security-Policy' content=\"img-src data:\">"
        "<div style='width:600px'>wide</div><p style='width:50px;overflow:hidden'>"
        "cutoffcutoffcutoff</p><img src='x.png'><script src='y.js'></script>"
    )
    found = lay_out(page, 390)
    assert found["wide"] == 608
    assert found["beyond"] == ["DIV: wide"]
    assert found["cut"] == ["P: cutoffcutoffcutoff"]
    assert set(found["asked"]) == {"/y.js"}
    assert any("x.png" in line for line in found["console"])
