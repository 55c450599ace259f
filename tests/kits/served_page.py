"""A page being served, and those who ask for it, speaking HTTP by hand over plain sockets."""

import asyncio
import json
import socket
from collections.abc import AsyncIterator
from contextlib import asynccontextmanager
from pathlib import Path
from typing import Any

from waiting import PATIENCE_S

from chrono.session.replay_run import FollowRun, follow_run
from chrono.sharing.lesson_control import LessonControl
from chrono.sharing.share_server import DisplayOptions, serving
from chrono.sharing.web_address import LOCALHOST, listen


class Served:
    """Where a page is served, and by which run."""

    def __init__(
        self,
        run: FollowRun,
        port: int,
        token: str,
        task: "asyncio.Task[None]",
        control: LessonControl,
    ) -> None:
        self.run, self.port, self.task, self.control = run, port, task, control
        self.path = f"/{token}/" if token else "/"
        self.host = f"{LOCALHOST}:{port}"


@asynccontextmanager
async def a_page(
    recording: Path, token: str = "", wishes: DisplayOptions | None = None
) -> AsyncIterator[Served]:
    """Serve a recording in this loop while the block runs."""
    run = follow_run(recording)
    run.start()
    bound = listen(LOCALHOST, 0)
    ready, over = asyncio.Event(), asyncio.Event()
    wishes = wishes or DisplayOptions()
    control = wishes.control()
    task = asyncio.create_task(
        serving(run, bound, token, wishes, ready.set, over.is_set, control)
    )
    await ready.wait()
    try:
        yield Served(run, bound.getsockname()[1], token, task, control)
    finally:
        over.set()
        try:
            await task
        finally:
            run.close()


class Answer:
    """Status, headers (names in lower case) and body of an answer."""

    def __init__(self, head: bytes, body: bytes) -> None:
        first, *lines = head.decode("latin-1").split("\r\n")
        self.status = int(first.split()[1])
        pairs = (line.partition(": ") for line in lines if line)
        self.headers = {name.lower(): value for name, _, value in pairs}
        self.body = body


async def send_guess(
    served: Served, token: str, guess: str = "22", name: str = "", **headers: str
) -> Answer:
    """Send a guess as the page does."""
    body = json.dumps({"token": token, "name": name, "guess": guess}).encode()
    return await post(served, body, **headers)


async def post(served: Served, body: bytes, **headers: str) -> Answer:
    """Send something to where guesses are taken, as the page does."""
    own = {"Content_Type": "application/json", "Origin": f"http://{served.host}"}
    words = own | {"Content_Length": str(len(body))} | headers
    return await ask(served, f"POST {served.path}guess", body, **words)


async def ask(served: Served, request: str, sent: bytes = b"", **headers: str) -> Answer:
    """Send a request's first line and headers; a Host header of the page's own is added."""
    reader, writer = await asyncio.open_connection(LOCALHOST, served.port)
    try:
        writer.write(head_of(served, request, headers) + sent)
        async with asyncio.timeout(PATIENCE_S):
            head = await reader.readuntil(b"\r\n\r\n")
            body = await reader.read()
    finally:
        writer.close()
    return Answer(head, body)


def head_of(served: Served, request: str, headers: dict[str, str]) -> bytes:
    lines = {"Host": served.host} | {
        name.replace("_", "-"): value for name, value in headers.items()
    }
    text = "".join(f"{name}: {value}\r\n" for name, value in lines.items() if value)
    return f"{request} HTTP/1.1\r\n{text}\r\n".encode("latin-1")


class Viewer:
    """One who looks: reads the stream of states, event by event."""

    def __init__(self, served: Served, token: str = "", **headers: str) -> None:
        self._served, self._headers, self.token = served, headers, token
        self.answer: Answer | None = None
        self.last_id = ""

    async def open(self, small: bool = False) -> None:
        """Ask for the stream; `small` takes little at a time, as a bad link does."""
        connection = socket.socket(socket.AF_INET, socket.SOCK_STREAM)
        if small:
            connection.setsockopt(socket.SOL_SOCKET, socket.SO_RCVBUF, 4096)
        connection.setblocking(False)
        loop = asyncio.get_running_loop()
        await loop.sock_connect(connection, (LOCALHOST, self._served.port))
        self.reader, self.writer = await asyncio.open_connection(
            sock=connection, limit=4096 if small else 1 << 20
        )
        path = f"{self._served.path}events" + (f"?seat={self.token}" if self.token else "")
        self.writer.write(head_of(self._served, f"GET {path}", self._headers))
        async with asyncio.timeout(PATIENCE_S):
            self.answer = Answer(await self.reader.readuntil(b"\r\n\r\n"), b"")

    async def event(self) -> dict[str, str]:
        """Return the next event's fields."""
        async with asyncio.timeout(PATIENCE_S):
            size = int(await self.reader.readline(), 16)  # one chunk of HTTP is one event
            text = (await self.reader.readexactly(size + 2))[:-2].decode()
        lines = (line.partition(": ") for line in text.split("\n") if line)
        fields = {name: value for name, _, value in lines}
        self.last_id = fields.get("id", self.last_id)
        if fields.get("event") == "seat":
            self.token = fields["data"]
        return fields

    async def state(self) -> dict[str, Any]:
        """Return the next state."""
        while True:
            fields = await self.event()
            if "id" in fields:
                state: dict[str, Any] = json.loads(fields["data"])
                return state

    async def state_of(self, shots: int) -> dict[str, Any]:
        """Return the first state with at least so many shots."""
        while True:
            state = await self.state()
            if state["shots"] >= shots:
                return state

    def leave(self) -> None:
        self.writer.transport.abort()
