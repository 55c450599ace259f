"""Keep the interpreter from holding up the thread that reads the port while a screen is up.

The collector walks all widgets again and again, and a thread waits up to the switch
interval for its turn: together they delay what a reader thread does by up to 0.2 s.
"""

import gc
import sys
from collections.abc import Iterator
from contextlib import contextmanager

SWITCH_S = 0.0005


@contextmanager
def short_turns() -> Iterator[None]:
    """Let threads take shorter turns; what `freeze_widgets` has set aside is taken back."""
    before = sys.getswitchinterval()
    sys.setswitchinterval(SWITCH_S)
    try:
        yield
    finally:
        sys.setswitchinterval(before)
        gc.unfreeze()


def freeze_widgets() -> None:
    """Set aside what is there now from collection: the widgets live as long as the screen."""
    gc.collect()
    gc.freeze()
