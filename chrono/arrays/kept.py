"""Where machine code is kept: a folder whose name is a hash of the package's sources.

Machine code takes in constants and functions of other files than the one of its loop, so any
change to any of them must make it anew.
"""

import os
import shutil
import tempfile
from collections.abc import Iterator
from contextlib import contextmanager, suppress
from functools import cache
from hashlib import blake2b
from pathlib import Path
from typing import Any

PACKAGE = Path(__file__).parents[1]

MOST_FOLDERS = 4
"""Of older sources, and of other programs that share a user's folder, so many are left."""


@cache
def folder() -> Path | None:
    """Return the folder for machine code of these very sources; None if none can be made."""
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


def is_there() -> bool:
    """Tell whether machine code of these sources is kept."""
    found = folder()
    return found is not None and any(found.rglob("*.nbi"))


@contextmanager
def used_by_numba(place: Path) -> Iterator[None]:
    """Have numba keep in a folder what is decorated meanwhile, and nothing else."""
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
    """Return a hash of all sources of the package, names and contents."""
    seen = blake2b(digest_size=12)
    for path in sorted(PACKAGE.rglob("*.py")):
        content = path.read_bytes()
        seen.update(f"{path.relative_to(PACKAGE)}\0{len(content)}\0".encode() + content)
    return seen.hexdigest()


def _places() -> Iterator[Path]:
    """Yield where to keep it: where the user wants it, beside the sources, at the user's."""
    from platformdirs import user_cache_path

    if wanted := os.environ.get("NUMBA_CACHE_DIR"):
        yield Path(wanted, "chrono-gates")
    yield PACKAGE / "__pycache__" / "machine-code"
    yield user_cache_path("chrono-gates") / "machine-code"


def _forget_old(place: Path, current: Path) -> None:
    """Remove what was kept of older sources, the newest few excepted."""
    with suppress(OSError):
        others = [path for path in place.iterdir() if path != current and path.is_dir()]
        others.sort(key=lambda path: path.stat().st_mtime)
        for path in others[: -MOST_FOLDERS + 1]:
            shutil.rmtree(path, ignore_errors=True)
