"""The page as it comes over the wire: what is given, what is refused, with which headers."""

import asyncio
import base64
import hashlib
import re
from html.parser import HTMLParser
from pathlib import Path

import pytest
from served_page import LOCALHOST, Viewer, a_page, ask
from waiting import PATIENCE_S

from chrono.cautions import CAUTION_LINE
from chrono.rigs.rig_file import with_keys
from chrono.session.recording_loader import add_rig, first_rig
from chrono.sharing import connection_limits, share_server, web_app
from chrono.sharing.share_server import DisplayOptions
from chrono.sharing.web_address import SERVER_NAME
from chrono.sharing.web_app import make_page

BANDS = Path(__file__).parents[2] / "recordings" / "two-and-three-bands.tsv"
TOKEN = "k7m2p9x4qd"
SAFE = {
    "cache-control": "no-store",
    "connection": "close",
    "referrer-policy": "no-referrer",  # the address holds the secret
    "x-content-type-options": "nosniff",
    "x-frame-options": "DENY",
    "cross-origin-resource-policy": "same-origin",
    "cross-origin-opener-policy": "same-origin",
}


@pytest.fixture(name="half")
def _half(tmp_path):
    """A recording of the first half of a session, and the rows of the other half."""
    rows = BANDS.read_bytes().splitlines(keepends=True)
    path = tmp_path / "monday.tsv"
    path.write_bytes(b"".join(rows[: len(rows) // 2]))
    return path, b"".join(rows[len(rows) // 2 :])


class Loaded(HTMLParser):
    """Whatever a page would fetch or run."""

    def __init__(self) -> None:
        super().__init__()
        self.fetched: list[str] = []
        self.handlers: list[str] = []

    def handle_starttag(self, tag, attrs) -> None:
        self.fetched += [v for k, v in attrs if k in ("src", "href", "action", "srcset")]
        self.handlers += [k for k, _ in attrs if k.startswith("on") or k == "style"]


def test_the_page_loads_nothing_and_runs_only_what_its_policy_names() -> None:
    page, policy = make_page()
    text = page.decode()
    loaded = Loaded()
    loaded.feed(text)
    assert loaded.fetched == loaded.handlers == []
    rules = dict(rule.strip().split(" ", 1) for rule in policy.split(";"))
    assert rules["default-src"] == rules["base-uri"] == rules["form-action"] == "'none'"
    assert rules["frame-ancestors"] == "'none'"
    assert rules["connect-src"] == "'self'"
    assert "unsafe" not in policy
    for tag in ("style", "script"):
        (content,) = re.findall(rf"<{tag}>(.*?)</{tag}>", text, re.DOTALL)
        digest = base64.b64encode(hashlib.sha256(content.encode()).digest()).decode()
        assert rules[f"{tag}-src"] == f"'sha256-{digest}'"
    assert CAUTION_LINE in text
    assert '<html lang="en">' in text
    assert 'aria-live="polite"' in text


def test_the_script_puts_text_in_as_text_only() -> None:
    script = Path(web_app.__file__).with_name("page.js").read_text("utf-8")
    for way in (
        "innerHTML",
        "outerHTML",
        "insertAdjacentHTML",
        "document.write",
        "eval(",
        "Function(",
        'setTimeout("',
        "DOMParser",
        "srcdoc",
        "cookie",
        "XMLHttpRequest",
        "http://",
        "https://",
    ):
        assert way not in script.replace('"http://www.w3.org/2000/svg"', ""), way


def test_a_random_token_is_all_that_stays_on_a_device() -> None:
    script = Path(web_app.__file__).with_name("page.js").read_text("utf-8")
    assert script.count("localStorage") == 2
    assert script.count("localStorage.setItem(KEPT, given)") == 1
    assert 'addEventListener("seat", (event) => keep(event.data))' in script
    assert "sessionStorage" not in script


async def test_the_page_and_its_states_come_with_safe_headers() -> None:
    async with a_page(BANDS, TOKEN) as served:
        page = await ask(served, f"GET {served.path}")
        assert page.status == 200
        assert page.headers["content-type"] == "text/html; charset=utf-8"
        assert page.headers["content-security-policy"] == make_page()[1]
        assert page.body == make_page()[0]
        viewer = Viewer(served)
        await viewer.open()
        assert viewer.answer.status == 200
        assert viewer.answer.headers["content-type"].startswith("text/event-stream")
        missing = await ask(served, "GET /nothing")
        for answer in (page, viewer.answer, missing):
            for name, value in SAFE.items():
                assert answer.headers[name] == value
            assert answer.headers["server"] == SERVER_NAME
            assert "default-src 'none'" in answer.headers["content-security-policy"]
            assert TOKEN not in repr(answer.headers)
            assert "access-control-allow-origin" not in answer.headers
        viewer.leave()


async def test_a_head_is_answered_without_a_body_and_without_a_stream() -> None:
    async with a_page(BANDS) as served:
        for path in ("/", "/events"):
            answer = await ask(served, f"HEAD {path}")
            assert (answer.status, answer.body) == (200, b"")


@pytest.mark.parametrize(
    ("request_line", "status"),
    [
        ("POST /", 405),
        ("DELETE /events", 405),
        ("GET /events/", 404),
        ("GET /../pyproject.toml", 404),
        ("GET /..%2f..%2fetc%2fpasswd", 404),
        ("GET //etc/passwd", 404),
        ("GET /page.js", 404),
        ("GET /events%00", 404),
        ("GET /events;x", 404),
        ("GET /" + "a" * 4000, 404),
        ("CONNECT 127.0.0.1:22", 405),
        ("OPTIONS *", 405),
    ],
)
async def test_tricks_with_path_and_method_are_refused(request_line, status) -> None:
    async with a_page(BANDS) as served:
        answer = await ask(served, request_line)
        assert answer.status == status
        assert BANDS.name.encode() not in answer.body


async def test_a_wrong_token_host_or_origin_is_refused() -> None:
    async with a_page(BANDS, TOKEN) as served:
        for path in ("/", "/events", f"/{TOKEN[::-1]}/", f"/{TOKEN}x/events"):
            answer = await ask(served, f"GET {path}")
            assert answer.status == 404
            assert TOKEN.encode() not in answer.body
        own = f"GET {served.path}events"
        evil = f"evil.example:{served.port}"
        assert (await ask(served, own, Host=evil)).status == 421
        assert (await ask(served, own, Origin="http://evil.example")).status == 403
        assert (await ask(served, own, Sec_Fetch_Site="cross-site")).status == 403


@pytest.mark.parametrize(
    "junk",
    [
        b"\x16\x03\x01\x02\x00\x01\x00\x01\xfc\x03\x03",  # a browser that tries https
        b"GET\r\n\r\n",
        b"GET / HTTP/1.1\r\nHost: x\r\nHost: y\r\n\r\n",
        b"GET / HTTP/1.1\r\n" + b"X: " + b"a" * 20_000 + b"\r\n\r\n",
        b"GET / HTTP/1.1\r\nContent-Length: -1\r\n\r\n",
    ],
)
async def test_what_is_no_request_is_refused_and_told_to_nobody(junk, capfd) -> None:
    async with a_page(BANDS) as served:
        reader, writer = await asyncio.open_connection(LOCALHOST, served.port)
        writer.write(junk)
        async with asyncio.timeout(PATIENCE_S):
            answer = await reader.read()
        writer.close()
        assert answer.startswith(b"HTTP/1.1 4")
        assert (await ask(served, "GET /")).status == 200
    assert capfd.readouterr().err == ""


async def test_new_shots_come_to_everybody_as_they_are_recorded(half) -> None:
    path, rest = half
    async with a_page(path, wishes=DisplayOptions("km/h", ",")) as served:
        viewers = [Viewer(served) for _ in range(3)]
        for viewer in viewers:
            await viewer.open()
            assert (await viewer.state())["shots"] == 20
        with path.open("ab") as file:
            file.write(rest)
        for viewer in viewers:
            state = await viewer.state_of(40)
            assert state["latest"]["speed"] == "98,33"
            assert state["unit"] == "km/h"
            assert state["quiet_s"] < 5
            viewer.leave()


async def test_who_comes_back_is_not_told_again_what_he_has_seen(half, monkeypatch) -> None:
    monkeypatch.setattr(web_app, "BEAT_S", 0.05)
    path, _ = half
    async with a_page(path) as served:
        viewer = Viewer(served)
        await viewer.open()
        await viewer.state()
        seen = viewer.last_id
        viewer.leave()
        again = Viewer(served, Last_Event_ID=seen)
        await again.open()
        assert (await again.event())["retry"] == "2000"
        assert (await again.event())["event"] == "seat"
        assert (await again.event())["event"] == "beat"
        again.leave()
        stranger = Viewer(served, Last_Event_ID="\u00ff")
        await stranger.open()
        assert (await stranger.state())["shots"] == 20
        stranger.leave()


async def test_a_line_that_changes_nothing_on_the_page_is_told_to_nobody(
    tmp_path, monkeypatch
) -> None:
    monkeypatch.setattr(web_app, "BEAT_S", 0.3)
    *rows, last_beat = BANDS.read_bytes().splitlines(keepends=True)
    path = tmp_path / "monday.tsv"
    path.write_bytes(b"".join(rows))
    async with a_page(path) as served:
        viewer = Viewer(served)
        await viewer.open()
        while (await viewer.state_of(40))["counted"] < 40:
            pass
        with path.open("ab") as file:
            file.write(last_beat)
        while served.run.session.rows < len(rows):  # all but the header, the beat among them
            assert (await viewer.event())["event"] == "beat"
        assert (await viewer.event())["event"] == "beat"
        assert (await viewer.event())["event"] == "beat"
        viewer.leave()


async def test_where_nothing_is_new_nothing_is_worked_out(monkeypatch) -> None:
    monkeypatch.setattr(web_app, "BEAT_S", 0.1)
    made = []
    real = share_server.page_state_of
    monkeypatch.setattr(
        share_server, "page_state_of", lambda *words: made.append(len(made)) or real(*words)
    )
    async with a_page(BANDS) as served:
        viewer = Viewer(served)
        await viewer.open()
        await viewer.state()
        while (await viewer.event())["event"] != "beat":
            pass
        before = len(made)
        for _ in range(5):
            await viewer.event()
        assert len(made) == before > 0
        viewer.leave()


async def test_what_goes_wrong_in_the_page_itself_ends_it_and_is_told(
    half, monkeypatch
) -> None:
    def fail(*_: object) -> None:
        raise ZeroDivisionError("in the page")

    monkeypatch.setattr(share_server, "page_state_of", fail)
    with pytest.raises(ZeroDivisionError, match="in the page"):
        async with asyncio.timeout(PATIENCE_S), a_page(BANDS) as served:
            await served.task


async def test_no_log_takes_the_secret(caplog) -> None:
    for name in ("uvicorn.access", "uvicorn.error", ""):
        caplog.set_level("DEBUG", name)
    async with a_page(BANDS, TOKEN) as served:
        assert (await ask(served, f"GET {served.path}")).status == 200
        assert (await ask(served, f"GET /{TOKEN}x")).status == 404
    assert TOKEN not in caplog.text


async def test_a_viewer_cannot_state_another_address_to_get_more_seats(half) -> None:
    path, _ = half
    async with a_page(path, wishes=DisplayOptions(seats=1)) as served:
        viewer = Viewer(served)
        await viewer.open()
        await viewer.state()
        again = await ask(served, "GET /events", X_Forwarded_For="10.0.0.7")
        assert again.status == 503
        viewer.leave()


async def test_a_rig_that_is_corrected_meanwhile_changes_the_shots_on_the_page(half) -> None:
    path, _ = half
    async with a_page(path) as served:
        viewer = Viewer(served)
        await viewer.open()
        assert (await viewer.state_of(20))["latest"]["flags"] == []
        add_rig(path, with_keys(first_rig(path), {"body.length": "80 mm"}))
        async with asyncio.timeout(PATIENCE_S):
            while (await viewer.state())["latest"]["flags"] != ["short"]:
                pass
        viewer.leave()


async def test_one_viewer_too_many_is_asked_to_wait(half, monkeypatch) -> None:
    monkeypatch.setattr(connection_limits, "MOST_VIEWERS", 2)
    path, _ = half
    async with a_page(path) as served:
        viewers = [Viewer(served) for _ in range(2)]
        for viewer in viewers:
            await viewer.open()
            await viewer.state()
        refused = await ask(served, "GET /events")
        assert (refused.status, refused.headers["retry-after"]) == (503, "10")
        assert (await ask(served, "GET /")).status == 200
        for viewer in viewers:
            viewer.leave()
