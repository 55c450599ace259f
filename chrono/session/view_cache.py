"""Store results that screens need again and again: rows of shots, statistics, the latest shot.

The cache does not compute a result again while the stored result is valid. The cache deletes
its results if one of the three numbers in `_Basis` changes:

- `Session.measured_by`: another rig, counter or clock rate gives the shots new values;
- `Annotations.version`: the operator enters a setup or a mark, or undoes an entry;
- `ShotLog.version`: the times of shots are corrected.
"""

from collections.abc import Iterator
from dataclasses import dataclass
from math import isfinite
from typing import NamedTuple

import numpy as np

from chrono.arrays.array_types import Floats
from chrono.measuring.error_budget import Budget
from chrono.measuring.measured_slope import MeasuredSlope
from chrono.measuring.series_statistics import Series, series_of
from chrono.measuring.setup_comparison import Comparison, Group, compare_groups
from chrono.session.operator_records import Setup
from chrono.session.pooled_samples import RecordingSamples, groups_from
from chrono.session.rig_evidence import SLOPE_SHOTS, RecentShots, slope_of
from chrono.session.session import Session
from chrono.session.shot_log import SAMPLE_COLUMNS, ShotRow

PAGE_ROWS = 64
MANY_PAGES = 32


@dataclass(frozen=True, eq=False)
class SessionView:
    """
    The data that a screen shows at one moment.

    `rows` contains the last shots, with the oldest shot first.
    """

    rows: tuple[ShotRow, ...]
    shots: int
    setup: Setup
    series: Series | None
    latest: ShotRow | None
    budget: Budget | None


class _Basis(NamedTuple):
    measured_by: int
    told: int
    times: int


class _Columns(NamedTuple):
    speed_mps: Floats
    u_random_mps: Floats
    u_shared_mps: Floats
    U95_mps: Floats


class _MeasuredOnce:
    """Stores the measured values for statistics, so that each shot is measured only once."""

    def __init__(self, session: Session) -> None:
        self._session = session
        self._table = np.empty((len(SAMPLE_COLUMNS), 0))
        self._size = 0

    def pieces(self, part: slice) -> Iterator[tuple[slice, _Columns]]:
        """Yield the slice `part` together with the measured values of its shots."""
        self._measure_new()
        yield part, _Columns(*self._table[:, part])

    def _measure_new(self) -> None:
        log = self._session.log
        if len(log) > self._table.shape[1]:
            larger = np.empty((len(self._table), 2 * len(log)))
            larger[:, : self._size] = self._table[:, : self._size]
            self._table = larger
        for part, found in self._session.pieces(slice(self._size, len(log))):
            for name, column in zip(SAMPLE_COLUMNS, self._table, strict=True):
                column[part] = getattr(found, name)
        self._size = len(log)


