"""Names for types of arrays; their meaning and shape are documented where they are used."""

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
