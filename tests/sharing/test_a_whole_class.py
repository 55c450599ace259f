"""Sixty viewers, floods and vanished readers, against the command as it is run.

Takes minutes: `pytest -m long tests/sharing`. The times are those of this machine with
whatever else it does meanwhile.
"""

import asyncio
import json
import os
import pty
import re
import select
import threading
import time
from collections.abc import Iterator
from contextlib import contextmanager, suppress
from pathlib import Path

import numpy as np
import pytest
from hand_board import hand_run
from sharing_process import Shared, memory_bytes

pytestmark = [
    pytest.mark.long,
    pytest.mark.skipif(not Path("/proc/self/status").exists(), reason="needs Linux's /proc"),
]

VIEWERS = 60
MARGIN = 3
"""Other tests run beside these: each time may be this many times as long as it should be."""
SHOT_EVERY_S = 0.5
GUESSING_S = float(os.environ.get("GUESSING_S", "60"))
"""How long the class guesses."""
OPEN_ROUND = re.compile(rb'"round":\{"place":(\d+),"title":"[^"]*","phase":"open"')
STATE_SHOTS = re.compile(rb'"shots":(\d+)')


class Looking:
    """One who looks, and when he first saw how many shots."""

    def __init__(self, shared: Shared, *, guesses: bool = False) -> None:
        self._shared = shared
        self.seen_s: dict[int, float] = {}
        self._shots = 0
        self._guesses, self._token, self._answered = guesses, "", 0
        self.answers: list[int] = []

    async def look(self) -> None:
        shared = self._shared
        reader, writer = await asyncio.open_connection(shared.address, shared.port)
        host = f"{shared.address}:{shared.port}"
        writer.write(f"GET {shared.path}events HTTP/1.1\r\nHost: {host}\r\n\r\n".encode())
        try:
            while line := await reader.readline():
                found = STATE_SHOTS.search(line)
                if found and int(found[1]) > self._shots:
                    now_s = time.monotonic()
                    self.seen_s |= dict.fromkeys(
                        range(self._shots + 1, int(found[1]) + 1), now_s
                    )
                    self._shots = int(found[1])
                if self._guesses:
                    await self._look_at_round(line)
        finally:
            writer.transport.abort()

    async def _look_at_round(self, line: bytes) -> None:
        """Send one guess in each round, at the moment it opens."""
        text = line.removeprefix(b"data: ").strip().decode()
        if line.startswith(b"data: ") and not text.startswith("{"):
            self._token = text
        found = OPEN_ROUND.search(line)
        if not found or int(found[1]) <= self._answered or not self._token:
            return
        self._answered = int(found[1])
        shared, host = self._shared, f"{self._shared.address}:{self._shared.port}"
        body = json.dumps({"token": self._token, "name": "x" * 20, "guess": "31.5"})
        reader, writer = await asyncio.open_connection(shared.address, shared.port)
        writer.write(
            f"POST {shared.path}guess HTTP/1.1\r\nHost: {host}\r\nOrigin: http://{host}\r\n"
            f"Content-Type: application/json\r\nContent-Length: {len(body)}\r\n\r\n"
            f"{body}".encode()
        )
        self.answers.append(int((await reader.readline()).split()[1]))
        writer.transport.abort()


@contextmanager
def read_away(shared: Shared) -> Iterator[None]:
    """Read what the terminal says, as a terminal does: a full pipe would hold it up."""
    over, pipe = threading.Event(), shared.process.stderr.fileno()

    def read() -> None:
        while not over.is_set():
            if select.select([pipe], [], [], 0.2)[0]:
                os.read(pipe, 1 << 16)

    thread = threading.Thread(target=read)
    thread.start()
    try:
        yield
    finally:
        over.set()
        thread.join()


async def lead_rounds(terminal: int, until: asyncio.Task, every_s: float = 3.0) -> int:
    """Open, close and reveal rounds by keys, as a teacher does; return how many."""
    rounds = 0
    while not until.done():
        rounds += 1
        for key in b"ocr":
            os.write(terminal, bytes([key]))
            await asyncio.sleep(every_s / 3)
    return rounds


async def clock_by_hand(path: Path, seconds: float, began: asyncio.Event) -> dict[int, float]:
    """Record shot after shot; return when each was written."""
    board, run = hand_run(path)
    written_s: dict[int, float] = {}

    def shoot() -> None:
        written_s[len(written_s) + 1] = time.monotonic()
        board.shoot(30.0 + len(written_s) % 7)
        board.wait(2.5)

    began.set()
    end_s = time.monotonic() + seconds
    while time.monotonic() < end_s:
        await asyncio.sleep(SHOT_EVERY_S)
        await asyncio.to_thread(shoot)  # a disk that is slow must not hold up who looks
    run.writer.close()
    return written_s


