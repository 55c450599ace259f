"""A round of guesses as pupils have it: real pages in headless Chromium, led by the keys."""

import asyncio
import threading
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path

import pytest
from browser_tabs import Browser, Tab, a_browser
from served_page import Served, Viewer, a_page, send_guess
from waiting import wait_until

from chrono.cautions import CAUTION_LINE
from chrono.sharing.share_server import DisplayOptions
from chrono.teaching.guesses import read_guesses

pytestmark = pytest.mark.long

BANDS = Path(__file__).parents[2] / "recordings" / "two-and-three-bands.tsv"
SIZES = [(320, 640), (390, 844), (820, 1180), (1280, 800), (1920, 1080)]
EVIL = "<img src=x onerror=1>"


class Lesson:
    """A page that is served by a loop in a thread of its own."""

    def __init__(self, served: Served, loop: asyncio.AbstractEventLoop) -> None:
        self.served, self._loop = served, loop
        self.url = f"http://{served.host}{served.path}"

    def press(self, keys: str) -> None:
        """Press keys as the teacher does, in the server's own loop."""
        self.do(self._press(keys))

    async def _press(self, keys: str) -> None:
        self.served.control.press_all(keys)

    def do(self, work):
        return asyncio.run_coroutine_threadsafe(work, self._loop).result(60)


@contextmanager
def a_lesson(path: Path, wishes: DisplayOptions) -> Iterator[Lesson]:
    found: list[Lesson] = []
    ready, over = threading.Event(), threading.Event()

    async def run() -> None:
        async with a_page(path, "k7m2p9x4qd", wishes) as served:
            found.append(Lesson(served, asyncio.get_running_loop()))
            ready.set()
            await asyncio.to_thread(over.wait)

    thread = threading.Thread(target=asyncio.run, args=(run(),))
    thread.start()
    assert ready.wait(60)
    try:
        yield found[0]
    finally:
        over.set()
        thread.join()


@pytest.fixture(name="monday")
def _monday(tmp_path: Path) -> Path:
    path = tmp_path / "monday.tsv"
    path.write_bytes(BANDS.read_bytes())
    return path


@pytest.fixture(name="browser", scope="module")
def _browser() -> Iterator[Browser]:
    with a_browser() as browser:
        yield browser


GUESSING = DisplayOptions(hidden=True, guesses=True)


async def clients(served: Served, count: int) -> None:
    """Guess as so many others, who look as well."""
    for place in range(count):
        viewer = Viewer(served)
        await viewer.open()
        await viewer.state()
        answer = await send_guess(served, viewer.token, f"{20 + place / 10}", f"group {place}")
        assert answer.status == 200
        viewer.leave()


def guess_by_keys(tab: Tab, guess: str, name: str) -> None:
    """Reach the form by Tab alone, fill it in and send it with Enter."""
    tab.wait("!document.getElementById('form').hidden")
    tab.value("document.activeElement.blur()")
    tab.keys("Tab")
    assert tab.value("document.activeElement.id") == "guess"
    tab.keys(*guess, "Tab")
    assert tab.value("document.activeElement.id") == "group"
    tab.keys(*name, "Enter")


def test_five_pages_and_25_clients_guess_and_all_see_all(monday, browser) -> None:
    before = monday.read_bytes()
    with a_lesson(monday, GUESSING) as lesson:
        tabs = [browser.open(lesson.url, *size, dark=place % 2) for place, size in
                enumerate(SIZES)]  # fmt: skip
        for tab in tabs:
            tab.wait("document.getElementById('value').innerText === '?'")
            assert CAUTION_LINE in tab.text("caution")
        lesson.press("o")
        lesson.do(clients(lesson.served, 25))
        for place, tab in enumerate(tabs):
            guess_by_keys(tab, f"2{place},5", EVIL if place == 3 else f"team {place}")
            tab.wait(
                "document.getElementById('answer').innerText.startsWith('Your guess is sent.')"
            )
            assert tab.text("answer") == f"Your guess is sent. Your number is {26 + place}."
            assert tab.value("document.getElementById('form').hidden")
        wait_until(lambda: len(lesson.served.control.rounds.now.guesses) == 30)
        lesson.press("cnn")
        for tab in tabs:
            tab.wait("document.querySelectorAll('#dots circle').length === 30")
            assert tab.text("measured") == ""
            assert tab.value("document.querySelectorAll('#dots .true').length") == 0
        wait_until(lambda: lesson.served.control.disclosure().round.phase == "closed")
        lesson.press("r")
        for tab in tabs:
            tab.wait("document.getElementById('measured').innerText !== ''")
            assert tab.text("measured") == "measured: 21.74 ± 0.04 m/s"
            assert tab.value("document.querySelectorAll('#dots .true').length") == 2
            assert tab.value("document.querySelectorAll('#dots .own').length") == 1
            names = tab.value(
                "[...document.querySelectorAll('#list bdi')].map(e => e.textContent)"
            )
            assert len(names) == 30
            assert EVIL[:20] in names
            assert tab.value("document.images.length") == 0
            assert dots_stand_right(tab)
            assert tab.value("document.documentElement.scrollWidth <= innerWidth")
            assert tab.complaints() == []
    assert monday.read_bytes() == before
    found, _ = read_guesses(monday.with_name("monday.guesses.jsonl"))
    assert len(found) == 30
    assert found[-1].guess_mps == 24.5


