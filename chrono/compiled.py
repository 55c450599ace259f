"""Loops over arrays as machine code, for what would take numpy many passes.

Importing this costs a third of a second, and the first run on a machine some seconds more,
so a file that uses it is imported only where much work is ahead. Machine code is kept beside
the file it was made from and made anew when that file changes, not when one it imports does.
"""

from collections.abc import Callable
from typing import Any, TypeVar

import numba

F = TypeVar("F", bound=Callable[..., Any])


def compiled(function: F) -> F:
    """Compile a function at its first call and keep the machine code for later programs."""
    try:
        kept: F = numba.njit(function, cache=True, nogil=True)
    except RuntimeError:  # there is no folder to keep it in
        kept = numba.njit(function, nogil=True)
    return kept


def inlined(function: F) -> F:
    """Make a function part of each compiled one that calls it."""
    part: F = numba.njit(function, nogil=True, inline="always")
    return part