def delays_s(written_s: dict[int, float], viewers: list[Looking]) -> np.ndarray:
    """Return how long each shot took to each viewer; every viewer has seen every shot."""
    return np.array(
        [viewer.seen_s[shot] - at_s for shot, at_s in written_s.items() for viewer in viewers]
    )


async def slowness(until: asyncio.Task) -> list[float]:
    """Return how much longer than alone a few milliseconds of work take, again and again."""
    found = []
    while not until.done():
        await asyncio.sleep(0.5)
        began_s, worked_s = time.monotonic(), time.thread_time()
        while time.thread_time() - worked_s < 0.004:
            pass
        found.append((time.monotonic() - began_s) / (time.thread_time() - worked_s))
    return found


async def a_class(
    path: Path, seconds: float, viewers: int, *, guesses: bool = False
) -> tuple[np.ndarray, list[int], list[float]]:
    """
    Let a class look at a session, and with `guesses` guess in one round after the other.

    Returns how long each shot took to each viewer, the memory in the course of it, and how
    much this machine was slowed down by other work meanwhile.
    """
    began = asyncio.Event()
    clocking = asyncio.create_task(clock_by_hand(path, seconds, began))
    waking = asyncio.create_task(slowness(clocking))
    await began.wait()
    ours, terminal = pty.openpty()
    words = (path, "--seats", viewers, *(("--guesses", "--hidden") if guesses else ()))
    shared = await asyncio.to_thread(Shared, *words, patience_s=seconds + 60, stdin=terminal)
    looking = [Looking(shared, guesses=guesses) for _ in range(viewers)]
    leading = asyncio.create_task(lead_rounds(ours, clocking)) if guesses else None
    tasks = [asyncio.create_task(one.look()) for one in looking]
    memory = []
    with read_away(shared):
        while not clocking.done():
            await asyncio.sleep(min(5.0, seconds / 10))
            memory.append(memory_bytes(shared.process.pid))
        written_s = clocking.result()
        rounds = await leading if leading is not None else 0
        await asyncio.sleep(1.0)
    shared.end()
    await asyncio.gather(*tasks)
    os.close(ours)
    os.close(terminal)
    for viewer in looking if rounds else ():
        assert set(viewer.answers) <= {200, 409}  # 409: on a slow machine the round is over
        assert viewer.answers.count(200) >= rounds // 2
    first = max(min(one.seen_s.values()) for one in looking)
    written_s = {shot: at_s for shot, at_s in written_s.items() if at_s > first}
    return delays_s(written_s, looking), memory, await waking


