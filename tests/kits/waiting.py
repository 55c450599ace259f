"""Waiting for what another process or thread does."""

import asyncio
import subprocess
import threading
import time
from collections.abc import Callable, Iterator
from contextlib import contextmanager

PATIENCE_S = 60.0
"""Longest wait for what must come; only a failing test waits as long."""


def wait_until(
    condition: Callable[[], object], seconds: float = PATIENCE_S, every_s: float = 0.02
) -> None:
    """Wait for something to be so, and fail if it does not become so."""
    end, never = time.monotonic() + seconds, threading.Event()
    while not condition():
        assert time.monotonic() < end, "it did not come"
        never.wait(every_s)


async def wait_beside(
    condition: Callable[[], object], meanwhile: Callable[[], object] = lambda: None
) -> None:
    """Wait in an event loop for something to be so; do something again and again meanwhile."""
    async with asyncio.timeout(PATIENCE_S):
        while not condition():
            meanwhile()
            await asyncio.sleep(0.01)


@contextmanager
def patience(process: "subprocess.Popen[bytes] | subprocess.Popen[str]") -> Iterator[None]:
    """Kill a process that takes too long, so that who reads from it comes to its end."""
    guard = threading.Timer(PATIENCE_S, process.kill)
    guard.start()
    try:
        yield
    finally:
        guard.cancel()
