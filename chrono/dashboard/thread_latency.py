"""Prevent delays of the thread that reads the port while the program shows a screen.

Without this module, the thread may read a line up to 0.2 s late: it waits for its turn in
Python, and for Python's garbage collector, which checks all widgets.
"""

import gc
import sys
from collections.abc import Iterator
from contextlib import contextmanager

SWITCH_S = 0.0005


@contextmanager
def short_turns() -> Iterator[None]:
    """
    Let Python switch threads more often. At the end, reset this and undo `freeze_widgets`.
    """
    before = sys.getswitchinterval()
    sys.setswitchinterval(SWITCH_S)
    try:
        yield
    finally:
        sys.setswitchinterval(before)
        gc.unfreeze()


def freeze_widgets() -> None:
    """Let Python's garbage collector skip all objects that exist now: the screen needs them."""
    gc.collect()
    gc.freeze()
