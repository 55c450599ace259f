"""Waiting for what another process does."""

import threading
import time
from collections.abc import Callable


def wait_until(condition: Callable[[], object], seconds: float = 60) -> None:
    """Wait for something to be so, and fail if it does not become so."""
    end, never = time.monotonic() + seconds, threading.Event()
    while not condition():
        assert time.monotonic() < end, "it did not come"
        never.wait(0.02)
