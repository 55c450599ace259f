"""The web application sends each viewer the page, and then the changes of the page.

A viewer can request only the page and its changes, and no other file. If the teacher accepts
guesses, a viewer can send a guess, but no other data. A guess is a small JSON object that
contains the token of the viewer's page.

A viewer with a slow connection misses old states and gets the newest state as soon as
possible, without slowing down other viewers. The states are sent in the format "server-sent
events" (HTML Living Standard, 9.2).
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
"""Longest time between two messages [s], so that server and viewer detect a lost link."""

RETRY_MS = 2000
"""Time after which a page with a lost link tries again [ms]."""


class StateChannel:
    """
    Stores the newest state of the page, and sends this state to all viewers.

    Parameters
    ----------
    beat : callable
        Function that returns the text to send when there is no new state.

    Attributes
    ----------
    viewers : int
        Number of viewers.
    """

    def __init__(self, beat: Callable[[], bytes] = lambda: b"{}") -> None:
        self._beat = beat
        self._run = secrets.token_hex(
            4
        )  # distinguishes the states of this run from the states of earlier runs
        self._number = 0
        self._message = b""
        self._changed = asyncio.Event()
        self._closed = False
        self.viewers = 0

    def publish(self, state: bytes) -> None:
        """Send a new state of the page, which is one line of text, to all viewers."""
        self._number += 1
        self._message = b"id: %s\ndata: %s\n\n" % (self._name(self._number), state)
        self._wake()

    def close(self) -> None:
        """End the stream of every viewer."""
        self._closed = True
        self._wake()

    async def messages(self, last_seen: str = "", token: str = "") -> AsyncIterator[bytes]:
        """
        Yield the newest state after each change.

        If nothing changes for some time, yield a beat (a short message).

        Parameters
        ----------
        last_seen : str, optional
            Name of the state that this viewer saw last, on an earlier connection.
        token : str, optional
            Token that is sent first, if this viewer's page does not have it yet.
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
"""Largest size of a sent guess [bytes]; a usual guess needs only a tenth of this size."""

SENT_WITHIN_S = 5.0
"""Longest time in which a sent guess must arrive [s]."""

SAFE_HEADERS = {
    "Cache-Control": "no-store",
    "Connection": "close",
    "Cross-Origin-Opener-Policy": "same-origin",
    "Cross-Origin-Resource-Policy": "same-origin",
    "Referrer-Policy": "no-referrer",
    "X-Content-Type-Options": "nosniff",
    "X-Frame-Options": "DENY",
}
"""Headers of every answer. A browser must not store the page, show it inside another page, or
pass on its secret address."""

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
    Return the web application.

    Parameters
    ----------
    channel : StateChannel
        The states that are shown.
    token : str
        Secret at the beginning of every path; empty for no secret.
    seats : Seats, optional
        The seats of the viewers.
    control : LessonControl, optional
        Receives the guesses. Without `control`, viewers cannot send guesses.
    tell : callable, optional
        Function that gets messages for the teacher.
    """
    return _App(channel, token, seats or Seats(), control, tell)


class _App:
    """The web application, which answers all requests of viewers."""

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
        return _words(404, "This page does not exist.")

    async def _take(self, request: Request, control: LessonControl) -> Response:
        """Accept a viewer's guess, or answer with the reason why the guess is refused."""
        if request.headers.get("content-type", "").partition(";")[0] != "application/json":
            return _words(415, "Send the guess with the form on the page.")
        body = await _body(request)
        sent = _guess_sent(body) if isinstance(body, bytes) else None
        token, name, text = sent or ("", "", "")
        is_known = self._seats.knows(token)
        now_s = asyncio.get_running_loop().time()
        if not self._rate.allows(token if is_known else _address_of(request), now_s):
            return _words(429, "Too many messages. Wait, then try again.", {"Retry-After": "5"})
        if isinstance(body, RefusedRequest):
            return _words(body.status, body.words)
        if sent is None:
            return _words(400, "This message is not a guess.")
        if not is_known:
            return _words(403, "The server does not know this page. Load the page again.")
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
        """Keep the token of a viewer who guessed, so that nobody guesses twice in a round."""
        if control.place != self._held_in:
            self._held_in = control.place
            self._seats.release()
        self._seats.hold(token)

    async def _stream(self, request: Request, send: Send) -> None:
        """
        Send the page's states to a viewer until the viewer leaves.

        If there are too many viewers, refuse the viewer.
        """
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
    Return the web page as one file, and its security policy for the browser.

    With this policy, the browser uses only the style and the script of this page (Content
    Security Policy Level 3, W3C).
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
    """Return the data of a request; refuse data that are too large or arrive too late."""
    too_large = RefusedRequest(413, "This text is too long for a guess.")
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
        return RefusedRequest(408, "The guess came too late. Send it again.")
    return body


def _guess_sent(body: bytes) -> tuple[str, str, str] | None:
    """Read token, name and guess from a viewer's data; return None for wrong data."""
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