def dots_stand_right(tab: Tab) -> bool:
    """The larger a guess, the farther right its dot, by the page's own list."""
    places = tab.value(
        "[...document.querySelectorAll('#dots circle')].map(e => +e.cx.baseVal.value)"
    )
    texts = tab.value("[...document.querySelectorAll('#list li')].map(e => e.textContent)")
    guesses = [float(text.rpartition(": ")[2].removesuffix(" m/s")) for text in texts]
    pairs = sorted(zip(guesses, places, strict=True))
    return [place for _, place in pairs] == sorted(places)


def test_a_page_that_is_loaded_again_keeps_its_token_and_cannot_guess_twice(
    monday, browser
) -> None:
    with a_lesson(monday, GUESSING) as lesson:
        tab = browser.open(lesson.url)
        lesson.press("o")
        guess_by_keys(tab, "22", "")
        tab.wait(
            "document.getElementById('answer').innerText.startsWith('Your guess is sent.')"
        )
        kept = tab.value("JSON.stringify(Object.entries(localStorage))")
        assert kept.count("seat") == 1
        assert len(kept) < 60, "a token and nothing else"
        assert tab.value("document.cookie") == ""
        tab.call("Page.reload")
        tab.wait(
            "document.readyState === 'complete' && !document.getElementById('form').hidden"
        )
        guess_by_keys(tab, "23", "")
        tab.wait("document.getElementById('answer').innerText.includes('already sent')")
        assert tab.value("JSON.stringify(Object.entries(localStorage))") == kept
        assert len(lesson.served.control.rounds.now.guesses) == 1


def test_what_cannot_be_read_keeps_what_was_typed(monday, browser) -> None:
    with a_lesson(monday, GUESSING) as lesson:
        tab = browser.open(lesson.url)
        lesson.press("o")
        guess_by_keys(tab, "fast", "owls")
        tab.wait("document.getElementById('answer').innerText.includes('not a number')")
        assert "22.5 m/s" in tab.text("answer")
        assert tab.value("document.getElementById('guess').value") == "fast"
        assert not tab.value("document.getElementById('form').hidden")


def test_the_page_has_a_heading_landmarks_and_words_one_tap_away(monday, browser) -> None:
    with a_lesson(monday, DisplayOptions()) as lesson:
        tab = browser.open(lesson.url, 320, 640)
        tab.wait("document.getElementById('value').innerText !== '—'")
        assert tab.value("[...document.querySelectorAll('h1')].map(e => e.innerText)") == [
            "Speeds of the shots"
        ]
        outside = "[...document.body.children].map(e => e.tagName)"
        assert set(tab.value(outside)) == {"HEADER", "MAIN", "FOOTER", "SCRIPT"}
        assert not tab.value("document.getElementById('words').open")
        tab.value("document.querySelector('#words summary').click()")
        text = tab.text("words")
        for word in ("n\n", "s\n", "median", "smaller than its mark"):
            assert word in text
        tab.wait("document.querySelector('#plot').textContent.includes('inside the mark')")
        assert tab.value("document.getElementById('round').hidden")


def test_the_line_that_is_read_aloud_says_nothing_that_turns_wrong(monday, browser) -> None:
    """A shot is open for seconds; the line is spoken before that and never again."""
    lines = monday.read_bytes().splitlines(keepends=True)
    monday.write_bytes(b"".join(lines[: len(lines) // 2]))
    with a_lesson(monday, DisplayOptions()) as lesson:
        tab = browser.open(lesson.url)
        tab.wait("document.getElementById('shot').innerText.includes('shot 20')")
        tab.value("new Promise(done => setTimeout(done, 700))")
        with monday.open("ab") as file:
            file.write(b"".join(lines[len(lines) // 2 :]))
        tab.wait("document.getElementById('spoken').innerText.includes('Shot 40')")
        assert tab.text("spoken") == "Shot 40: 27.31 plus or minus 0.06 m/s"


def test_a_page_without_a_seat_says_whom_to_tell_and_comes_in_later(monday, browser) -> None:
    with a_lesson(monday, DisplayOptions(seats=1)) as lesson:
        first = browser.open(lesson.url)
        first.wait("document.getElementById('value').innerText !== '—'")
        second = browser.open(lesson.url)
        second.wait("document.getElementById('link').innerText.includes('Tell your teacher')")
        assert "--seats" in "".join(lesson.served.control.said)
        first.call("Page.navigate", url="about:blank")
        second.wait("document.getElementById('value').innerText !== '—'")
        assert "Tell your teacher" not in second.text("link")
