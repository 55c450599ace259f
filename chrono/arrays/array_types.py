"""Names for the arrays that the whole program hands about; what an array means and its shape
stand where it is used."""

import numpy as np
import numpy.typing as npt

Floats = npt.NDArray[np.float64]
Ints = npt.NDArray[np.int64]
"""Counter values, host times, numbers of shots."""

Places = npt.NDArray[np.intp]
"""Places in another array."""

Bools = npt.NDArray[np.bool_]
Bytes = npt.NDArray[np.uint8]
Words = npt.NDArray[np.uint32]
