"""Prepare the next item in a thread while this one is used."""

from collections.abc import Iterator
from concurrent.futures import ThreadPoolExecutor
from typing import TypeVar

T = TypeVar("T")


def prefetch(items: Iterator[T]) -> Iterator[T]:
    """Yield items (never None); a thread makes each item while the item before is used."""
    with ThreadPoolExecutor(1) as other:
        coming = other.submit(next, items, None)
        while (item := coming.result()) is not None:
            coming = other.submit(next, items, None)
            yield item
