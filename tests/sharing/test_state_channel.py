"""One newest state for all: nobody waits for anybody, and nobody gets old news."""

import asyncio

import pytest

from chrono.sharing import web_app as channel_room
from chrono.sharing.web_app import StateChannel


async def test_who_comes_gets_the_newest_state_and_then_each_newer_one() -> None:
    channel = StateChannel()
    channel.publish(b"one")
    messages = channel.messages()
    assert await anext(messages) == b"retry: 2000\n\n"
    first = await anext(messages)
    assert first.startswith(b"id: ")
    assert first.endswith(b"\ndata: one\n\n")
    waiting = asyncio.ensure_future(anext(messages))
    await asyncio.sleep(0)
    assert not waiting.done()
    channel.publish(b"two")
    assert (await waiting).endswith(b"data: two\n\n")
    await messages.aclose()


async def test_all_get_the_very_same_bytes() -> None:
    channel = StateChannel()
    channel.publish(b"state")
    streams = [channel.messages() for _ in range(5)]
    for stream in streams:
        await anext(stream)
    states = [await anext(stream) for stream in streams]
    assert all(state is states[0] for state in states)
    for stream in streams:
        await stream.aclose()


async def test_who_is_slow_misses_states_and_gets_the_newest_one() -> None:
    channel = StateChannel()
    slow = channel.messages()
    await anext(slow)
    for n in range(1000):
        channel.publish(b"%d" % n)
    assert (await anext(slow)).endswith(b"data: 999\n\n")
    await slow.aclose()


async def test_who_comes_back_gets_only_what_is_new_to_him() -> None:
    channel = StateChannel()
    channel.publish(b"one")
    stream = channel.messages()
    await anext(stream)
    name = (await anext(stream)).split(b"\n")[0].removeprefix(b"id: ").decode()
    await stream.aclose()
    back = channel.messages(name)
    await anext(back)
    waiting = asyncio.ensure_future(anext(back))
    await asyncio.sleep(0)
    assert not waiting.done()
    channel.publish(b"two")
    assert (await waiting).endswith(b"data: two\n\n")
    await back.aclose()


@pytest.mark.parametrize("name", ["", "x", "1", "ffffffff-1", "\u00e4\n"])
async def test_a_name_of_another_run_counts_for_nothing(name: str) -> None:
    channel = StateChannel()
    channel.publish(b"one")
    stream = channel.messages(name)
    await anext(stream)
    assert (await anext(stream)).endswith(b"data: one\n\n")
    await stream.aclose()


async def test_silence_is_broken_by_beats(monkeypatch) -> None:
    monkeypatch.setattr(channel_room, "BEAT_S", 0.01)
    channel = StateChannel(lambda: b'{"quiet_s": 3}')
    stream = channel.messages()
    await anext(stream)
    assert await anext(stream) == b'event: beat\ndata: {"quiet_s": 3}\n\n'
    await stream.aclose()


async def test_viewers_are_counted_while_they_look() -> None:
    channel = StateChannel()
    streams = [channel.messages() for _ in range(3)]
    for stream in streams:
        await anext(stream)
    assert channel.viewers == 3
    await streams[0].aclose()
    assert channel.viewers == 2
    channel.close()
    for stream in streams[1:]:
        with pytest.raises(StopAsyncIteration):
            await anext(stream)
    assert channel.viewers == 0
