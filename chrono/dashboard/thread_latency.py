"""Prevent delays of the thread that reads the port while the program shows a screen.

Other threads and Python's garbage collector, which checks all widgets, can delay the reading of
a line by up to 0.2 s.
"""

import gc
import sys
from collections.abc import Iterator
from contextlib import contextmanager

SWITCH_S = 0.0005


@contextmanager
def short_turns() -> Iterator[None]:
    """Let Python switch threads more often; at the end, undo this and `freeze_widgets`."""
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
