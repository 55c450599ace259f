"""Pages in headless Chromium that stay open: what stands in them, keys, sizes, pictures.

Speaks the DevTools protocol over the two pipes of `--remote-debugging-pipe`: messages of JSON,
each ended by a zero byte.
"""

import base64
import json
import os
import subprocess
import sys
import threading
from collections.abc import Iterator
from contextlib import contextmanager
from itertools import count
from pathlib import Path
from typing import Any

from browser_kit import browser
from waiting import PATIENCE_S, wait_until

BEGIN = """
import fcntl, os, sys
ends = [fcntl.fcntl(int(number), fcntl.F_DUPFD, 10) for number in sys.argv[1:3]]
for place, end in enumerate(ends, 3):  # Chromium reads from 3 and writes to 4
    os.dup2(end, place)
os.execv(sys.argv[3], sys.argv[3:])
"""


class Browser:
    """A browser, ended with `close`."""

    def __init__(self) -> None:
        its_in, self._out = os.pipe()
        self._in, its_out = os.pipe()
        options = ["--headless", "--no-sandbox", "--disable-gpu", "--remote-debugging-pipe"]
        quiet = ["--disable-background-networking", "--no-first-run"]
        self._process = subprocess.Popen(
            [
                sys.executable,
                "-c",
                BEGIN,
                str(its_in),
                str(its_out),
                browser(),
                *options,
                *quiet,
            ],
            pass_fds=(its_in, its_out),
            stdout=subprocess.DEVNULL,
            stderr=subprocess.DEVNULL,
        )
        os.close(its_in)
        os.close(its_out)
        self._numbers = count(1)
        self._answers: dict[int, dict[str, Any]] = {}
        self.events: list[dict[str, Any]] = []
        self._came = threading.Condition()
        threading.Thread(target=self._read, daemon=True).start()

    def _read(self) -> None:
        rest = b""
        while piece := os.read(self._in, 1 << 16):
            *whole, rest = (rest + piece).split(b"\0")
            with self._came:
                for text in whole:
                    message = json.loads(text)
                    if "id" in message:
                        self._answers[message["id"]] = message
                    else:
                        self.events.append(message)
                self._came.notify_all()

    def call(self, method: str, session: str = "", **words: Any) -> dict[str, Any]:
        """Have something done, and return what comes of it."""
        number = next(self._numbers)
        message = {"id": number, "method": method, "params": words}
        if session:
            message["sessionId"] = session
        os.write(self._out, json.dumps(message).encode() + b"\0")
        with self._came:
            assert self._came.wait_for(lambda: number in self._answers, PATIENCE_S), method
        answer = self._answers.pop(number)
        assert "error" not in answer, answer
        found: dict[str, Any] = answer["result"]
        return found

    def close(self) -> None:
        self.call("Browser.close")
        self._process.wait(PATIENCE_S)
        os.close(self._out)
        os.close(self._in)

    def open(
        self, url: str, width: int = 390, height: int = 844, *, dark: bool = False
    ) -> "Tab":
        """Open a page in a profile of its own, as on another device."""
        profile = self.call("Target.createBrowserContext")["browserContextId"]
        target = self.call("Target.createTarget", url="about:blank", browserContextId=profile)
        attached = self.call("Target.attachToTarget", targetId=target["targetId"], flatten=True)
        tab = Tab(self, attached["sessionId"])
        tab.call("Runtime.enable")
        tab.call("Log.enable")
        tab.call("Page.enable")
        tab.resize(width, height)
        feature = {"name": "prefers-color-scheme", "value": "dark" if dark else "light"}
        tab.call("Emulation.setEmulatedMedia", features=[feature])
        tab.call("Page.navigate", url=url)
        tab.wait(f"location.href === {url!r} && document.readyState === 'complete'")
        return tab


class Tab:
    """One page."""

    def __init__(self, browser: Browser, session: str) -> None:
        self._browser, self._session = browser, session

    def call(self, method: str, **words: Any) -> dict[str, Any]:
        return self._browser.call(method, self._session, **words)

    def resize(self, width: int, height: int, scale: float = 1.0) -> None:
        """Give the page a window; with `scale` 2 it is zoomed to 200 %."""
        self.call("Emulation.setScrollbarsHidden", hidden=True)  # as on a phone
        self.call(
            "Emulation.setDeviceMetricsOverride",
            width=round(width / scale),
            height=round(height / scale),
            deviceScaleFactor=scale,
            mobile=False,
        )

    def value(self, script: str) -> Any:
        """Return what an expression is worth in the page."""
        found = self.call(
            "Runtime.evaluate", expression=script, returnByValue=True, awaitPromise=True
        )
        assert "exceptionDetails" not in found, found
        return found["result"].get("value")

    def text(self, name: str) -> str:
        """Return the text of the element with this id, as it is seen."""
        found: str = self.value(f"(document.getElementById('{name}') || {{}}).innerText || ''")
        return found

    def wait(self, script: str) -> None:
        """Wait for an expression to be true in the page."""
        wait_until(lambda: self.value(script), every_s=0.05)

    def keys(self, *keys: str) -> None:
        """Press keys: letters, or names such as Tab and Enter."""
        for key in keys:
            text = "\r" if key == "Enter" else key if len(key) == 1 else ""
            code = {"Tab": 9, "Enter": 13, " ": 32}.get(key, 0)
            common = {"key": key, "windowsVirtualKeyCode": code, "code": key}
            kind = "keyDown" if text else "rawKeyDown"
            self.call("Input.dispatchKeyEvent", type=kind, text=text, **common)
            self.call("Input.dispatchKeyEvent", type="keyUp", **common)

    def picture(self, path: Path) -> None:
        """Save what is seen."""
        shot = self.call("Page.captureScreenshot", captureBeyondViewport=True)
        path.write_bytes(base64.b64decode(shot["data"]))

    def complaints(self) -> list[str]:
        """Return what the console of this page said: errors, refusals of its policy."""
        return [
            json.dumps(event["params"])
            for event in self._browser.events
            if event.get("sessionId") == self._session
            and event["method"] in ("Log.entryAdded", "Runtime.exceptionThrown")
        ]


@contextmanager
def a_browser() -> Iterator[Browser]:
    """Give a browser while the block runs."""
    one = Browser()
    try:
        yield one
    finally:
        one.close()
