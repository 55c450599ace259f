"""Read keys that were pressed at the terminal, without waiting for one."""

import os
import sys
from collections.abc import Callable, Iterator
from contextlib import contextmanager, suppress
from typing import Self


class KeyPress:
    """Context in which a key counts at once, without Enter, and is not shown."""

    if sys.platform == "win32":

        def __enter__(self) -> Self:
            return self

        def __exit__(self, *_: object) -> None:
            pass

        def taken(self) -> str:
            """Return the keys that were pressed, each once; empty without any."""
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
            """Return the keys that were pressed, each once; empty if there was none."""
            import select

            if not select.select([self._fd], [], [], 0)[0]:
                return ""
            try:
                return os.read(self._fd, 100).decode("utf-8", "replace")
            except OSError:  # the terminal is gone
                return ""

    def pressed(self) -> bool:
        """Return whether a key was pressed."""
        return bool(self.taken())


@contextmanager
def terminal_keys() -> Iterator[Callable[[], str]]:
    """Give what returns the keys pressed; none where the input is not a terminal of ours."""
    if not sys.stdin.isatty() or _is_in_background():
        yield lambda: ""
        return
    with KeyPress() as keys:
        # Whoever is put into the background is stopped if it reads the terminal.
        yield lambda: "" if _is_in_background() else keys.taken()


def _is_in_background() -> bool:
    if sys.platform == "win32":
        return False
    with suppress(OSError):  # a terminal that controls nobody
        return os.tcgetpgrp(sys.stdin.fileno()) != os.getpgrp()
    return False
