"""Handle the signals that ask the program to end."""

import signal
from collections.abc import Callable, Iterator
from contextlib import contextmanager, suppress
from typing import Any

ENDING = ("SIGTERM", "SIGHUP")
"""Names of signals that ask a program to end. Some systems do not have all of them."""


class EndRequest:
    """A record of whether the program was asked to end."""

    asked = False


@contextmanager
def noted_signals() -> Iterator[EndRequest]:
    """
    Store that a signal or Ctrl+C asks the program to end.

    A second signal ends the program at once.
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
    """Raise KeyboardInterrupt, as Ctrl+C does, if a signal asks the program to end."""

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
