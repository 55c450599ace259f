"""Connections: few, short, and let go of in time."""

import asyncio
import resource
import socket
from itertools import count
from pathlib import Path

import pytest
from served_page import LOCALHOST, Viewer, a_page, ask, head_of
from waiting import PATIENCE_S, wait_beside

from chrono.sharing import connection_limits, share_server
from chrono.sharing import web_app as channel_room
from chrono.sharing.web_app import StateChannel

BANDS = Path(__file__).parents[2] / "recordings" / "two-and-three-bands.tsv"


async def connect(port: int) -> tuple[asyncio.StreamReader, asyncio.StreamWriter]:
    return await asyncio.open_connection(LOCALHOST, port)


async def all_of(reader: asyncio.StreamReader) -> bytes:
    async with asyncio.timeout(PATIENCE_S):
        try:
            return await reader.read()
        except ConnectionResetError:
            return b""


async def test_one_connection_too_many_is_refused_at_once_and_others_stay(monkeypatch) -> None:
    monkeypatch.setattr(connection_limits, "MOST_OPEN", 5)
    monkeypatch.setattr(channel_room, "BEAT_S", 0.05)
    async with a_page(BANDS) as served:
        viewer = Viewer(served)
        await viewer.open()
        await viewer.state()
        idle = [await connect(served.port) for _ in range(4)]
        reader, writer = await connect(served.port)
        assert (await all_of(reader)).startswith(b"HTTP/1.1 503 ")
        writer.close()
        last_reader, last_writer = idle[-1]
        last_writer.write(head_of(served, "HEAD /", {}))
        async with asyncio.timeout(PATIENCE_S):
            assert (await last_reader.readline()).startswith(b"HTTP/1.1 200 "), "the fifth"
        for _, other in idle:
            other.close()
        while True:
            answer = await ask(served, "GET /")
            if answer.status == 200:
                break
        await still_gets_beats(viewer, 0.2)
        viewer.leave()


async def test_a_request_beyond_the_room_is_told_so(monkeypatch) -> None:
    monkeypatch.setattr(share_server, "MOST_ANSWERED", 2)
    async with a_page(BANDS) as served:
        viewer = Viewer(served)
        await viewer.open()
        assert (await ask(served, "GET /")).status == 503
        viewer.leave()


async def still_gets_beats(viewer: Viewer, for_s: float) -> None:
    """The stream goes on for so long."""
    end_s = asyncio.get_running_loop().time() + for_s
    while asyncio.get_running_loop().time() < end_s:
        await viewer.event()


async def test_a_connection_that_asks_for_nothing_is_closed(monkeypatch) -> None:
    monkeypatch.setattr(connection_limits, "ASK_WITHIN_S", 0.5)
    monkeypatch.setattr(channel_room, "BEAT_S", 0.05)
    async with a_page(BANDS) as served:
        silent, first = await connect(served.port)
        slow, second = await connect(served.port)
        second.write(b"GET / HTTP/1.1\r\nHost: ")  # and never the rest
        assert await all_of(silent) == b""
        assert await all_of(slow) == b""
        viewer = Viewer(served)
        await viewer.open()
        await still_gets_beats(viewer, 0.7)  # one who has asked is left alone
        for writer in (first, second):
            writer.close()
        viewer.leave()


class Growing:
    """A channel that is given states of some size, as many as a test wants."""

    def __init__(self, monkeypatch: pytest.MonkeyPatch) -> None:
        self.channel: StateChannel | None = None
        make = share_server.make_app

        def make_app(channel: StateChannel, token: str) -> object:
            self.channel = channel
            return make(channel, token)

        monkeypatch.setattr(share_server, "make_app", make_app)

    def publish(self, number: int) -> None:
        assert self.channel is not None
        self.channel.publish(b'{"shots":%d,"fill":"%s"}' % (number, b"x" * 8000))


async def test_a_slow_viewer_gets_the_newest_state_and_holds_up_nobody(monkeypatch) -> None:
    growing = Growing(monkeypatch)
    async with a_page(BANDS) as served:
        slow, quick = Viewer(served), Viewer(served)
        await slow.open(small=True)
        await quick.open()
        await quick.state()
        for number in range(1000, 1400):
            growing.publish(number)
            assert (await quick.state_of(number))["shots"] == number
        seen = [(await slow.state())["shots"]]
        while seen[-1] < 1399:
            seen.append((await slow.state())["shots"])
        assert len(seen) < 16  # some that the system held, then the newest
        assert seen == sorted(seen)
        slow.leave()
        quick.leave()


async def test_a_viewer_who_takes_again_in_time_is_kept(monkeypatch) -> None:
    monkeypatch.setattr(connection_limits, "TAKE_WITHIN_S", 1.0)
    monkeypatch.setattr(channel_room, "BEAT_S", 0.05)
    growing = Growing(monkeypatch)
    async with a_page(BANDS) as served:
        slow = Viewer(served)
        await slow.open(small=True)
        for number in range(1000, 1050):
            growing.publish(number)
            await asyncio.sleep(0)
        await slow.state_of(1049)
        await still_gets_beats(slow, 1.5)
        slow.leave()


@pytest.mark.parametrize("by", ["timer", "system"])
async def test_a_viewer_who_takes_nothing_is_dropped(monkeypatch, by) -> None:
    monkeypatch.setattr(connection_limits, "TAKE_WITHIN_S", 0.3)
    if by == "timer":  # the system would drop it too, where it can
        monkeypatch.delattr(socket, "TCP_USER_TIMEOUT", raising=False)
    growing = Growing(monkeypatch)
    async with a_page(BANDS) as served:
        stuck = Viewer(served)
        await stuck.open(small=True)
        numbers = count(1001)
        await wait_beside(
            lambda: growing.channel is None or not growing.channel.viewers,
            meanwhile=lambda: growing.publish(next(numbers)),
        )
        stuck.leave()


async def test_a_viewer_who_vanishes_is_let_go_of(monkeypatch) -> None:
    growing = Growing(monkeypatch)
    async with a_page(BANDS) as served:
        viewers = [Viewer(served) for _ in range(10)]
        for viewer in viewers:
            await viewer.open()
            await viewer.state()
        assert growing.channel is not None
        assert growing.channel.viewers == 10
        for viewer in viewers:
            viewer.leave()
        await wait_beside(lambda: not growing.channel.viewers)


@pytest.mark.parametrize(("soft", "asked"), [(256, 614), (1024, None)], ids=["macOS", "Linux"])
async def test_all_connections_fit_into_what_the_system_allows(
    monkeypatch, soft, asked
) -> None:
    said = []
    monkeypatch.setattr(resource, "getrlimit", lambda _: (soft, 10_000))
    monkeypatch.setattr(resource, "setrlimit", lambda _, limits: said.append(limits))
    async with a_page(BANDS) as served:
        assert (await ask(served, "GET /")).status == 200
    assert said == ([(asked, 10_000)] if asked else [])
    assert connection_limits.MOST_OPEN + share_server.BACKLOG < 614 - 50


async def test_a_system_that_allows_no_more_files_is_served_nevertheless(monkeypatch) -> None:
    def refuse(*_: object) -> None:
        raise ValueError("not allowed to raise maximum limit")

    monkeypatch.setattr(resource, "getrlimit", lambda _: (256, 256))
    monkeypatch.setattr(resource, "setrlimit", refuse)
    async with a_page(BANDS) as served:
        assert (await ask(served, "GET /")).status == 200
