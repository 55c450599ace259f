"""Keep the thread that reads the port fast while the program shows a screen.

Python's garbage collector visits all widgets again and again. A thread waits up to the switch
interval for its turn. Together, these two effects delay a reader thread by up to 0.2 s.
"""

import gc
import sys
from collections.abc import Iterator
from contextlib import contextmanager

SWITCH_S = 0.0005


@contextmanager
def short_turns() -> Iterator[None]:
    """Give each thread shorter turns; at the end, undo `freeze_widgets`."""
    before = sys.getswitchinterval()
    sys.setswitchinterval(SWITCH_S)
    try:
        yield
    finally:
        sys.setswitchinterval(before)
        gc.unfreeze()


def freeze_widgets() -> None:
    """Exclude all existing objects from garbage collection, because the screen needs them."""
    gc.collect()
    gc.freeze()
