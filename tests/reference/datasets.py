"""Reading the data files in `data/`, as their own headers describe them."""

import re
from pathlib import Path

import numpy as np
import numpy.typing as npt

DATA = Path(__file__).parent / "data"
Floats = npt.NDArray[np.float64]


def strd(name: str) -> Floats:
    """Return a univariate StRD set: the numbers at the end of its file."""
    lines = (DATA / f"nist_strd_{name}.txt").read_text().splitlines()
    numeric = [re.fullmatch(r"\s*-?[\d.]+\s*", line) is not None for line in lines]
    first = len(lines) - numeric[::-1].index(False) if not all(numeric) else 0
    return np.array([float(line) for line in lines[first:]])


def dataplot(name: str) -> Floats:
    """Return a Dataplot set's columns, shape (rows, columns)."""
    lines = (DATA / f"nist_{name}.txt").read_text().splitlines()
    rule = next(i for i, line in enumerate(lines) if line.startswith("-----"))
    return np.array(
        [[float(x) for x in line.split()] for line in lines[rule + 1 :] if line.strip()]
    )
