"""Signals that end the program, and what they do to running work."""

import signal
from collections.abc import Callable, Iterator
from contextlib import contextmanager, suppress
from typing import Any

ENDING = ("SIGTERM", "SIGHUP")
"""Signals with which a system or a closed terminal ends a program, if the system has them."""


class EndRequest:
    """Whether the program was asked to end."""

    asked = False


@contextmanager
def noted_signals() -> Iterator[EndRequest]:
    """
    Note the first signal that asks for an end, also Ctrl+C; a second one interrupts.

    So no shot is printed only in part. If nobody reads the output, a second signal still
    ends the program.
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
    """Make the signals that end programs interrupt, as Ctrl+C does."""

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
            with suppress(ValueError):  # not in the main thread: nobody sends it signals
                before[number] = signal.signal(number, handler)
        yield
    finally:
        for number, former in before.items():
            signal.signal(number, former)
