"""The page in headless Chromium: what it makes of states, under its own security policy."""

import html
import itertools
import re
from collections.abc import Iterator
from contextlib import contextmanager
from http.server import BaseHTTPRequestHandler
from pathlib import Path

import pytest
from browser_kit import answering, run_browser
from hand_board import hand_run

from chrono.cautions import CAUTION_LINE
from chrono.session.operator_records import HOLD_ON, Mark, Setup
from chrono.session.replay_run import follow_run
from chrono.sharing.page_state import page_state_json, page_state_of
from chrono.sharing.web_app import make_page

pytestmark = pytest.mark.long

BANDS = Path(__file__).parents[2] / "recordings" / "two-and-three-bands.tsv"
EVIL = "<img src=x onerror=\"document.title='taken'\"></script><b>"


@contextmanager
def serving_once(state: bytes) -> Iterator[tuple[str, list[str]]]:
    """Serve the page and a stream that ends after one state; yield address and requests."""
    page, policy = make_page()
    asked: list[str] = []

    class Handler(BaseHTTPRequestHandler):
        def do_GET(self) -> None:
            asked.append(self.path)
            is_page = self.path == "/k7m2p9x4qd"  # as people type it, without a slash
            self.send_response(200)
            kind = "text/html; charset=utf-8" if is_page else "text/event-stream"
            self.send_header("Content-Type", kind)
            self.send_header("Content-Security-Policy", policy)
            self.end_headers()
            self.wfile.write(page if is_page else b"retry: 100000\n\ndata: " + state + b"\n\n")

        def log_message(self, *_: object) -> None:
            pass

    with answering(Handler) as address:
        yield f"{address}/k7m2p9x4qd", asked


def seen(state: bytes, size: str) -> tuple[str, list[str]]:
    """Return the page as a browser of this size has it in the end; nothing was refused."""
    with serving_once(state) as (address, asked):
        done = run_browser(
            f"--window-size={size}", "--virtual-time-budget=3000", "--dump-dom", address
        )
    console = [line for line in done.stderr.splitlines() if "CONSOLE" in line]
    assert console == []
    return done.stdout, asked


def text_of(page: str, name: str) -> str:
    """Return the text of the element with this id."""
    match = re.search(rf'<(\w+)[^>]* id="{name}"[^>]*>(.*?)</\1>|id="{name}"[^>]*>(.*?)<', page)
    assert match, name
    return html.unescape(re.sub(r"<[^>]*>", "", match[2] or match[3] or "")).strip()


@pytest.fixture(name="state", scope="module")
def _state() -> bytes:
    run = follow_run(BANDS)
    run.start()
    run.catch_up()
    shown = page_state_json(page_state_of(run, "km/h", ","))
    run.close()
    return b'{"quiet_s":0.0,' + shown[1:]


@pytest.mark.parametrize("size", ["390,844", "1920,1080"])
def test_a_state_is_shown_whole_and_a_lost_link_is_said(state, size) -> None:
    page, asked = seen(state, size)
    assert set(asked) <= {"/k7m2p9x4qd", "/k7m2p9x4qd/events", "/favicon.ico"}
    assert "/k7m2p9x4qd/events" in asked
    assert CAUTION_LINE in page
    assert text_of(page, "value") == "98,33"
    assert text_of(page, "unit") == "km/h"
    assert text_of(page, "half") == "± 0,20 km/h (95 %)"
    assert text_of(page, "shot") == "shot 40 · three bands · counted"
    assert "40 shots, 40 counted" in text_of(page, "tally")
    # The stream has ended, so what is shown is old.
    assert text_of(page, "link").startswith("The link is lost: these numbers are old.")
    headline = text_of(page, "headline")
    assert headline == "three bands is faster than two bands by 17,7 ± 1,5 km/h (95 %)."
    assert page.index('id="headline"') < page.index('id="latest"'), "the answer comes first"
    statistics = page[page.index('id="statistics"') :]
    assert statistics.index("three bands") < statistics.index("two bands")  # now comes first
    assert "97,5 ± 1,0 km/h" in statistics


def test_the_plot_has_a_mark_for_each_shot_at_its_place(state) -> None:
    page, _ = seen(state, "1280,800")
    plot = page[page.index('id="plot"') : page.index('id="statistics"')]
    places = re.findall(r"translate\(([\d.]+) ([\d.]+)\)", plot)
    assert len(places) == 40
    x = [float(one) for one, _ in places]
    y = [float(one) for _, one in places]
    assert x == sorted(x)
    gaps = [b - a for a, b in itertools.pairwise(x)]
    assert max(gaps) - min(gaps) < 1e-6 * max(x)
    assert max(y[10:20]) < min(y[:10])  # three bands are faster, and faster is higher
    bars = re.findall(r'class="bar[^"]*"[^>]* y1="([\d.]+)" y2="([\d.]+)"', plot)
    assert all(
        float(low) > middle > float(high) for (low, high), middle in zip(bars, y, strict=True)
    )


def test_names_from_outside_are_text_whatever_they_hold() -> None:
    board, run = hand_run()
    run.say_setup(Setup(EVIL))
    board.shoot_and_wait(30.0, 31.0)
    run.say_mark(Mark(HOLD_ON))
    board.shoot_and_wait(32.0)
    run.step()
    page, asked = seen(b'{"quiet_s":0.0,' + page_state_json(page_state_of(run))[1:], "390,844")
    assert "<title>Speeds of the shots</title>" in page
    assert "<img" not in page
    assert "/x" not in asked
    assert EVIL in text_of(page, "shot")
    assert text_of(page, "shot").endswith("not counted")
    assert 'class="not"' in page


def test_a_session_without_shots_says_so() -> None:
    _, run = hand_run()
    run.step()
    page, _ = seen(b'{"quiet_s":0.0,' + page_state_json(page_state_of(run))[1:], "390,844")
    assert text_of(page, "value") == "—"
    assert text_of(page, "shot") == "no shot yet"
