"""Run loops over arrays as machine code, and manage the folder of the stored code.

Numba takes most of a second to load, and some seconds to compile once on a machine. So
`prepare_loops` loads it only if there is enough work. Until then, and if numba cannot be
imported, the same loops run as plain Python. Other imports of a program make no difference.

The machine code of a loop contains constants and functions from several files. So the folder's
name is a hash of all sources. After any change all loops are compiled again.
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
"""Number of folders of older sources, or of the same user's other programs, that are kept."""


@cache
def cache_folder() -> Path | None:
    """Return the folder for machine code of exactly these sources; None if impossible."""
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
    """Return whether machine code of these sources is stored."""
    found = cache_folder()
    return found is not None and any(found.rglob("*.nbi"))


@contextmanager
def used_by_numba(place: Path) -> Iterator[None]:
    """Make numba store in a folder only the functions decorated inside this context."""
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
    """Return a hash of the names and contents of all source files of the package."""
    seen = blake2b(digest_size=12)
    for path in sorted(PACKAGE.rglob("*.py")):
        content = path.read_bytes()
        seen.update(f"{path.relative_to(PACKAGE)}\0{len(content)}\0".encode() + content)
    return seen.hexdigest()


def _places() -> Iterator[Path]:
    """Yield possible folders: the user's choice, beside the sources, the user's cache."""
    from platformdirs import user_cache_path

    if wanted := os.environ.get("NUMBA_CACHE_DIR"):
        yield Path(wanted, "chrono-gates")
    yield PACKAGE / "__pycache__" / "machine-code"
    yield user_cache_path("chrono-gates") / "machine-code"


def _forget_old(place: Path, current: Path) -> None:
    """Remove the folders of older sources, except the newest few."""
    with suppress(OSError):
        others = [path for path in place.iterdir() if path != current and path.is_dir()]
        others.sort(key=lambda path: path.stat().st_mtime)
        for path in others[: -MOST_FOLDERS + 1]:
            shutil.rmtree(path, ignore_errors=True)


F = TypeVar("F", bound=Callable[..., Any])

LONG = 200
"""A loop with at least this many steps is worth a call of machine code."""

WORTH_LOADING_BYTES = 2_500_000
"""Number of bytes for which plain reading takes as long as loading and using machine code."""

WORTH_COMPILING_BYTES = 14_000_000
"""The same number if the machine code must be compiled first."""

_loaded = False


def prepare_loops(work_bytes: int) -> None:
    """
    Run loops as machine code from now on, if there is enough work to do.

    Parameters
    ----------
    work_bytes : int
        Size of all recordings that the command will read.
    """
    if _loaded or work_bytes < WORTH_LOADING_BYTES:
        return
    if work_bytes >= WORTH_COMPILING_BYTES or is_cached():
        load_numba()


def load_numba() -> None:
    """Run loops as machine code from now on, or print that this is impossible."""
    global _loaded
    if _loaded:
        return
    try:
        import numba  # noqa: F401
    except (ImportError, OSError):  # no wheel here, or one for another numpy
        _say_once("large files load faster with numba: pip install numba")
        return
    _tell_of_compiling()
    _loaded = True


def numba_is_loaded() -> bool:
    """Return whether loops run as machine code."""
    return _loaded


def loop(function: F) -> F:
    """Run a function as machine code, if loaded and if its first argument is long."""

    @cache
    def machine_code() -> F:
        return compiled(function)

    @wraps(function)
    def run(first: Any, *others: Any) -> Any:
        is_worth_it = numba_is_loaded() and len(first) >= LONG
        return (machine_code() if is_worth_it else function)(first, *others)

    return cast(F, run)


def compiled(function: F) -> F:
    """Compile a function at its first call and keep the machine code for later programs."""
    import numba

    folder = cache_folder()
    if folder is None:
        return cast(F, numba.njit(function, nogil=True))
    with used_by_numba(folder):
        try:
            return cast(F, numba.njit(function, cache=True, nogil=True))
        except RuntimeError:  # without a file, versions look alike
            return cast(F, numba.njit(function, nogil=True))


def inlined(function: F) -> F:
    """Make a function part of each compiled function that calls it."""
    import numba

    part: F = numba.njit(function, nogil=True, inline="always")
    return part


def _tell_of_compiling() -> None:
    """Print a line when one of our loops must be compiled because it was not stored."""
    from numba.core import event

    class Telling(event.Listener):
        def on_start(self, event: Any) -> None:
            if str(event.data["dispatcher"].py_func.__module__).startswith("chrono."):
                _say_once(
                    "compiling the loops that read recordings: takes some seconds, only once"
                )

        def on_end(self, event: Any) -> None:
            """Print nothing at the end."""

    register: Any = event.register
    register("numba:compile", Telling())


@cache
def _say_once(words: str) -> None:
    print(f"chrono: {words}", file=sys.stderr, flush=True)
