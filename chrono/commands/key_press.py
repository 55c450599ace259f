"""Check if a key was pressed at the terminal, without waiting for one."""

import sys
from typing import Self


class KeyPress:
    """Context in which a key counts at once, without Enter, and is not shown."""

    if sys.platform == "win32":

        def __enter__(self) -> Self:
            return self

        def __exit__(self, *_: object) -> None:
            pass

        def pressed(self) -> bool:
            """Return whether a key was pressed, and take it."""
            import msvcrt

            if not msvcrt.kbhit():
                return False
            msvcrt.getwch()
            return True

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

        def pressed(self) -> bool:
            """Return whether a key was pressed; typed keys are dropped at the end."""
            import select

            return bool(select.select([self._fd], [], [], 0)[0])
