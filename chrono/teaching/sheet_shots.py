"""Shots that a sheet can be made of: every counter value stands so in the recording."""

import math
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from chrono.arrays.array_types import Bools, Ints
from chrono.arrays.batch import LEVEL_UNKNOWN, Batch, Kind
from chrono.measuring.measured import Measured
from chrono.processor.table import ABSENT, EdgesUsed, Flag
from chrono.reader.recording import RecordingReader
from chrono.rigs.model import Rig
from chrono.session.recorded import Recorded, feed_blocks
from chrono.session.samples import samples_of
from chrono.session.session import Session

Edge = tuple[int, int, Ints]
"""Gate (0 is A), level (1 is blocked), and counter values, shape (N,)."""

MOST_CANDIDATES = 20_000
"""More shots of a setup are not looked at: enough for every group of a school."""
_HARMLESS = int(Flag.COMPANION | Flag.LEAD_ONLY)


@dataclass(frozen=True)
class SheetShot:
    """
    One shot of a sheet.

    Attributes
    ----------
    number : int
        In the session, from 1.
    setup : str
    edges : tuple of int
        Counter values as the board sent them: A lead, A trail, B lead, B trail; A lead and
        B lead where lines tell of no trailing edge; the transit alone where lines are such.
    transits : tuple of int
        Of the leading, and where known of the trailing edges [counter units].
    time_s : float
        Their mean as a true time [s].
    speed_mps : float
        Spacing over that time [m/s].
    own_mps, U95_mps : float
        What the program gives [m/s].
    """

    number: int
    setup: str
    edges: tuple[int, ...]
    transits: tuple[int, ...]
    time_s: float
    speed_mps: float
    own_mps: float
    U95_mps: float


def fit_shots(recorded: Recorded) -> list[list[SheetShot]]:
    """Return the counted shots fit for a sheet, setup by setup, in their order."""
    session, rig = recorded.session, recorded.session.rig
    log, places = session.log, {}
    for setup, sample in samples_of(session).items():
        at = (sample.number - 1)[:MOST_CANDIDATES]
        keys = log.shots["key"][at]
        known = np.array([session.counters.is_last(i) for i in session.counters.at(keys)])
        flags = log.shots["flags"][at] & ~np.uint32(_HARMLESS)
        places[setup] = at[known & (flags == 0)]
    wanted = np.concatenate([np.zeros(0, np.int64), *places.values()])
    if rig.lines.is_interval:
        edges: dict[int, tuple[int, ...]] = {
            int(i): (int(log.shots["lead"][i]),) for i in wanted
        }
    else:
        edges = _raw_edges(recorded, rig, wanted)
    measured = session.measured()
    pools = []
    for setup, at in places.items():
        fit = [place for place in at.tolist() if place in edges]
        made = (_sheet_shot(session, measured, place, setup, edges[place]) for place in fit)
        pools.append([shot for shot in made if shot.time_s > 0])
    return pools


def _sheet_shot(
    session: Session, measured: Measured, place: int, setup: str, edges: tuple[int, ...]
) -> SheetShot:
    shot, model = session.log.shots[place], session.model
    lead, trail = int(shot["lead"]), int(shot["trail"])
    transits = (lead, trail) if len(edges) == 4 else (lead,)
    time_s = model.true_transit(sum(transits) / len(transits) * model.unit_s)
    return SheetShot(
        number=place + 1,
        setup=setup,
        edges=edges,
        transits=transits,
        time_s=time_s,
        speed_mps=model.spacing_m / time_s if time_s else math.inf,
        own_mps=float(measured.speed_mps[place]),
        U95_mps=float(measured.U95_mps[place]),
    )


def _raw_edges(recorded: Recorded, rig: Rig, places: Ints) -> dict[int, tuple[int, ...]]:
    """Return the counter values of shots whose every edge stands so in the recording."""
    shots = recorded.session.log.shots[places]
    two = bool((shots["used"] == EdgesUsed.BOTH).any())
    names = ("lead", "trail", "block_a") if two else ("lead",)
    fit = shots["used"] == (EdgesUsed.BOTH if two else EdgesUsed.LEAD)
    for name in names:
        fit &= shots[name] != ABSENT
    first = _FirstEdges(shots["host_us"])
    feed_blocks(RecordingReader(recorded.path), rig.lines, first)
    a_lead, known = first.counters()
    fit &= known
    edges = _edges(a_lead, *(np.where(fit, shots[name], 0) for name in names))
    modulus = 2**rig.clock.counter_bits
    raw = [(gate, level, value % modulus) for gate, level, value in edges]
    sought = _Sought(raw)
    feed_blocks(RecordingReader(recorded.path), rig.lines, sought)
    for (_, _, value), seen in zip(raw, sought.seen, strict=True):
        fit &= np.isin(value, np.array(sorted(seen), np.int64))
    return {
        int(places[i]): tuple(int(value[i]) for _, _, value in raw)
        for i in np.flatnonzero(fit).tolist()
    }


def _edges(
    a_lead: Ints, lead: Ints, trail: Ints | None = None, block: int | Ints = 0
) -> list[Edge]:
    """Return the edges of shots in the order of a sheet's columns."""
    if trail is None:
        return [(0, 1, a_lead), (1, 1, a_lead + lead)]
    a_trail = a_lead + block
    return [(0, 1, a_lead), (0, 0, a_trail), (1, 1, a_lead + lead), (1, 0, a_trail + trail)]


class _FirstEdges:
    """
    Takes batches and keeps the counter value of each shot's first edge, told by its moment.

    A shot's key goes on where the counter began anew with its board, and is no value of it.
    """

    def __init__(self, host_us: Ints) -> None:
        self._host_us = host_us
        self._found: dict[int, int] = {}

    def feed(self, batch: Batch) -> None:
        """Take a batch."""
        events = batch.events
        own = (events.kind == Kind.EDGE) & (events.gate == 0) & (events.level != 0)
        own &= np.isin(events.host_us, self._host_us)
        for at, counter in zip(events.host_us[own], events.counter[own], strict=True):
            self._found.setdefault(int(at), int(counter))

    def counters(self) -> tuple[Ints, Bools]:
        """Return the counter value of each shot's first edge, and where one was found."""
        found = [self._found.get(at, -1) for at in self._host_us.tolist()]
        counters = np.array(found, np.int64)
        return counters, counters >= 0


class _Sought:
    """Takes batches and keeps which of the edges that are looked for are in them."""

    def __init__(self, edges: Sequence[tuple[int, int, Ints]]) -> None:
        self._edges = edges
        self.seen: list[set[int]] = [set() for _ in edges]

    def feed(self, batch: Batch) -> None:
        """Take a batch."""
        events = batch.events
        for (gate, level, values), seen in zip(self._edges, self.seen, strict=True):
            # A line that says no level tells of a leading edge.
            told = (events.level == level) | ((level == 1) & (events.level == LEVEL_UNKNOWN))
            own = (events.kind == Kind.EDGE) & (events.gate == gate) & told
            counter = events.counter[own]
            seen.update(counter[np.isin(counter, values)].tolist())
