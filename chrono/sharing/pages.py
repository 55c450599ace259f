"""The page and its stream of states, as an ASGI application.

There are two things to ask for, the page and its states, named exactly; no path is ever looked
up in a file system. Nothing that a request brings is executed, stored or shown.
"""

import base64
import hashlib
from collections.abc import Mapping
from importlib.resources import files

from starlette.requests import Request
from starlette.responses import PlainTextResponse, Response, StreamingResponse
from starlette.types import ASGIApp, Receive, Scope, Send

from chrono.cautions import CAUTION_LINE
from chrono.sharing.admission import Asked, Refused, admit
from chrono.sharing.channel import Channel

PAGE, EVENTS = "", "events"

MOST_VIEWERS = 250
"""Several classes; more streams are refused."""

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


def make_app(channel: Channel, token: str) -> ASGIApp:
    """
    Return the application.

    Parameters
    ----------
    channel : Channel
        What is shown.
    token : str
        Secret that leads every path; empty for none.
    """
    page, policy = make_page()

    async def app(scope: Scope, receive: Receive, send: Send) -> None:
        request = Request(scope, receive)
        answer = _answer(request, channel, token, page, policy)
        await answer(scope, receive, send)

    return app


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


def _answer(
    request: Request, channel: Channel, token: str, page: bytes, policy: str
) -> Response:
    name = admit(_asked(request), token)
    if isinstance(name, Refused):
        allowed = {"Allow": "GET, HEAD"} if name.status == 405 else {}
        return _words(name.status, name.words, allowed)
    if name == PAGE:
        headers = {**SAFE_HEADERS, "Content-Security-Policy": policy}
        return Response(page, media_type="text/html; charset=utf-8", headers=headers)
    if name == EVENTS and request.method == "HEAD":
        return Response(media_type="text/event-stream", headers=_headers())
    if name == EVENTS and channel.viewers >= MOST_VIEWERS:
        return _words(503, "As many as there is room for are looking.", {"Retry-After": "10"})
    if name == EVENTS:
        seen = request.headers.get("last-event-id", "")
        return StreamingResponse(
            channel.messages(seen), media_type="text/event-stream", headers=_headers()
        )
    return _words(404, "There is no such page.")


def _asked(request: Request) -> Asked:
    scope, headers = request.scope, request.headers
    address, port = scope.get("server") or ("", 0)
    return Asked(
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
