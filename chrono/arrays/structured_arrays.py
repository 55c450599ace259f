"""Move whole records of structured arrays at the speed of memory, and expand runs of places.

numpy copies structured elements field by field in indexing, concatenation and `copy`; copying
them as plain bytes takes a tenth of the time.
"""

from typing import Any

import numpy as np
import numpy.typing as npt

from chrono.arrays.array_types import Bools, Places

Records = npt.NDArray[np.void]


def choose(records: Records, chosen: Bools) -> Records:
    """Return the records where `chosen` is true, or the array itself if all are chosen."""
    places = chosen.nonzero()[0]
    return records if len(places) == len(records) else records.take(places)


def join(*parts: Records) -> Records:
    """Return the records of all parts, one after another; a single part is not copied."""
    filled = [part for part in parts if len(part)]
    if len(filled) < 2:
        return filled[0] if filled else parts[0]
    return np.concatenate([_bytes(part) for part in filled]).view(parts[0].dtype)


def copy(records: Records) -> Records:
    """Return a copy of the records."""
    return _bytes(np.ascontiguousarray(records)).copy().view(records.dtype)


def put(records: Records, into: Records) -> None:
    """Overwrite records with the same number of other records."""
    _bytes(into)[:] = _bytes(np.ascontiguousarray(records))


def _bytes(records: Records) -> npt.NDArray[Any]:
    return records.view(np.dtype((np.void, records.dtype.itemsize)))


def part(records: Records, name: str) -> Records:
    """Return a copy of one structured field."""
    kind, offset = records.dtype.fields[name][:2]  # type: ignore[index]
    table = records.view(np.uint8).reshape(len(records), records.dtype.itemsize)
    return np.ascontiguousarray(table[:, offset : offset + kind.itemsize]).view(kind)[:, 0]


def expand_runs(starts: Places, sizes: Places) -> tuple[Places, Places]:
    """
    Return every place of some runs, and the run of each place.

    Parameters
    ----------
    starts, sizes : ndarray of int, shape (N,)
        First place of each run, and its number of places. Runs may overlap or be empty.

    Returns
    -------
    owner, place : ndarray of int, shape (sum of `sizes`,)
        Number of the run, and the place in the array.
    """
    owner = np.repeat(np.arange(len(sizes)), sizes)
    shift = starts - (np.cumsum(sizes) - sizes)
    return owner, np.arange(len(owner)) + shift[owner]
