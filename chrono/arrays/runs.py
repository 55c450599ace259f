"""Runs of neighbouring places in an array, laid out one after the other."""

import numpy as np

from chrono.arrays.array_types import Places


def laid_out(starts: Places, sizes: Places) -> tuple[Places, Places]:
    """
    Return every place of some runs, and whose it is.

    Parameters
    ----------
    starts, sizes : ndarray of int, shape (N,)
        Where each run begins, and how many places it has; runs may overlap or be empty.

    Returns
    -------
    owner, place : ndarray of int, shape (sum of `sizes`,)
        The run, and the place in the array.
    """
    owner = np.repeat(np.arange(len(sizes)), sizes)
    shift = starts - (np.cumsum(sizes) - sizes)
    return owner, np.arange(len(owner)) + shift[owner]
