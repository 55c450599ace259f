"""Loops over arrays as machine code, for what would take numpy many passes.

What makes it takes a third of a second to load, and some seconds the first time on a machine;
so it is loaded only where much work is ahead. Machine code is kept beside the file it was
made from and made anew when that file changes, not when one it imports does.
"""

import sys
from collections.abc import Callable
from functools import cache, wraps
from typing import Any, TypeVar, cast

F = TypeVar("F", bound=Callable[..., Any])

MANY = 20_000
"""So many steps are worth loading what compiles them."""

SOME = 200
"""So many are worth it once that is loaded."""


def is_loaded() -> bool:
    """Tell whether what compiles loops is there already."""
    return "numba" in sys.modules


def loop(function: F) -> F:
    """Run a function as machine code where its first argument is long, else as it stands."""

    @cache
    def machine_code() -> F:
        return compiled(function)

    @wraps(function)
    def run(first: Any, *others: Any) -> Any:
        is_long = len(first) >= (SOME if is_loaded() else MANY)
        return (machine_code() if is_long else function)(first, *others)

    return cast(F, run)


def compiled(function: F) -> F:
    """Compile a function at its first call and keep the machine code for later programs."""
    import numba

    try:
        kept: F = numba.njit(function, cache=True, nogil=True)
    except RuntimeError:  # there is no folder to keep it in
        kept = numba.njit(function, nogil=True)
    return kept


def inlined(function: F) -> F:
    """Make a function part of each compiled one that calls it."""
    import numba

    part: F = numba.njit(function, nogil=True, inline="always")
    return part
