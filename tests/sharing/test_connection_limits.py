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
from chrono.sharing.connection_limits import NoSeat, Seat, Seats, SendingRate
from chrono.sharing.share_server import DisplayOptions
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

        def make_app(channel: StateChannel, *more: object) -> object:
            self.channel = channel
            return make(channel, *more)

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


# -- fair seats ----------------------------------------------------------------------------


def seat_of(given: Seat | NoSeat) -> Seat:
    assert isinstance(given, Seat), given
    return given


def test_a_page_may_be_open_a_few_times_and_keeps_its_token() -> None:
    seats = Seats()
    seat = seat_of(seats.take("", "10.0.0.1"))
    assert len(seat.token) >= 16
    for _ in range(connection_limits.STREAMS_PER_TOKEN - 1):
        assert seats.take(seat.token, "10.0.0.1") is seat
    assert isinstance(seats.take(seat.token, "10.0.0.1"), NoSeat)
    seats.leave(seat, "10.0.0.1")
    assert seats.take(seat.token, "10.0.0.1") is seat
    assert seats.streams == connection_limits.STREAMS_PER_TOKEN


def test_a_token_that_was_never_given_is_worth_nothing() -> None:
    seats = Seats()
    seat = seat_of(seats.take("forged", "10.0.0.1"))
    assert seat.token != "forged"
    assert not seats.knows("forged")


def test_one_address_leaves_the_others_their_seats() -> None:
    seats = Seats(per_address=3)
    taken = [seats.take("", "10.0.0.9") for _ in range(250)]
    assert sum(isinstance(one, Seat) for one in taken) == 3
    assert all("--seats" in one.words for one in taken if isinstance(one, NoSeat))
    assert isinstance(seats.take("", "10.0.0.1"), Seat)


def test_a_class_behind_one_router_fits_and_two_fit_if_the_teacher_says_so() -> None:
    assert all(isinstance(Seats().take("", "10.0.0.9"), Seat) for _ in range(30))
    many = Seats(per_address=80)
    assert all(isinstance(many.take("", "10.0.0.9"), Seat) for _ in range(80))
    assert isinstance(many.take("", "10.0.0.9"), NoSeat)


def test_tokens_are_bounded_and_the_one_unused_longest_goes_first(monkeypatch) -> None:
    monkeypatch.setattr(connection_limits, "MOST_TOKENS", 4)
    seats = Seats(per_address=2)
    tokens = []
    for place in range(6):
        address = f"10.0.0.{place}"
        seat = seat_of(seats.take("", address))
        seats.leave(seat, address)
        tokens.append(seat.token)
    assert [seats.knows(token) for token in tokens] == [False, False, True, True, True, True]
    seats.hold(tokens[2])
    seats.take("", "10.0.0.7")
    assert seats.knows(tokens[2])
    assert not seats.knows(tokens[3])


def test_who_comes_and_goes_gets_no_more_held_tokens_than_seats() -> None:
    """Each token may send one guess in a round: an address cannot have as many as it likes."""
    seats = Seats(per_address=5)
    given = 0
    for _ in range(100):
        seat = seats.take("", "10.0.0.9")
        if isinstance(seat, Seat):
            given += 1
            seats.hold(seat.token)
            seats.leave(seat, "10.0.0.9")
    assert given == 5
    seats.release()
    assert isinstance(seats.take("", "10.0.0.9"), Seat)


async def test_a_stream_gives_its_seat_back_and_a_token_keeps_it() -> None:
    async with a_page(BANDS, wishes=DisplayOptions(seats=2)) as served:
        first, second = Viewer(served), Viewer(served)
        for viewer in (first, second):
            await viewer.open()
            await viewer.state()
        assert len({first.token, second.token, ""}) == 3
        refused = await ask(served, "GET /events")
        assert (refused.status, refused.headers["retry-after"]) == (503, "10")
        assert b"--seats" in refused.body
        assert (await ask(served, "GET /")).status == 200
        first.leave()
        again = Viewer(served, token=first.token)
        await wait_for_a_seat(again)
        assert (await again.state())["shots"] == 40
        assert again.token == first.token, "no other one was given"
        for viewer in (second, again):
            viewer.leave()


async def wait_for_a_seat(viewer: Viewer) -> None:
    """Ask until the server has noticed that somebody left."""
    async with asyncio.timeout(PATIENCE_S):
        while True:
            await viewer.open()
            if viewer.answer.status == 200:
                return
            viewer.leave()


def test_a_viewer_may_send_five_messages_at_once_and_then_one_per_second() -> None:
    rate = SendingRate()
    assert [rate.allows("a", 100.0) for _ in range(7)] == [True] * 5 + [False] * 2
    assert [rate.allows("b", 100.0) for _ in range(6)] == [True] * 5 + [False], "not the others"
    assert [rate.allows("a", 101.0) for _ in range(2)] == [True, False]
    assert [rate.allows("a", 103.0) for _ in range(3)] == [True, True, False]
    assert [rate.allows("a", 9999.0) for _ in range(6)] == [True] * 5 + [False], "no savings"
    assert all(rate.allows("c", float(second)) for second in range(60))


def test_senders_are_not_remembered_without_end(monkeypatch) -> None:
    monkeypatch.setattr(connection_limits, "MOST_TOKENS", 2)
    rate = SendingRate()
    for who in "abcd":
        assert [rate.allows(who, 0.0) for _ in range(6)] == [True] * 5 + [False]
    assert not rate.allows("a", 0.0), "four are remembered, and a sent last"
    assert rate.allows("e", 0.0)
    assert not rate.allows("a", 0.0)
    assert rate.allows("b", 0.0), "it sent longest ago and is forgotten"


def test_an_address_has_connections_for_its_seats_and_a_few_more() -> None:
    assert connection_limits.limited_connections(40).most_of_address == 100
    assert connection_limits.limited_connections(250).most_of_address == 450


async def test_connections_of_one_address_are_few_and_others_get_in(monkeypatch) -> None:
    monkeypatch.setattr(
        share_server,
        "limited_connections",
        lambda _: type("Few", (connection_limits.LimitedConnection,), {"most_of_address": 5}),
    )
    async with a_page(BANDS) as served:
        idle = [await connect(served.port) for _ in range(5)]
        reader, writer = await connect(served.port)
        assert (await all_of(reader)).startswith(b"HTTP/1.1 503 ")
        writer.close()
        other = socket.socket()
        other.setblocking(False)
        other.bind(("127.0.0.3", 0))
        await asyncio.get_running_loop().sock_connect(other, (LOCALHOST, served.port))
        reader, writer = await asyncio.open_connection(sock=other)
        writer.write(head_of(served, "HEAD /", {}))
        async with asyncio.timeout(PATIENCE_S):
            assert (await reader.readline()).startswith(b"HTTP/1.1 200 ")
        for _, one in [*idle, (reader, writer)]:
            one.close()
