"""Making the next thing on another core while this one is used."""

from collections.abc import Iterator
from concurrent.futures import ThreadPoolExecutor
from typing import TypeVar

T = TypeVar("T")


def prefetch(items: Iterator[T]) -> Iterator[T]:
    """Yield items, none of them None; each is made by another thread while the last is used."""
    with ThreadPoolExecutor(1) as other:
        coming = other.submit(next, items, None)
        while (item := coming.result()) is not None:
            coming = other.submit(next, items, None)
            yield item
