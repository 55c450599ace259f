"""Loops over arrays as machine code, for what would take numpy many passes.

What makes it takes most of a second to load, and some seconds the first time on a machine: so
nobody loads it but who has much work ahead, and until then loops run as they stand. Machine
code is kept beside the file it was made from and made anew when that file changes, not when
one it imports does.
"""

import sys
from collections.abc import Callable
from functools import cache, wraps
from typing import Any, TypeVar, cast

F = TypeVar("F", bound=Callable[..., Any])

LONG = 200
"""So many steps of a loop are worth calling machine code."""


def load() -> None:
    """Have loops run as machine code from now on."""
    import numba  # noqa: F401


def is_loaded() -> bool:
    """Tell whether loops run as machine code."""
    return "numba" in sys.modules


def loop(function: F) -> F:
    """Run a function as machine code, if loaded, where its first argument is long."""

    @cache
    def machine_code() -> F:
        return compiled(function)

    @wraps(function)
    def run(first: Any, *others: Any) -> Any:
        is_worth_it = is_loaded() and len(first) >= LONG
        return (machine_code() if is_worth_it else function)(first, *others)

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
