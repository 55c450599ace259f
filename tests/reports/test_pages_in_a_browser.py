"""Pages in headless Chromium: on a phone, on a wide screen and on paper."""

from pathlib import Path

import numpy as np
import pytest
from browser_kit import lay_out, printed_pages
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


MADE = {"thousands": thousands, "wordy": wordy}


@pytest.fixture(name="page", params=[*(path.stem for path in DEMO), *MADE])
def _page(request, chrono, tmp_path) -> Path:
    name = request.param
    recording = MADE[name](tmp_path) if name in MADE else RECORDINGS / f"{name}.tsv"
    out = tmp_path / f"{name}.html"
    done = chrono("report", recording, "-o", out)
    assert done.code == 0, done.err
    return out


def test_a_report_lies_well_on_a_phone_and_on_a_wide_screen(page) -> None:
    for width, height_px in ((390, 9), (1280, 9), (320, 7)):
        found = lies_well(page, width)
        assert found["pictures"] == 1
        assert float(str(found["smallest"])) >= height_px


def test_a_report_is_printed_on_two_pages_and_a_long_one_not_on_forty(page) -> None:
    # Eleven setups with names of 120 letters and as many long notes take more lines.
    assert 2 <= printed_pages(page) <= (6 if page.stem == "wordy" else 2)


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
