"""Signals that end the program: what they do to the work in hand."""

import signal
from collections.abc import Callable, Iterator
from contextlib import contextmanager, suppress
from typing import Any

ENDING = ("SIGTERM", "SIGHUP")
"""Signals by which a system or a closed terminal ends a program, where there are such."""


class EndRequest:
    """Whether the program was asked to end."""

    asked = False


@contextmanager
def noted_signals() -> Iterator[EndRequest]:
    """
    Note the first signal that asks for an end, Ctrl+C among them; a second one interrupts.

    So no shot is cut off in the middle of its printing, and who waits for a reader that never
    reads can still go.
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
    """Let the signals that end programs interrupt as Ctrl+C does."""

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