async def test_sixty_viewers_see_each_shot_and_memory_stays_flat(tmp_path) -> None:
    """`pytest -s` prints how late 95 of 100 shots are; on a quiet machine within 0.2 s."""
    delays, memory, slowed = await a_class(tmp_path / "monday.tsv", 60.0, VIEWERS)
    assert len(delays) >= 60 * VIEWERS
    p95_s = float(np.quantile(delays, 0.95))
    grown = memory[-1] - memory[len(memory) // 3]
    factor = float(np.quantile(slowed, 0.95))  # 1 where nothing else runs here
    print(f"p50 {np.median(delays):.3f} s, p95 {p95_s:.3f} s, slowed {factor:.2f} times")
    print(f"{memory[-1]:,} bytes, +{grown:,}")
    assert grown < 4_000_000


async def test_sixty_viewers_who_guess_see_each_shot_too(tmp_path) -> None:
    path = tmp_path / "monday.tsv"
    delays, memory, slowed = await a_class(path, GUESSING_S, VIEWERS, guesses=True)
    p95_s = float(np.quantile(delays, 0.95))
    grown = memory[-1] - memory[len(memory) // 3]
    factor = float(np.quantile(slowed, 0.95))
    kept = path.with_name("monday.guesses.jsonl").read_bytes().count(b"\n")
    print(f"p50 {np.median(delays):.3f} s, p95 {p95_s:.3f} s, slowed {factor:.2f} times")
    print(f"{memory[-1]:,} bytes, +{grown:,}; {kept:,} guesses kept")
    assert kept >= VIEWERS
    assert grown < 4_000_000


async def test_a_class_that_guesses_does_not_delay_a_line_of_the_board(tmp_path) -> None:
    path = tmp_path / "monday.tsv"
    ours, terminal = pty.openpty()
    words = ("virtual://two-bands", "--recording", path, "--seats", VIEWERS, "--guesses")
    shared = await asyncio.to_thread(Shared, *words, patience_s=300, stdin=terminal)
    await asyncio.sleep(40)
    calm_us = last_us(path)
    looking = [Looking(shared, guesses=True) for _ in range(VIEWERS)]
    tasks = [asyncio.create_task(viewer.look()) for viewer in looking]
    lesson = asyncio.create_task(asyncio.sleep(40))
    rounds = await lead_rounds(ours, lesson)
    guessed_us = last_us(path)
    _, err = shared.end()
    await asyncio.gather(*tasks)
    os.close(ours)
    os.close(terminal)
    calm_s = np.quantile(reading_delays_s(path, 5_000_000, calm_us), 0.95)
    guessing_s = np.quantile(reading_delays_s(path, calm_us, guessed_us), 0.95)
    taken = sum(viewer.answers.count(200) for viewer in looking)
    print(
        f"{taken} guesses in {rounds} rounds; p95 of reading {calm_s * 1e3:.2f} ms calm, "
        f"{guessing_s * 1e3:.2f} ms while a class guesses"
    )
    assert shared.process.returncode == 0, err
    assert taken >= VIEWERS
    assert guessing_s < MARGIN * (calm_s + 0.01)


def reading_delays_s(path: Path, since_us: int, until_us: int) -> np.ndarray:
    """Return how much later than the earliest each line was read, by the board's clock."""
    lines = re.findall(rb"(\d+)\tboard\t[ET] \w+ (?:[AB] [01] )?(\w{8}) ", path.read_bytes())
    host_s, counter = np.array([(int(h) * 1e-6, int(c, 16)) for h, c in lines]).T
    board_s = np.unwrap(counter, period=2.0**32) / 16e6
    late_s = host_s - board_s
    late_s -= np.polyval(np.polyfit(board_s, late_s, 1), board_s)  # the board's own rate
    late_s -= late_s.min()
    within = (host_s * 1e6 >= since_us) & (host_s * 1e6 < until_us)
    return late_s[within]


async def flood(shared: Shared, connections: int) -> list[bytes]:
    """Open so many connections, ask for nothing, and hold them; return what each was told."""
    opening = asyncio.Semaphore(200)
    answers: list[bytes] = []

    async def one() -> None:
        with suppress(OSError, TimeoutError):
            async with opening:
                reader, writer = await asyncio.open_connection(shared.address, shared.port)
            try:
                async with asyncio.timeout(60):
                    answers.append(await reader.read(100))
            finally:
                writer.transport.abort()

    await asyncio.gather(*(one() for _ in range(connections)))
    return answers


async def test_ten_thousand_connections_are_refused_and_delay_no_line(tmp_path) -> None:
    path = tmp_path / "monday.tsv"
    words = ("virtual://two-bands", "--recording", path)
    shared = await asyncio.to_thread(Shared, *words, patience_s=300)
    viewers = [Looking(shared) for _ in range(5)]
    tasks = [asyncio.create_task(viewer.look()) for viewer in viewers]
    await asyncio.sleep(40)
    calm_us = last_us(path)
    answers = await flood(shared, 10_000)
    refused = sum(answer.startswith(b"HTTP/1.1 503") for answer in answers)
    flooded_us = last_us(path)
    open_files = len([*Path(f"/proc/{shared.serving_process()}/fd").iterdir()])
    await asyncio.sleep(3)
    shots = [max(viewer.seen_s) for viewer in viewers]
    out, err = shared.end()
    await asyncio.gather(*tasks)
    calm_s = np.quantile(reading_delays_s(path, 5_000_000, calm_us), 0.95)
    flooded_s = np.quantile(reading_delays_s(path, calm_us, flooded_us), 0.95)
    print(
        f"{refused} of {len(answers)} answered got 503; p95 of reading "
        f"{calm_s * 1e3:.2f} ms calm, {flooded_s * 1e3:.2f} ms flooded, "
        f"for {(flooded_us - calm_us) * 1e-6:.0f} s"
    )
    assert refused > 9_000
    assert open_files < 700
    assert "Traceback" not in err
    assert shared.process.returncode == 0, err
    assert flooded_s < MARGIN * (calm_s + 0.01)
    assert min(shots) >= len(out.splitlines()) - 1  # those who looked went on looking


def last_us(path: Path) -> int:
    return int(path.read_bytes().splitlines()[-1].partition(b"\t")[0])
