"""Prepare the next item in a thread while the program uses the present item."""

from collections.abc import Iterator
from concurrent.futures import ThreadPoolExecutor
from typing import TypeVar

T = TypeVar("T")


def prefetch(items: Iterator[T]) -> Iterator[T]:
    """
    Yield items; a thread prepares the next item while the caller uses the present item.

    No item may be None.
    """
    with ThreadPoolExecutor(1) as other:
        coming = other.submit(next, items, None)
        while (item := coming.result()) is not None:
            coming = other.submit(next, items, None)
            yield item
