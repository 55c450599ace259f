"""Keep a table of all shots in a session, with their counter values, setups and times."""

import math
from collections.abc import Callable, Iterator
from dataclasses import dataclass
from typing import Protocol, TypeVar

import numpy as np
import numpy.typing as npt

from chrono.arrays.array_types import Bools, Floats, Ints
from chrono.arrays.structured_arrays import put
from chrono.processor.shot_records import (
    NEVER_COUNTED,
    SHOT_DTYPE,
    EdgesUsed,
    Shots,
    flag_words,
)

SAMPLE_COLUMNS = ("speed_mps", "u_random_mps", "u_shared_mps", "U95_mps")


class SampleColumns(Protocol):
    """The measured values that are needed to make a `Sample`, one array for each value."""

    @property
    def speed_mps(self) -> Floats:
        """Speeds [m/s]."""

    @property
    def u_random_mps(self) -> Floats:
        """Random parts of the uncertainties [m/s]."""

    @property
    def u_shared_mps(self) -> Floats:
        """Shared parts of the uncertainties [m/s]."""

    @property
    def U95_mps(self) -> Floats:  # noqa: N802
        """Expanded uncertainties [m/s]."""


Pieces = Callable[[slice], Iterator[tuple[slice, SampleColumns]]]
"""A function that divides a slice of shots, and yields each part with its measured values."""


Duration = TypeVar("Duration", float, Floats)

FIRST_CAPACITY = 256

WAITED_S = 0.1
"""Lines may wait before they are read. A wait is detected if two lines are read closer together
than they were sent, by more than this time [s]."""
MANY_WAITED = 1000
"""Largest number of shots whose lines may wait in the buffers of a computer."""
RATE_LIMIT = 0.01
"""Largest relative error that the rate of a counter can have."""


@dataclass(frozen=True)
class ShotRow:
    """
    One shot as the user sees it. Shots are numbered from 1 in the order of the session.

    Speeds [m/s], `body_length_mm` [mm] and `transit_us` [us] are NaN if they were not measured.
    `bounce_us` is the part of the transit's standard uncertainty that bounces and late lines
    cause [us]. If `open` is true, the shot may still change, because more edges of this shot
    may come. `length_a_mm` and `length_b_mm` are the lengths of the body at each gate [mm]; NaN
    if the gate did not measure the length. `skew_us` is half of "transit of the leading edges
    minus transit of the trailing edges" [us].
    """

    number: int
    key: int
    time_s: float
    setup: str
    speed_mps: float
    u_mps: float
    U95_mps: float
    u_random_mps: float
    u_shared_mps: float
    transit_us: float
    bounce_us: float
    edges_used: str
    body_length_mm: float
    companion_speed_mps: float
    counted: bool
    flags: tuple[str, ...]
    note: str
    open: bool = False
    length_a_mm: float = math.nan
    length_b_mm: float = math.nan
    skew_us: float = math.nan


