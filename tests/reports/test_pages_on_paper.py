"""Pages as PDF, laid out by WeasyPrint, which needs Pango of the system."""

import re
from pathlib import Path

import pytest
from browser_kit import served
from interval_kit import record, setup, shot, write_recording

from chrono.reports.page_files import load_weasyprint, printed
from chrono.reports.report_page import report_page
from chrono.session.recording_loader import read_recording
from chrono.session.report_content import report_of

pytestmark = pytest.mark.long

RECORDINGS = Path(__file__).parents[2] / "recordings"
DEMO = sorted(RECORDINGS.glob("*.tsv"))


@pytest.mark.parametrize("recording", DEMO, ids=lambda path: path.stem)
def test_a_report_takes_two_papers(recording) -> None:
    html = report_page(report_of([read_recording(recording)]), for_paper=True)
    assert len(load_weasyprint().HTML(string=html).render().pages) == 2
    assert html.count("<svg") == 1
    # WeasyPrint knows no colours with names in pictures: they would be black.
    assert "var(" not in re.sub(r'style="color:var\(--\w+\)"', "", html[html.index("<body") :])


@pytest.mark.parametrize("command", ["report", "worksheet"])
def test_a_pdf_is_one_with_title_and_tags_for_readers(chrono, tmp_path, command) -> None:
    done = chrono(command, RECORDINGS / "plain-lines-4us.tsv", "-o", "x.pdf")
    assert done.code == 0, done.err
    for path in tmp_path.glob("*.pdf"):
        content = path.read_bytes()
        assert content.startswith(b"%PDF-")
        assert content.rstrip().endswith(b"%%EOF")
        assert len(content) > 10_000
    assert len(list(tmp_path.iterdir())) == (2 if command == "worksheet" else 1)


@pytest.mark.parametrize("name", ["x" * 300, "tube and bands " * 20])
def test_long_names_conditions_and_reasons_find_room_on_paper(tmp_path, name) -> None:
    rows = [
        row
        for place in range(7)
        for row in (setup(f"{place} {name}"[:300], first=name, second=name), shot(20), shot(21))
    ]
    key = read_recording(write_recording(tmp_path / "x.tsv", rows)).session.log.shots["key"][0]
    why = record("mark", {"action": "set-aside", "shot": int(key), "text": name[:300]})
    recorded = read_recording(write_recording(tmp_path / "y.tsv", [*rows, why]))
    html = report_page(report_of([recorded]), for_paper=True)
    for page in load_weasyprint().HTML(string=html).render().pages:
        texts = [box for box in page._page_box.descendants() if hasattr(box, "text")]
        assert max(box.position_x + box.width for box in texts) <= page.width


def test_nothing_is_fetched_for_a_pdf(tmp_path) -> None:
    (tmp_path / "x.svg").write_text("<svg xmlns='http://www.w3.org/2000/svg'/>")
    with served(tmp_path) as (address, asked):
        printed(f"<img src='{address}/x.svg'><p style='background:url({address}/y.png)'>a</p>")
    assert asked == []
