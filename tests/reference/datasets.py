"""Reading the data files in `data/`, as their own headers describe them."""

import re
from pathlib import Path

import numpy as np
import numpy.typing as npt

DATA = Path(__file__).parent / "data"
Floats = npt.NDArray[np.float64]


def strd(name: str) -> tuple[Floats, dict[str, float]]:
    """Return a univariate StRD set: its data and its certified `ybar`, `s`, `r(1)`."""
    lines = (DATA / f"nist_strd_{name}.txt").read_text().splitlines()
    span = re.search(r"Data\s*:\s*lines\s*(\d+)\s*to\s*(\d+)", "\n".join(lines[:10]))
    assert span is not None
    first, last = map(int, span.groups())
    certified = {
        key: float(value)
        for key, value in re.findall(r"\b(ybar|s|r\(1\)):\s*(-?[\d.]+)", "\n".join(lines[:60]))
    }
    return np.array([float(line) for line in lines[first - 1 : last]]), certified


def dataplot(name: str) -> Floats:
    """Return a Dataplot set's columns, shape (rows, columns)."""
    lines = (DATA / f"nist_{name}.txt").read_text().splitlines()
    rule = next(i for i, line in enumerate(lines) if line.startswith("-----"))
    return np.array(
        [[float(x) for x in line.split()] for line in lines[rule + 1 :] if line.strip()]
    )
