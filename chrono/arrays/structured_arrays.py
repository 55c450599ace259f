"""Copy whole records of structured arrays (arrays with named fields) quickly.

numpy copies each field of a record separately. This module copies whole records as bytes,
about ten times faster than numpy.
"""

from typing import Any

import numpy as np
import numpy.typing as npt

from chrono.arrays.array_types import Bools, Places

Records = npt.NDArray[np.void]


def choose(records: Records, chosen: Bools) -> Records:
    """
    Return the records for which `chosen` is true.

    If `chosen` is true for all records, the function returns `records` and makes no copy.
    """
    places = chosen.nonzero()[0]
    return records if len(places) == len(records) else records.take(places)


def join(*parts: Records) -> Records:
    """
    Join several arrays of records into one array.

    If only one array contains records, the function returns this array and makes no copy.
    """
    filled = [part for part in parts if len(part)]
    if len(filled) < 2:
        return filled[0] if filled else parts[0]
    return np.concatenate([_bytes(part) for part in filled]).view(parts[0].dtype)


def copy(records: Records) -> Records:
    """Return a copy of the records."""
    return _bytes(np.ascontiguousarray(records)).copy().view(records.dtype)


def put(records: Records, into: Records) -> None:
    """Overwrite the records in `into` with `records`, which has the same length."""
    _bytes(into)[:] = _bytes(np.ascontiguousarray(records))


def _bytes(records: Records) -> npt.NDArray[Any]:
    return records.view(np.dtype((np.void, records.dtype.itemsize)))


def part(records: Records, name: str) -> Records:
    """Copy one field of all records; this field must itself contain named fields."""
    kind, offset = records.dtype.fields[name][:2]  # type: ignore[index]
    table = records.view(np.uint8).reshape(len(records), records.dtype.itemsize)
    return np.ascontiguousarray(table[:, offset : offset + kind.itemsize]).view(kind)[:, 0]


def expand_runs(starts: Places, sizes: Places) -> tuple[Places, Places]:
    """
    List all indices in some ranges of an array; each range is called a run.

    Parameters
    ----------
    starts, sizes : ndarray of int, shape (N,)
        First index of each run, and number of its indices. Runs may overlap or be empty.

    Returns
    -------
    owner, place : ndarray of int, shape (sum of `sizes`,)
        Number of the run, and the index in the array.
    """
    owner = np.repeat(np.arange(len(sizes)), sizes)
    shift = starts - (np.cumsum(sizes) - sizes)
    return owner, np.arange(len(owner)) + shift[owner]
