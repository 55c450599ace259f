"""Signals that end the program, and their effect on running work."""

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
    Note the first signal (or Ctrl+C) that asks for an end; a second signal interrupts.

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
    """Make the signals that end programs interrupt like Ctrl+C."""

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
