"""The page and its stream of states, as an ASGI application.

There are two things to ask for, the page and its states, named exactly; no path is ever looked
up in a file system. Where guesses are taken, they are the only thing that can be sent: a small
object of JSON, with the token of a page that looks. Nothing else that a request brings is
stored or shown, and nothing is executed.

There are no queues. A viewer has only the number of the state that was sent last. So a slow
viewer gets the newest state when it can take more, and costs nobody anything. The form is
that of server-sent events (HTML Living Standard, 9.2).
"""

import asyncio
import base64
import hashlib
import json
import secrets
from collections.abc import AsyncIterator, Callable, Mapping
from importlib.resources import files

from starlette.requests import ClientDisconnect, Request
from starlette.responses import PlainTextResponse, Response, StreamingResponse
from starlette.types import ASGIApp, Receive, Scope, Send

from chrono.cautions import CAUTION_LINE
from chrono.errors import OptionError
from chrono.sharing.access_control import PageRequest, RefusedRequest, admit
from chrono.sharing.connection_limits import NoSeat, Seats, SendingRate
from chrono.sharing.lesson_control import LessonControl
from chrono.teaching.guess_rounds import RoundError

BEAT_S = 5.0
"""Something is sent at least so often, so that both ends know of each other [s]."""

RETRY_MS = 2000
"""Who lost the link tries again after so long [ms]."""


class StateChannel:
    """
    The newest state, and all who wait for a newer one.

    Parameters
    ----------
    beat : callable
        Gives the text sent where nothing is new.

    Attributes
    ----------
    viewers : int
        How many are looking.
    """

    def __init__(self, beat: Callable[[], bytes] = lambda: b"{}") -> None:
        self._beat = beat
        self._run = secrets.token_hex(4)  # numbers of an earlier run are none of this one
        self._number = 0
        self._message = b""
        self._changed = asyncio.Event()
        self._closed = False
        self.viewers = 0

    def publish(self, state: bytes) -> None:
        """Let everyone have a state, given as one line of text, in place of the one before."""
        self._number += 1
        self._message = b"id: %s\ndata: %s\n\n" % (self._name(self._number), state)
        self._wake()

    def close(self) -> None:
        """End every stream."""
        self._closed = True
        self._wake()

    async def messages(self, last_seen: str = "", token: str = "") -> AsyncIterator[bytes]:
        """
        Yield the newest state whenever there is a newer one, and beats between.

        Parameters
        ----------
        last_seen : str, optional
            Name of the state that this viewer saw last, on an earlier connection.
        token : str, optional
            Given to this viewer's page first, if the page has no such token yet.
        """
        seen = self._number if last_seen.encode() == self._name(self._number) else 0
        self.viewers += 1
        try:
            yield b"retry: %d\n\n" % RETRY_MS
            if token:
                yield b"event: seat\ndata: %s\n\n" % token.encode()
            while not self._closed:
                changed = self._changed
                if self._number != seen:
                    seen = self._number
                    yield self._message
                elif not await _within(BEAT_S, changed):
                    yield b"event: beat\ndata: %s\n\n" % self._beat()
        finally:
            self.viewers -= 1

    def _name(self, number: int) -> bytes:
        return f"{self._run}-{number}".encode()

    def _wake(self) -> None:
        changed, self._changed = self._changed, asyncio.Event()
        changed.set()


async def _within(seconds: float, event: asyncio.Event) -> bool:
    try:
        async with asyncio.timeout(seconds):
            await event.wait()
    except TimeoutError:
        return False
    return True


PAGE, EVENTS, GUESS = "", "events", "guess"

MOST_BYTES = 1024
"""Of a guess; a name and a number have room in a tenth of it."""

SENT_WITHIN_S = 5.0
"""What is sent must be here by then [s]."""

SAFE_HEADERS = {
    "Cache-Control": "no-store",
    "Connection": "close",
    "Cross-Origin-Opener-Policy": "same-origin",
    "Cross-Origin-Resource-Policy": "same-origin",
    "Referrer-Policy": "no-referrer",
    "X-Content-Type-Options": "nosniff",
    "X-Frame-Options": "DENY",
}
"""With every answer: not kept, not framed, its address (with the secret) told to nobody."""

LOCKED_POLICY = (
    "default-src 'none'; base-uri 'none'; form-action 'none'; frame-ancestors 'none'"
)


def make_app(
    channel: StateChannel,
    token: str,
    seats: Seats | None = None,
    control: LessonControl | None = None,
    tell: Callable[[str], None] = lambda _: None,
) -> ASGIApp:
    """
    Return the application.

    Parameters
    ----------
    channel : StateChannel
        What is shown.
    token : str
        Secret that leads every path; empty for none.
    seats : Seats, optional
        Who may look.
    control : LessonControl, optional
        Where guesses go; without it nothing can be sent.
    tell : callable, optional
        Takes what the teacher should know.
    """
    return _App(channel, token, seats or Seats(), control, tell)