class ShotLog:
    """
    Keeps shots with their setups and times in arrays that grow.

    Parameters
    ----------
    capacity : int, optional
        Number of shots to reserve memory for. Unused memory only costs address space.
    """

    def __init__(self, capacity: int = FIRST_CAPACITY) -> None:
        self._size = 0
        self._shots = np.empty(max(capacity, FIRST_CAPACITY), SHOT_DTYPE)
        self._setup = np.empty(len(self._shots), np.int32)
        self._time_us = np.empty(len(self._shots), np.int64)
        self.version = 0
        """A number that grows when the time of an earlier shot is corrected."""

    def __len__(self) -> int:
        return self._size

    @property
    def shots(self) -> Shots:
        """All shots, with times in counter units, as an array of shape (N,)."""
        return self._shots[: self._size]

    @property
    def setup(self) -> npt.NDArray[np.int32]:
        """Position of each shot's setup in the list of setups, as an array of shape (N,)."""
        return self._setup[: self._size]

    @property
    def time_us(self) -> Ints:
        """Time of each shot on the session's clock [us], as an array of shape (N,)."""
        return self._time_us[: self._size]

    def add(self, shots: Shots, setup: npt.NDArray[np.int32], unit_s: float, jump: int) -> None:
        """
        Add shots to the end of the table.

        Parameters
        ----------
        shots : structured ndarray of `SHOT_DTYPE`, shape (N,)
        setup : ndarray of int32, shape (N,)
        unit_s : float
            Unit of the counter [s].
        jump : int
            If the counter jumps, for example after a restart, the jump is at least this long
            [counter units].
        """
        start, self._size = self._size, self._size + len(shots)
        while self._size > len(self._shots):
            self._grow()
        put(shots, self._shots[start : self._size])
        self._setup[start : self._size] = setup
        self._time_us[start : self._size] = shots["host_us"]
        self._put_times_right(start, unit_s, jump)

    def _put_times_right(self, start: int, unit_s: float, jump: int) -> None:
        """Correct the times of earlier shots whose lines the program read late."""
        first = max(start - 1, 0)
        new = self._shots[first : self._size]
        apart = np.diff(new["key"])
        late = np.diff(new["host_us"]) < _least_us(apart * unit_s * 1e6)
        waited = np.flatnonzero(late & (apart < jump))
        if not waited.size:
            return
        oldest = max(start - MANY_WAITED, 0)
        for place in range(first + int(waited[-1]), oldest - 1, -1):
            ticks = int(self._shots["key"][place + 1] - self._shots["key"][place])
            later_us, apart_us = int(self._time_us[place + 1]), ticks * unit_s * 1e6
            was_us = int(self._time_us[place])
            if ticks < jump and later_us - was_us < _least_us(apart_us):
                self._time_us[place] = max(later_us - round(apart_us), 0)
                self.version += place < start
            elif place < start:
                break

    def chunks(
        self, start: int = 0, stop: int | None = None, rows: int = 25_000
    ) -> Iterator[slice]:
        """Divide the shots from `start` to `stop` into slices of at most `rows` shots."""
        end = self._size if stop is None else stop
        for begin in range(start, end, rows):
            yield slice(begin, min(begin + rows, end))

    def _grow(self) -> None:
        more = 2 * len(self._shots)
        self._shots = _enlarged(self._shots, more)
        self._setup = _enlarged(self._setup, more)
        self._time_us = _enlarged(self._time_us, more)


def _least_us(apart_us: Duration) -> Duration:
    """Return the shortest possible time between two lines that are read without delay [us]."""
    return (1 - RATE_LIMIT) * apart_us - WAITED_S * 1e6


def _enlarged(array: npt.NDArray, size: int) -> npt.NDArray:  # type: ignore[type-arg]
    larger = np.empty(size, array.dtype)
    larger[: len(array)] = array
    return larger


def countable(shots: Shots, speed_mps: Floats) -> Bools:
    """Return True for each shot that counts if it has no mark of the operator, shape (N,)."""
    return np.isfinite(speed_mps) & ((shots["flags"] & int(NEVER_COUNTED)) == 0)


def shot_row(
    number: int,
    shot: np.void,
    measured: dict[str, float],
    setup: str,
    counted: bool,
    note: str,
    still_open: bool,
) -> ShotRow:
    """Convert the values of one shot to a row that the user can read."""
    return ShotRow(
        number=number,
        key=int(shot["key"]),
        time_s=measured["time_s"],
        setup=setup,
        speed_mps=measured["speed_mps"],
        u_mps=measured["u_mps"],
        U95_mps=measured["U95_mps"],
        u_random_mps=measured["u_random_mps"],
        u_shared_mps=measured["u_shared_mps"],
        transit_us=measured["transit_s"] * 1e6,
        bounce_us=measured["bounce_s"] * 1e6,
        edges_used=EdgesUsed(int(shot["used"])).name.lower(),
        body_length_mm=measured["body_length_m"] * 1e3,
        companion_speed_mps=measured["companion_speed_mps"],
        counted=counted,
        flags=flag_words(int(shot["flags"])),
        note=note,
        open=still_open,
        length_a_mm=measured["length_a_m"] * 1e3,
        length_b_mm=measured["length_b_m"] * 1e3,
        skew_us=measured["skew_s"] * 1e6,
    )
