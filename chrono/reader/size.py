"""How much a recording is, told without loading what reads it."""

from pathlib import Path


def size_of(path: Path) -> int:
    """Return the size of a recording [bytes], 0 if there is none: reading it will tell."""
    try:
        return path.stat().st_size
    except OSError:
        return 0