class _App:
    """The application: finds out what is asked for, and answers."""

    def __init__(
        self,
        channel: StateChannel,
        token: str,
        seats: Seats,
        control: LessonControl | None,
        tell: Callable[[str], None],
    ) -> None:
        self._channel, self._token, self._seats = channel, token, seats
        self._control, self._rate = control, SendingRate()
        self._tell, self._held_in = tell, 0
        self._page, self._policy = make_page()

    async def __call__(self, scope: Scope, receive: Receive, send: Send) -> None:
        request = Request(scope, receive)
        name = admit(_asked(request), self._token, GUESS if self._control else "")
        if name == EVENTS and request.method == "GET":
            await self._stream(request, send)
        elif name == GUESS and self._control is not None:
            answer = await self._take(request, self._control)
            await answer(scope, receive, send)
        else:
            await self._answer(request, name)(scope, receive, send)

    def _answer(self, request: Request, name: str | RefusedRequest) -> Response:
        if isinstance(name, RefusedRequest):
            ways = "GET, HEAD, POST" if self._control else "GET, HEAD"
            allowed = {"Allow": ways} if name.status == 405 else {}
            return _words(name.status, name.words, allowed)
        if name == PAGE:
            headers = {**SAFE_HEADERS, "Content-Security-Policy": self._policy}
            return Response(self._page, media_type="text/html; charset=utf-8", headers=headers)
        if name == EVENTS:
            return Response(media_type="text/event-stream", headers=_headers())
        return _words(404, "There is no such page.")

    async def _take(self, request: Request, control: LessonControl) -> Response:
        """Take a guess, or say why it is not taken."""
        if request.headers.get("content-type", "").partition(";")[0] != "application/json":
            return _words(415, "A guess is sent by the page itself.")
        body = await _body(request)
        sent = _guess_sent(body) if isinstance(body, bytes) else None
        token, name, text = sent or ("", "", "")
        is_known = self._seats.knows(token)
        now_s = asyncio.get_running_loop().time()
        if not self._rate.allows(token if is_known else _address_of(request), now_s):
            return _words(429, "Too many at once. Try again.", {"Retry-After": "5"})
        if isinstance(body, RefusedRequest):
            return _words(body.status, body.words)
        if sent is None:
            return _words(400, "This is not a guess.")
        if not is_known:
            return _words(403, "This page has no seat. Load it again.")
        try:
            number = control.take_guess(token, name, text)
        except RoundError as wrong_time:
            return _words(409, f"{wrong_time.message.capitalize()}.")
        except OptionError as no_guess:
            return _words(400, f"{no_guess.message.capitalize()}: {no_guess.hint}.")
        self._hold(token, control)
        return Response(
            json.dumps({"number": number}), media_type="application/json", headers=_headers()
        )

    def _hold(self, token: str, control: LessonControl) -> None:
        """Keep the tokens that have guessed in this round, so that none can guess twice."""
        if control.place != self._held_in:
            self._held_in = control.place
            self._seats.release()
        self._seats.hold(token)

    async def _stream(self, request: Request, send: Send) -> None:
        """Send states for as long as the viewer has a seat."""
        address = _address_of(request)
        token = request.query_params.get("seat", "")
        seat = self._seats.take(token, address)
        if isinstance(seat, NoSeat):
            self._tell(f"a viewer at {address} was refused: {seat.words}")
            refusal = _words(503, f"{seat.words.capitalize()}.", {"Retry-After": "10"})
            await refusal(request.scope, request.receive, send)
            return
        new = "" if seat.token == token else seat.token
        messages = self._channel.messages(request.headers.get("last-event-id", ""), new)
        try:
            stream = StreamingResponse(
                messages, media_type="text/event-stream", headers=_headers()
            )
            await stream(request.scope, request.receive, send)
        finally:
            self._seats.leave(seat, address)


def make_page() -> tuple[bytes, str]:
    """
    Return the whole page, one file that loads nothing, and its content security policy.

    The policy allows the style and the script of the page by their hashes, and nothing else
    to run (Content Security Policy Level 3, W3C).
    """
    style, script = _text("page.css"), _text("page.js")
    page = _text("page.html").replace("/*style*/", style).replace("/*script*/", script)
    page = page.replace("<!--caution-->", CAUTION_LINE)
    policy = (
        f"{LOCKED_POLICY}; connect-src 'self'; "
        f"style-src '{_hash(style)}'; script-src '{_hash(script)}'"
    )
    return page.encode(), policy


def _address_of(request: Request) -> str:
    return request.client.host if request.client else ""


async def _body(request: Request) -> bytes | RefusedRequest:
    """Return what was sent, if it is small and comes at once."""
    too_large = RefusedRequest(413, "That is too long for a guess.")
    stated = request.headers.get("content-length", "0")
    if not (stated.isascii() and stated.isdigit()) or int(stated[:20]) > MOST_BYTES:
        return too_large
    body = b""
    try:
        async with asyncio.timeout(SENT_WITHIN_S):
            async for piece in request.stream():
                body += piece
                if len(body) > MOST_BYTES:
                    return too_large
    except (TimeoutError, ClientDisconnect):
        return RefusedRequest(408, "The guess did not come in time.")
    return body


def _guess_sent(body: bytes) -> tuple[str, str, str] | None:
    """Return token, name and guess of a body, None if it is something else."""
    try:
        sent = json.loads(body)
        values = [sent[key] for key in ("token", "name", "guess")]
    except (ValueError, TypeError, KeyError, RecursionError):
        return None
    if len(sent) != 3 or not all(isinstance(value, str) for value in values):
        return None
    token, name, guess = values
    return token, name, guess


def _asked(request: Request) -> PageRequest:
    scope, headers = request.scope, request.headers
    address, port = scope.get("server") or ("", 0)
    return PageRequest(
        request.method,
        scope.get("raw_path", b"").decode("latin-1"),
        headers.get("host", ""),
        headers.get("origin", ""),
        headers.get("sec-fetch-site", ""),
        address,
        port or 0,
    )


def _words(status: int, words: str, more: Mapping[str, str] = {}) -> Response:
    return PlainTextResponse(f"{words}\n", status, headers={**_headers(), **more})


def _headers() -> dict[str, str]:
    return {**SAFE_HEADERS, "Content-Security-Policy": LOCKED_POLICY}


def _text(name: str) -> str:
    return files("chrono.sharing").joinpath(name).read_text("utf-8")


def _hash(text: str) -> str:
    digest = hashlib.sha256(text.encode()).digest()
    return f"sha256-{base64.b64encode(digest).decode()}"
