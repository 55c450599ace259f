"""What is hidden and what is sent, over the wire: a class, and somebody who wants to cheat."""

import asyncio
import json
from pathlib import Path

import pytest
from served_page import LOCALHOST, Answer, Served, Viewer, a_page, ask, post, send_guess
from waiting import PATIENCE_S, wait_beside

from chrono.session.recording_loader import read_recording
from chrono.sharing import connection_limits, web_app
from chrono.sharing.share_server import DisplayOptions
from chrono.teaching.guesses import read_guesses

BANDS = Path(__file__).parents[2] / "recordings" / "two-and-three-bands.tsv"
TOKEN = "k7m2p9x4qd"
HIDDEN = DisplayOptions(hidden=True)
GUESSING = DisplayOptions(hidden=True, guesses=True)


@pytest.fixture(name="monday")
def _monday(tmp_path: Path) -> Path:
    path = tmp_path / "monday.tsv"
    path.write_bytes(BANDS.read_bytes())
    return path


async def looking(served: Served, count: int = 1) -> list[Viewer]:
    """Return viewers that have a token and a state."""
    viewers = [Viewer(served) for _ in range(count)]
    for viewer in viewers:
        await viewer.open()
        await viewer.state()
    return viewers


async def state_where(viewer: Viewer, condition) -> dict:
    async with asyncio.timeout(PATIENCE_S):
        while not condition(state := await viewer.state()):
            pass
    return state


# -- hidden until revealed -----------------------------------------------------------------


def numbers_of(rows) -> set[str]:
    """Return the speeds of shots to more digits than any other number of the page has."""
    return {repr(row.speed_mps)[:8] for row in rows}


async def test_no_byte_that_is_sent_holds_a_hidden_speed(monday) -> None:
    rows = list(read_recording(monday).session.rows_of(slice(0, 40)))
    async with a_page(monday, wishes=HIDDEN) as served:
        viewer = Viewer(served)
        await viewer.open()
        for shown in range(4):
            if shown:
                served.control.press("r")
            state = await state_where(viewer, lambda s, n=40 - shown: s["hidden"] == n)
            text = json.dumps(state)
            assert not [n for n in numbers_of(rows[shown:]) if n in text]
            assert all(n in text for n in numbers_of(rows[:shown]))
            assert state["headline"] == []
            assert [len(state["plot"]["points"]) if state["plot"] else 0] == [shown]
        page = await ask(served, "GET /")
        assert not [n for n in numbers_of(rows) if n.encode() in page.body]
        viewer.leave()


async def test_statistics_are_those_of_the_revealed_shots_alone(monday) -> None:
    session = read_recording(monday).session
    async with a_page(monday, wishes=HIDDEN) as served:
        (viewer,) = await looking(served)
        for _ in range(3):
            served.control.press("r")
        state = await state_where(viewer, lambda s: s["hidden"] == 37)
        values = {s["name"]: dict(s["values"]) for s in state["setups"]}
        assert values["three bands"] == {"n": "0"}
        assert values["two bands"]["n"] == "3"
        speeds = [row.speed_mps for row in session.rows_of(slice(0, 3))]
        assert float(values["two bands"]["max"]) == pytest.approx(max(speeds), abs=0.006)
        assert float(values["two bands"]["min"]) == pytest.approx(min(speeds), abs=0.006)
        assert state["latest"]["number"] == 3
        served.control.press("h")
        state = await state_where(viewer, lambda s: not s["hidden"])
        assert dict(state["setups"][0]["values"])["n"] == "20"
        assert state["headline"]
        viewer.leave()