class ViewCache:
    """
    Stores results of a session, so that the program need not compute them again.

    Parameters
    ----------
    session : Session
        The session; it may change while the cache is in use.
    """

    def __init__(self, session: Session) -> None:
        self.session = session
        self._open: list[ShotRow] = []
        self._open_at: tuple[int, _Basis] | None = None
        self._basis: _Basis | None = None
        self._forget(None)

    def _forget(self, basis: _Basis | None) -> None:
        if basis is None or self._basis is None or basis.measured_by != self._basis.measured_by:
            self._measured = _MeasuredOnce(self.session)
        self._pages: dict[int, list[ShotRow]] = {}
        self._series: dict[str, tuple[int, Series | None]] = {}
        self._groups: tuple[int, list[Group]] = (-1, [])
        self._compared: tuple[list[Group], Comparison] | None = None
        self._slope: tuple[int, MeasuredSlope | None] = (-1, None)
        self._basis = basis

    def _basis_now(self) -> _Basis:
        session = self.session
        return _Basis(session.measured_by, session.annotations.version, session.log.version)

    def _keep_what_holds(self) -> None:
        basis = self._basis_now()
        if basis != self._basis:
            self._forget(basis)

    def __len__(self) -> int:
        """Return the number of all shots, including open shots."""
        return len(self.session.log) + len(self.open_rows())

    def row(self, index: int) -> ShotRow:
        """Return the shot at position `index`, counted from 0, in the list of all shots."""
        closed = len(self.session.log)
        return self.open_rows()[index - closed] if index >= closed else self._closed(index)

    def place_of(self, key: int) -> int | None:
        """Return the position of the shot with this key; None if no shot has this key."""
        place = self.session.number_of(key) - 1
        if place == len(self.session.log):
            places = (place + i for i, row in enumerate(self.open_rows()) if row.key == key)
            return next(places, None)
        return place if self.row(place).key == key else None

    def open_rows(self) -> list[ShotRow]:
        """Return the unfinished shots, which new edges may still change."""
        now = self.session.revision, self._basis_now()
        if self._open_at != now:
            self._open, self._open_at = self.session.open_rows(), now
        return self._open

    def rows(self, start: int, stop: int) -> list[ShotRow]:
        """Return the existing shots from position `start` to the position before `stop`."""
        return [self.row(index) for index in range(max(start, 0), min(stop, len(self)))]

    def series(self, setup: str) -> Series | None:
        """Return the statistics of the counted shots of a setup."""
        self._keep_what_holds()
        shots, series = self._series.get(setup, (-1, None))
        if shots != len(self.session.log):
            sample = self.session.sample(setup, self._measured.pieces)
            series = series_of(sample) if sample is not None else None
            self._series[setup] = len(self.session.log), series
        return series

    def series_of_first(self, shots: int, setup: str) -> Series | None:
        """Return the statistics of a setup from the first `shots` shots of the session."""
        self._keep_what_holds()
        sample = self.session.sample(setup, self._measured.pieces, shots)
        return series_of(sample) if sample is not None else None

    def groups(self) -> list[Group]:
        """Return the setups to compare; the list stays the same until the shots change."""
        self._keep_what_holds()
        shots, groups = self._groups
        if shots != len(self.session.log):
            samples = {
                name: sample
                for name in self.session.setups.names
                if (sample := self.session.sample(name, self._measured.pieces)) is not None
            }
            groups = groups_from([RecordingSamples("", self.session.rig, samples)])
            self._groups = len(self.session.log), groups
        return groups

    def comparison(self) -> Comparison | None:
        """Compare the setups that have counted shots; return None for fewer than two setups."""
        groups = self.groups()
        if len(groups) < 2:
            return None
        if self._compared is None or self._compared[0] is not groups:
            self._compared = groups, compare_groups(groups)
        return self._compared[1]

    def slope(self) -> MeasuredSlope | None:
        """Return the slope of the path, computed from the edges of the last counted shots."""
        self._keep_what_holds()
        if self._slope[0] != len(self.session.log):
            recent = RecentShots.of(self.session, SLOPE_SHOTS)
            self._slope = len(self.session.log), slope_of(recent)
        return self._slope[1]

    def view(self, limit: int = 300) -> SessionView:
        """Return the data that a screen shows now, with at most the last `limit` shots."""
        session, count = self.session, len(self)
        rows = tuple(self.rows(count - limit, count))
        # Do not show a body that is still between the gates.
        latest = next((r for r in reversed(rows) if not r.open or isfinite(r.speed_mps)), None)
        return SessionView(
            rows=rows,
            shots=count,
            setup=session.setup_now,
            series=self.series(session.setup_now.name),
            latest=latest,
            budget=session.budget_of(latest) if latest else None,
        )

    def _closed(self, index: int) -> ShotRow:
        self._keep_what_holds()
        number, place = divmod(index, PAGE_ROWS)
        page = self._pages.get(number, [])
        if place >= len(page):
            begin = number * PAGE_ROWS
            end = min(begin + PAGE_ROWS, len(self.session.log))
            page = [*page, *self.session.rows_of(slice(begin + len(page), end))]
            self._pages.pop(number, None)
            self._pages[number] = page
            if len(self._pages) > MANY_PAGES:
                del self._pages[next(iter(self._pages))]
        return page[place]
