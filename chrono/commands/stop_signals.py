"""Handle the signals that ask the program to end."""

import signal
from collections.abc import Callable, Iterator
from contextlib import contextmanager, suppress
from typing import Any

ENDING = ("SIGTERM", "SIGHUP")
"""Names of signals that ask a program to end. Some systems do not have all of them."""


class EndRequest:
    """Record whether the program was asked to end."""

    asked = False


@contextmanager
def noted_signals() -> Iterator[EndRequest]:
    """
    Record the first end signal or Ctrl+C; interrupt the program at the second signal.

    The program can then print the whole line of a shot before it ends. If nobody reads the
    output, a second signal still ends the program.
    """
    ending = EndRequest()

    def note(*_: object) -> None:
        if ending.asked:
            raise KeyboardInterrupt
        ending.asked = True

    with _handled(("SIGINT", *ENDING), note):
        yield ending


@contextmanager
def ended_by_signals() -> Iterator[None]:
    """Treat the signals that ask the program to end like Ctrl+C."""

    def stop(*_: object) -> None:
        raise KeyboardInterrupt

    with _handled(ENDING, stop):
        yield


@contextmanager
def _handled(names: tuple[str, ...], handler: Callable[..., None]) -> Iterator[None]:
    numbers = [getattr(signal, name) for name in names if hasattr(signal, name)]
    before: dict[int, Any] = {}
    try:
        for number in numbers:
            with suppress(ValueError):  # outside the main thread no signal arrives
                before[number] = signal.signal(number, handler)
        yield
    finally:
        for number, former in before.items():
            signal.signal(number, former)
