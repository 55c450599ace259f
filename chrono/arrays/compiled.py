"""Loops over arrays as machine code, for what would take numpy many passes.

What makes it takes most of a second to load, and some seconds the first time on a machine: so
`prepare` loads it only where there is work enough, and until then loops run as they stand.
They do so too where it cannot be imported. What else a program imports plays no part.
"""

import sys
from collections.abc import Callable
from functools import cache, wraps
from typing import Any, TypeVar, cast

from chrono.arrays import kept

F = TypeVar("F", bound=Callable[..., Any])

LONG = 200
"""So many steps of a loop are worth calling machine code."""

WORTH_LOADING_BYTES = 2_500_000
"""Reading so much as it stands takes as long as loading kept machine code and reading by it."""

WORTH_COMPILING_BYTES = 14_000_000
"""The same where the machine code must be made first."""

_loaded = False


def prepare(work_bytes: int) -> None:
    """
    Have loops run as machine code from now on, if there is work enough ahead.

    Parameters
    ----------
    work_bytes : int
        Of all recordings that the command is to read.
    """
    if _loaded or work_bytes < WORTH_LOADING_BYTES:
        return
    if work_bytes >= WORTH_COMPILING_BYTES or kept.is_there():
        load()


def load() -> None:
    """Have loops run as machine code from now on, or say that they cannot."""
    global _loaded
    if _loaded:
        return
    try:
        import numba  # noqa: F401
    except (ImportError, OSError):  # no wheel for this system, or one for another numpy
        _say_once("numba cannot be imported: reading much takes several times as long")
        return
    _tell_of_compiling()
    _loaded = True


def is_loaded() -> bool:
    """Tell whether loops run as machine code."""
    return _loaded


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

    folder = kept.folder()
    if folder is None:
        return cast(F, numba.njit(function, nogil=True))
    with kept.used_by_numba(folder):
        try:
            return cast(F, numba.njit(function, cache=True, nogil=True))
        except RuntimeError:  # it is of no file, so nothing tells its versions apart
            return cast(F, numba.njit(function, nogil=True))


def inlined(function: F) -> F:
    """Make a function part of each compiled one that calls it."""
    import numba

    part: F = numba.njit(function, nogil=True, inline="always")
    return part


def _tell_of_compiling() -> None:
    """Have a line said when a loop of ours is compiled, which no kept machine code spared."""
    from numba.core import event

    class Telling(event.Listener):
        def on_start(self, event: Any) -> None:
            if str(event.data["dispatcher"].py_func.__module__).startswith("chrono."):
                _say_once("compiling the loops that read recordings: some seconds, once")

        def on_end(self, event: Any) -> None:
            """Say nothing of the end."""

    register: Any = event.register
    register("numba:compile", Telling())


@cache
def _say_once(words: str) -> None:
    print(f"chrono: {words}", file=sys.stderr, flush=True)
