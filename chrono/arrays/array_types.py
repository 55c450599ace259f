"""Short names for types of arrays.

If a function uses an array, the docstring of the function gives the meaning and the shape of
the array.
"""

import numpy as np
import numpy.typing as npt

Floats = npt.NDArray[np.float64]
Ints = npt.NDArray[np.int64]
"""Whole numbers, such as counter values, host times or numbers of shots."""

Places = npt.NDArray[np.intp]
"""Places (indices) in another array."""

Bools = npt.NDArray[np.bool_]
Bytes = npt.NDArray[np.uint8]
Words = npt.NDArray[np.uint32]
