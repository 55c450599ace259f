"""Read the keys that the user has pressed at the terminal, without waiting for a key."""

import os
import sys
from collections.abc import Callable, Iterator
from contextlib import contextmanager, suppress
from typing import Self


class KeyPress:
    """A context in which the program reads each key without Enter, and the key is not shown."""

    if sys.platform == "win32":

        def __enter__(self) -> Self:
            return self

        def __exit__(self, *_: object) -> None:
            pass

        def taken(self) -> str:
            """Return the keys pressed since the last call, or an empty text."""
            import msvcrt

            keys = ""
            while msvcrt.kbhit():
                keys += msvcrt.getwch()
            return keys

    else:

        def __enter__(self) -> Self:
            import termios
            import tty

            self._fd = sys.stdin.fileno()
            self._before = termios.tcgetattr(self._fd)
            tty.setcbreak(self._fd)
            return self

        def __exit__(self, *_: object) -> None:
            import termios

            termios.tcsetattr(self._fd, termios.TCSAFLUSH, self._before)

        def taken(self) -> str:
            """Return the keys pressed since the last call, or an empty text."""
            import select

            if not select.select([self._fd], [], [], 0)[0]:
                return ""
            try:
                return os.read(self._fd, 100).decode("utf-8", "replace")
            except OSError:  # the terminal is gone
                return ""

    def pressed(self) -> bool:
        """Return True if the user has pressed a key."""
        return bool(self.taken())


@contextmanager
def terminal_keys() -> Iterator[Callable[[], str]]:
    """
    Yield a function; each call returns the keys pressed since the last call.

    The text is empty without a terminal, or if the program runs in the background.
    """
    if not sys.stdin.isatty() or _is_in_background():
        yield lambda: ""
        return
    with KeyPress() as keys:
        # The system stops a background program that reads the terminal.
        yield lambda: "" if _is_in_background() else keys.taken()


def _is_in_background() -> bool:
    if sys.platform == "win32":
        return False
    with suppress(OSError):  # the program has no controlling terminal
        return os.tcgetpgrp(sys.stdin.fileno()) != os.getpgrp()
    return False
