"""Compile loops over arrays to machine code, and store the compiled code in a folder.

Numba is the library that compiles. It needs almost a second to load, and some seconds to
compile all loops for the first time. The function `prepare_loops` loads numba only if this
saves time; without numba, the same loops run as plain Python. After any change of a source
file, the folder has a new name, and numba compiles all loops again.
"""

import os
import shutil
import sys
import tempfile
from collections.abc import Callable, Iterator
from contextlib import contextmanager, suppress
from functools import cache, wraps
from hashlib import blake2b
from pathlib import Path
from typing import Any, TypeVar, cast

PACKAGE = Path(__file__).parents[1]

MOST_FOLDERS = 4
"""Largest number of folders that are kept."""


@cache
def cache_folder() -> Path | None:
    """Return the folder for the machine code of the source files; None if no folder works."""
    for place in _places():
        found = place / sources_hash()
        try:
            found.mkdir(parents=True, exist_ok=True)
            tempfile.TemporaryFile(dir=found).close()
        except OSError:
            continue
        _forget_old(place, found)
        return found
    return None


def is_cached() -> bool:
    """Return whether the machine code of the present source files is already stored."""
    found = cache_folder()
    return found is not None and any(found.rglob("*.nbi"))


@contextmanager
def used_by_numba(place: Path) -> Iterator[None]:
    """During a `with` block, let numba store machine code in the folder `place`."""
    import numba

    config: Any = numba.config
    before = config.CACHE_DIR
    config.CACHE_DIR = str(place)
    try:
        yield
    finally:
        config.CACHE_DIR = before


@cache
def sources_hash() -> str:
    """Return a short text that changes if any source file of the package changes."""
    seen = blake2b(digest_size=12)
    for path in sorted(PACKAGE.rglob("*.py")):
        content = path.read_bytes()
        seen.update(f"{path.relative_to(PACKAGE)}\0{len(content)}\0".encode() + content)
    return seen.hexdigest()


def _places() -> Iterator[Path]:
    """Yield the folders in the order in which the program tries to use them."""
    from platformdirs import user_cache_path

    if wanted := os.environ.get("NUMBA_CACHE_DIR"):
        yield Path(wanted, "chrono-gates")
    yield PACKAGE / "__pycache__" / "machine-code"
    yield user_cache_path("chrono-gates") / "machine-code"


def _forget_old(place: Path, current: Path) -> None:
    """Remove the folders with machine code of older source files, except the newest folders."""
    with suppress(OSError):
        others = [path for path in place.iterdir() if path != current and path.is_dir()]
        others.sort(key=lambda path: path.stat().st_mtime)
        for path in others[: -MOST_FOLDERS + 1]:
            shutil.rmtree(path, ignore_errors=True)


F = TypeVar("F", bound=Callable[..., Any])

LONG = 200
"""A loop with fewer steps than this runs as plain Python."""

WORTH_LOADING_BYTES = 2_500_000
"""If there are more bytes to read than this, loading and using machine code saves time."""

WORTH_COMPILING_BYTES = 14_000_000
"""If there are more bytes to read than this, machine code saves time even if it must be
compiled first."""

_loaded = False


def prepare_loops(work_bytes: int) -> None:
    """Run loops as machine code if this saves time for recordings of `work_bytes` bytes."""
    if _loaded or work_bytes < WORTH_LOADING_BYTES:
        return
    if work_bytes >= WORTH_COMPILING_BYTES or is_cached():
        load_numba()


def load_numba() -> None:
    """Run loops as machine code from now on; print a hint if numba cannot be loaded."""
    global _loaded
    if _loaded:
        return
    try:
        import numba  # noqa: F401
    except (ImportError, OSError):  # no numba for this machine or this numpy
        _say_once("to load large files faster, install numba: pip install numba")
        return
    _tell_of_compiling()
    _loaded = True


def numba_is_loaded() -> bool:
    """Return True if loops run as machine code, and False if they run as plain Python."""
    return _loaded


def loop(function: F) -> F:
    """Run a function as machine code if numba is loaded and the first argument is long."""

    @cache
    def machine_code() -> F:
        return compiled(function)

    @wraps(function)
    def run(first: Any, *others: Any) -> Any:
        is_worth_it = numba_is_loaded() and len(first) >= LONG
        return (machine_code() if is_worth_it else function)(first, *others)

    return cast(F, run)


def compiled(function: F) -> F:
    """Compile a function at its first call, and store the machine code for the next runs."""
    import numba

    folder = cache_folder()
    if folder is None:
        return cast(F, numba.njit(function, nogil=True))
    with used_by_numba(folder):
        try:
            return cast(F, numba.njit(function, cache=True, nogil=True))
        except RuntimeError:  # the function is not in a file
            return cast(F, numba.njit(function, nogil=True))


def inlined(function: F) -> F:
    """Copy the code of a function into each compiled function that calls it."""
    import numba

    part: F = numba.njit(function, nogil=True, inline="always")
    return part


def _tell_of_compiling() -> None:
    """Print a message when numba compiles a loop whose machine code was not stored."""
    from numba.core import event

    class Telling(event.Listener):
        def on_start(self, event: Any) -> None:
            if str(event.data["dispatcher"].py_func.__module__).startswith("chrono."):
                _say_once(
                    "compiling the code that reads recordings; "
                    "this takes some seconds, but only once"
                )

        def on_end(self, event: Any) -> None:
            """Print no message when numba has finished compiling."""

    register: Any = event.register
    register("numba:compile", Telling())


@cache
def _say_once(words: str) -> None:
    print(f"chrono: {words}", file=sys.stderr, flush=True)
