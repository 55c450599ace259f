"""Hold the pages to axe-core's rules in headless Chromium, in each state of a round.

    npm install --prefix /tmp/axe axe-core
    PYTHONPATH=tests/kits:tests/sharing python tests/benchmarks/page_axe.py \
        /tmp/axe/node_modules/axe-core/axe.min.js

Prints each violation with its element; exit code 1 if there is one.
"""

import json
import shutil
import sys
import tempfile
from pathlib import Path

from browser_tabs import Tab, a_browser
from test_lesson_in_a_browser import BANDS, GUESSING, a_lesson, clients, guess_by_keys

SIZES = [(320, 640), (390, 844), (1280, 800), (1920, 1080)]
RUN = """axe.run(document, {resultTypes: ['violations']}).then(found => JSON.stringify(
  found.violations.map(one => [one.id, one.nodes.map(node => node.html.slice(0, 120))])))"""


def violations(tab: Tab, rules: str) -> list[list[object]]:
    """Return the rules that a page breaks now, and where."""
    tab.value(f"{rules};0")
    tab.value("document.querySelectorAll('details').forEach(one => { one.open = true; })")
    found: list[list[object]] = json.loads(tab.value(RUN))
    return found


def main(rules: str) -> int:
    """Look at the shared page and the lesson's page; return how many rules are broken."""
    broken = 0
    with tempfile.TemporaryDirectory() as folder, a_browser() as browser:
        monday = Path(shutil.copy(BANDS, folder))
        with a_lesson(monday, GUESSING) as lesson:
            tabs = [
                browser.open(lesson.url, *size, dark=dark)
                for size in SIZES
                for dark in (False, True)
            ]
            tabs.append(browser.open(BANDS.with_name("lesson_page.html").as_uri()))
            for state, keys in (
                ("no round", ""),
                ("open", "o"),
                ("closed", "c"),
                ("shown", "r"),
            ):
                lesson.press(keys)
                if state == "open":
                    lesson.do(clients(lesson.served, 25))
                    guess_by_keys(tabs[0], "22", "owls")
                for place, tab in enumerate(tabs):
                    found = violations(tab, rules)
                    broken += len(found)
                    print(state, place, found or "no violation")
    return broken


if __name__ == "__main__":
    sys.exit(1 if main(Path(sys.argv[1]).read_text("utf-8")) else 0)
