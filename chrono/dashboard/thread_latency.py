"""Prevent delays of the thread that reads the port while the program shows a screen.

The garbage collector of Python checks all widgets again and again, which takes time. A Python
thread may wait for one switch interval before it can run. Together, the garbage collector and
the waiting delay the reading thread by up to 0.2 s.
"""

import gc
import sys
from collections.abc import Iterator
from contextlib import contextmanager

SWITCH_S = 0.0005


@contextmanager
def short_turns() -> Iterator[None]:
    """Let Python switch more often between threads. At the end, also undo `freeze_widgets`."""
    before = sys.getswitchinterval()
    sys.setswitchinterval(SWITCH_S)
    try:
        yield
    finally:
        sys.setswitchinterval(before)
        gc.unfreeze()


def freeze_widgets() -> None:
    """
    Exclude all existing objects from garbage collection, because the screen needs all of them.
    """
    gc.collect()
    gc.freeze()