async def test_a_shot_that_comes_is_hidden_at_once(monday) -> None:
    """Never shown first and hidden later: every state on the way is looked at."""
    lines = monday.read_bytes().splitlines(keepends=True)
    monday.write_bytes(b"".join(lines[: len(lines) // 2]))
    async with a_page(monday) as served:
        (viewer,) = await looking(served)
        served.control.press("h")
        with monday.open("ab") as file:
            file.write(b"".join(lines[len(lines) // 2 :]))
        while (state := await viewer.state())["shots"] < 40:
            assert not state["latest"]["hidden"] or state["latest"]["speed"] == ""
        assert state["hidden"] == 20
        assert state["latest"] | {"setup": ""} == {
            "number": 40, "speed": "", "half_width": "", "setup": "", "flags": [],
            "state": state["latest"]["state"], "hidden": True,
        }  # fmt: skip
        viewer.leave()


async def test_what_is_particular_about_a_hidden_shot_is_hidden_too(tmp_path) -> None:
    """A flag such as too-fast would give the speed away."""
    path = tmp_path / "hall.tsv"
    path.write_bytes(BANDS.with_name("noisy-hall.tsv").read_bytes())
    last = list(read_recording(path).session.rows_of(slice(0, 40)))[-1]
    assert last.flags
    async with a_page(path, wishes=HIDDEN) as served:
        (viewer,) = await looking(served)
        state = await viewer_state(served)
        assert state["latest"]["number"] == last.number
        assert state["latest"]["flags"] == []
        viewer.leave()


# -- a round -------------------------------------------------------------------------------


async def test_a_class_of_25_guesses_and_sees_all_guesses_beside_the_shot(monday) -> None:
    before = monday.read_bytes()
    async with a_page(monday, TOKEN, GUESSING) as served:
        viewers = await looking(served, 25)
        early = await send_guess(served, viewers[0].token)
        assert early.status == 409
        served.control.press("o")
        answers = [
            await send_guess(served, viewer.token, f"{20 + place / 5}", f"group {place}")
            for place, viewer in enumerate(viewers)
        ]
        assert {answer.status for answer in answers} == {200}
        assert [json.loads(a.body)["number"] for a in answers] == [*range(1, 26)]
        state = await state_where(
            viewers[0], lambda s: s["round"] and s["round"]["count"] == 25
        )
        assert state["round"]["plot"] is None
        served.control.press_all("c")
        late = await send_guess(served, viewers[0].token)
        assert late.status == 409
        served.control.press_all("r")
        for viewer in viewers:
            state = await state_where(viewer, lambda s: s["round"]["phase"] == "revealed")
            assert len(state["round"]["plot"]["dots"]) == 25
            assert state["round"]["measured"] == "21.74 ± 0.04 m/s"
            assert state["latest"]["speed"] == "21.74"
            assert [who for who, _ in state["round"]["guesses"]] == [*map(str, range(1, 26))]
            viewer.leave()
    assert monday.read_bytes() == before
    found, others = read_guesses(monday.with_name("monday.guesses.jsonl"))
    assert [guess.who for guess in found] == [f"group {place}" for place in range(25)]
    assert {guess.shot for guess in found} == {1}
    assert others == []


async def test_guesses_that_cannot_be_kept_are_told_and_the_page_goes_on(monday) -> None:
    monday.with_name("monday.guesses.jsonl").mkdir()
    async with a_page(monday, wishes=GUESSING) as served:
        (viewer,) = await looking(served)
        served.control.press("o")
        assert (await send_guess(served, viewer.token)).status == 200
        served.control.press_all("c")
        await state_where(viewer, lambda s: s["round"] and s["round"]["phase"] == "closed")
        served.control.press_all("r")
        await state_where(viewer, lambda s: s["round"]["phase"] == "revealed")
        await wait_beside(lambda: any("not saved" in line for line in served.control.said))
        viewer.leave()


# -- what is refused -----------------------------------------------------------------------


async def test_nothing_can_be_sent_unless_the_teacher_asks_for_guesses(monday) -> None:
    async with a_page(monday) as served:
        (viewer,) = await looking(served)
        assert (await send_guess(served, viewer.token)).status == 405
        state = await viewer_state(served)
        assert state["takes_guesses"] is False
        viewer.leave()


async def viewer_state(served: Served) -> dict:
    viewer = Viewer(served)
    await viewer.open()
    state = await viewer.state()
    viewer.leave()
    return state


async def status_of(served: Served, **headers: str) -> int:
    viewer = Viewer(served)
    await viewer.open()
    await viewer.state()
    answer = await send_guess(served, viewer.token, **headers)
    viewer.leave()
    return answer.status


@pytest.mark.parametrize(
    ("headers", "status"),
    [
        ({}, 200),
        ({"Origin": "http://evil.example"}, 403),
        ({"Origin": "null"}, 403),
        ({"Origin": ""}, 403),
        ({"Sec_Fetch_Site": "cross-site"}, 403),
        ({"Sec_Fetch_Site": "same-site"}, 403),
        ({"Host": "evil.example"}, 421),
        ({"Content_Type": "text/plain"}, 415),
        ({"Content_Type": "application/x-www-form-urlencoded"}, 415),
        ({"Content_Type": "application/json; charset=utf-8"}, 200),
    ],
)
async def test_a_form_of_another_site_cannot_guess(monday, headers, status) -> None:
    """What a page elsewhere can make a browser send (Fetch standard, CORS-safelisted)."""
    async with a_page(monday, wishes=GUESSING) as served:
        served.control.press("o")
        assert await status_of(served, **headers) == status
        count = len(served.control.rounds.now.guesses)
        assert count == (1 if status == 200 else 0)


async def test_forged_and_replayed_tokens_and_a_wrong_secret_count_nothing(monday) -> None:
    async with a_page(monday, TOKEN, GUESSING) as served:
        (viewer,) = await looking(served)
        served.control.press("o")
        for token in ("", "forged", viewer.token[:-1], viewer.token.swapcase(), "\ud800"):
            assert (await send_guess(served, token)).status == 403, token
        wrong = await ask(served, f"POST /{TOKEN[::-1]}/guess", Content_Length="0")
        assert wrong.status == 404
        assert (await send_guess(served, viewer.token)).status == 200
        assert (await send_guess(served, viewer.token, "30")).status == 409
        assert [guess.value for guess in served.control.rounds.now.guesses] == [22.0]
        viewer.leave()


@pytest.mark.parametrize(
    ("body", "status"),
    [
        (b"", 400),
        (b"[]", 400),
        (b"{", 400),
        (b"\xff\xfe\x00", 400),
        (b"[" * 900, 400),
        (b'{"token":1,"name":2,"guess":3}', 400),
        (b'{"token":"","name":"","guess":"","more":1}', 400),
        (b'{"token":"","name":""}', 400),
        (b"9" * 1000, 400),
        (b"x" * 1025, 413),
    ],
)
async def test_a_body_that_is_no_guess_is_refused(monday, body, status) -> None:
    async with a_page(monday, wishes=GUESSING) as served:
        served.control.press("o")
        assert (await post(served, body)).status == status
        assert served.control.rounds.now.guesses == ()


async def status_or_gone(served: Served, body: bytes, **headers: str) -> int:
    """Status of an answer; 0 where the server closed while it was still being sent to."""
    try:
        answer: Answer = await post(served, body, **headers)
    except (ConnectionError, asyncio.IncompleteReadError):
        return 0
    return answer.status


async def test_a_megabyte_is_not_read(monday) -> None:
    async with a_page(monday, wishes=GUESSING) as served:
        served.control.press("o")
        assert await status_or_gone(served, b"x" * 1_000_000) in (413, 0)
        chunked = b"ffff\r\n" + b"x" * 0xFFFF + b"\r\n"
        sent = await status_or_gone(
            served, chunked * 16, Content_Length="", Transfer_Encoding="chunked"
        )
        assert sent in (413, 0)
        for lie in ("-1", "1e3", "\xb2", "9" * 40):
            assert await status_or_gone(served, b"{}", Content_Length=lie) in (400, 413, 0)
        assert (await ask(served, "GET /")).status == 200


async def test_a_guess_that_never_ends_is_let_go_of(monday, monkeypatch) -> None:
    monkeypatch.setattr(web_app, "SENT_WITHIN_S", 0.2)
    async with a_page(monday, wishes=GUESSING) as served:
        answer = await post(served, b'{"token":', Content_Length="500")
        assert answer.status == 408


async def test_who_sends_too_fast_waits_and_his_neighbours_do_not(monday) -> None:
    """All come from one address, as behind a school's router."""
    async with a_page(monday, wishes=GUESSING) as served:
        first, second = await looking(served, 2)
        served.control.press("o")
        statuses = [(await send_guess(served, first.token, "fast")).status for _ in range(9)]
        assert statuses[: connection_limits.SENT_BURST] == [400] * connection_limits.SENT_BURST
        assert statuses[-1] == 429
        junk = [(await post(served, b"[]")).status for _ in range(9)]
        assert junk[-1] == 429
        assert (await send_guess(served, second.token)).status == 200
        for viewer in (first, second):
            viewer.leave()


async def test_one_address_has_as_many_guesses_in_a_round_as_seats(monday) -> None:
    wishes = DisplayOptions(hidden=True, guesses=True, seats=3)
    async with a_page(monday, wishes=wishes) as served:
        served.control.press("o")
        taken = 0
        for _ in range(12):
            viewer = Viewer(served)
            await viewer.open()
            if viewer.answer.status == 200:
                await viewer.state()
                taken += (await send_guess(served, viewer.token)).status == 200
            streams = served_streams(served)
            viewer.leave()
            await wait_beside(lambda n=streams: served_streams(served) < max(n, 1))
        assert taken == 3


def served_streams(served: Served) -> int:
    """How many connections are open, by the system's own count."""
    local = f"0100007F:{served.port:04X}"
    rows = Path("/proc/net/tcp").read_text().splitlines()[1:]
    return sum(row.split()[1] == local and row.split()[3] == "01" for row in rows)


@pytest.mark.parametrize(
    "name", ["<img src=x onerror=alert(1)>", "\u202eevil", "بومة", "a" * 500, "\x1b[2J", "=1+1"]
)
async def test_hostile_names_stay_text_and_short(monday, name) -> None:
    async with a_page(monday, wishes=GUESSING) as served:
        (viewer,) = await looking(served)
        served.control.press("o")
        assert (await send_guess(served, viewer.token, "22", name)).status == 200
        served.control.press_all("cnn")
        state = await state_where(
            viewer, lambda s: s["round"] and s["round"]["phase"] == "closed"
        )
        (who, guess) = state["round"]["guesses"][0]
        assert len(who) <= 20
        assert who.isprintable()
        assert guess == "22 m/s"
        viewer.leave()


async def test_a_guess_is_not_asked_for_and_the_page_is_not_sent_to(monday) -> None:
    async with a_page(monday, wishes=GUESSING) as served:
        assert (await ask(served, "GET /guess")).status == 405
        for line in ("POST /", "POST /events", "PUT /guess", "DELETE /guess"):
            answer = await ask(served, line, Content_Length="0")
            assert answer.status == 405, line
            assert "GET" in answer.headers["allow"]
        assert served.port
        assert LOCALHOST in served.host
