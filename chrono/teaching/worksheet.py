"""Make worksheets about real shots: speed, worst-case limits and combined uncertainty.

The recording contains every counter value that a worksheet shows. The pupils compute each speed
with v = d/t, without corrections for tilt, drag and the round shape of the body. The answer key
of the teacher also shows the speed that the program computed. Each group of pupils gets its own
shots and tolerance of the spacing. All results with five or more digits differ between groups.
"""

import math
from collections.abc import Iterator, Sequence
from dataclasses import dataclass, replace
from itertools import islice

import numpy as np

from chrono.arrays.array_types import Bools, Ints
from chrono.arrays.events import LEVEL_UNKNOWN, Batch, EventKind
from chrono.errors import OptionError
from chrono.measuring.error_budget import Input, triangular, two_pair
from chrono.measuring.series_statistics import mean_and_s
from chrono.measuring.speed import Measured
from chrono.processor.shot_records import ABSENT, EdgesUsed, Flag
from chrono.reader.recording_reader import RecordingReader
from chrono.rigs.rig_model import Rig
from chrono.session.pooled_samples import samples_of
from chrono.session.recording_loader import LoadedRecording, feed_blocks
from chrono.session.session import Session

Edge = tuple[int, int, Ints]
"""A gate (0 is A), a level (1 is blocked), and the counter values of N shots, shape (N,)."""

MOST_CANDIDATES = 20_000
"""Largest number of shots that are used from one setup; enough for all groups of a school."""
_HARMLESS = int(Flag.COMPANION | Flag.LEAD_ONLY)


@dataclass(frozen=True)
class SheetShot:
    """
    One shot on a worksheet, with its counter values and its speed.

    Attributes
    ----------
    number : int
        Number of the shot in the session, from 1.
    setup : str
    edges : tuple of int
        Counter values that the board sent: A lead, A trail, B lead, B trail. Lines without
        trailing edges give A lead and B lead; lines with only a transit give the transit.
    transits : tuple of int
        Transit of the leading edges, and of the trailing edges if known [counter units].
    time_s : float
        Mean of the transits as a true time [s].
    speed_mps : float
        Spacing divided by `time_s` [m/s].
    own_mps, U95_mps : float
        Speed and ± that the program computed [m/s].
    """

    number: int
    setup: str
    edges: tuple[int, ...]
    transits: tuple[int, ...]
    time_s: float
    speed_mps: float
    own_mps: float
    U95_mps: float


def fit_shots(recorded: LoadedRecording) -> list[list[SheetShot]]:
    """Return the counted shots that are suitable for a worksheet, one list for each setup."""
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


def _raw_edges(recorded: LoadedRecording, rig: Rig, places: Ints) -> dict[int, tuple[int, ...]]:
    """Return the counter values of the shots; leave out a shot with a missing edge."""
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
    """Return the edges of the shots, in the order in which a worksheet shows them."""
    if trail is None:
        return [(0, 1, a_lead), (1, 1, a_lead + lead)]
    a_trail = a_lead + block
    return [(0, 1, a_lead), (0, 0, a_trail), (1, 1, a_lead + lead), (1, 0, a_trail + trail)]


class _FirstEdges:
    """Uses the time of each shot to find the counter value of its first edge."""

    def __init__(self, host_us: Ints) -> None:
        self._host_us = host_us
        self._found: dict[int, int] = {}

    def feed(self, batch: Batch) -> None:
        """Search a batch of recorded lines for the wanted edges."""
        events = batch.events
        own = (events.kind == EventKind.EDGE) & (events.gate == 0) & (events.level != 0)
        own &= np.isin(events.host_us, self._host_us)
        for at, counter in zip(events.host_us[own], events.counter[own], strict=True):
            self._found.setdefault(int(at), int(counter))

    def counters(self) -> tuple[Ints, Bools]:
        """Return the counter value of each shot's first edge, and True if this edge exists."""
        found = [self._found.get(at, -1) for at in self._host_us.tolist()]
        counters = np.array(found, np.int64)
        return counters, counters >= 0


class _Sought:
    """Finds out which of the wanted edges are in a recording."""

    def __init__(self, edges: Sequence[tuple[int, int, Ints]]) -> None:
        self._edges = edges
        self.seen: list[set[int]] = [set() for _ in edges]

    def feed(self, batch: Batch) -> None:
        """Search a batch of recorded lines for the wanted edges."""
        events = batch.events
        for (gate, level, values), seen in zip(self._edges, self.seen, strict=True):
            # A line without a level reports a leading edge.
            told = (events.level == level) | ((level == 1) & (events.level == LEVEL_UNKNOWN))
            own = (events.kind == EventKind.EDGE) & (events.gate == gate) & told
            counter = events.counter[own]
            seen.update(counter[np.isin(counter, values)].tolist())


RESTATED_STEP = 0.05
"""Relative increase of the spacing tolerance from one group to the next."""
SAME_DIGITS = 1e-5
"""Two values with a smaller relative difference may have the same first six digits."""
LIMIT_FACTOR = 2.0
"""A calibrated quantity has no exact limit. The worst case uses this many standard
uncertainties: ± 2 u."""


@dataclass(frozen=True)
class Facts:
    """
    The values of the rig that a worksheet shows.

    Attributes
    ----------
    spacing_m : float
    spacing : Input
        Spacing and tolerance as stated for this group.
    trip : Input or None
        Trip position of each gate; None if the spacing includes it.
    unit_s : float
        Time of one counter unit [s].
    tick_s : float
        Step of the counter [s].
    modulus : int
        Value at which the counter starts again from 0.
    jitter_s : float
        Standard deviation of one timestamp [s].
    rate_error : float
        Relative error of the counter's frequency, 0 unless calibrated.
    rate : Input
    latency_s : float
        Delay of gate B minus delay of gate A, 0 unless calibrated [s].
    latency : Input
    pairs : int
        Number of edge pairs that are averaged for a time, 1 or 2.
    """

    spacing_m: float
    spacing: Input
    trip: Input | None
    unit_s: float
    tick_s: float
    modulus: int
    jitter_s: float
    rate_error: float
    rate: Input
    latency_s: float
    latency: Input
    pairs: int


@dataclass(frozen=True)
class WorstCaseLimits:
    """The smallest and largest possible path [m], time [s] and speed [m/s] of one shot."""

    path_low_m: float
    path_high_m: float
    time_low_s: float
    time_high_s: float
    speed_low_mps: float
    speed_high_mps: float


@dataclass(frozen=True)
class RootSumSquare:
    """
    The standard uncertainties of one shot, and their combination (root of the sum of squares).

    Attributes
    ----------
    u_spacing_m, u_trip_m : float
        u of the spacing, and u of each gate's trip position [m].
    u_tick_s, u_jitter_s, u_rate_s, u_latency_s : float
        Contributions of tick, jitter, rate and delays to the u of the time [s].
    u_path_m, u_time_s : float
        u of the path [m], and u of the time [s].
    u_relative : float
        u of the speed, divided by the speed.
    u_mps, U_mps : float
        u of the speed, and twice this value [m/s].
    u_random_mps : float
        Part of u of the speed that changes from shot to shot: tick and jitter [m/s].
    """

    u_spacing_m: float
    u_trip_m: float
    u_tick_s: float
    u_jitter_s: float
    u_rate_s: float
    u_latency_s: float
    u_path_m: float
    u_time_s: float
    u_relative: float
    u_mps: float
    U_mps: float
    u_random_mps: float


@dataclass(frozen=True)
class Task:
    """
    The tasks for one group of pupils, with the solutions of these tasks.

    Attributes
    ----------
    group : int
    facts : Facts
    shots : tuple of SheetShot
        Shots of one setup. The tasks on limits and uncertainty are about the first shot.
    mean_mps, s_mps : float
        Mean and standard deviation of the speeds [m/s]; s is NaN for one shot.
    limits : WorstCaseLimits
    combined : RootSumSquare
    """

    group: int
    facts: Facts
    shots: tuple[SheetShot, ...]
    mean_mps: float
    s_mps: float
    limits: WorstCaseLimits
    combined: RootSumSquare


@dataclass(frozen=True, eq=False)
class Worksheet:
    """
    The worksheets of several groups, made from one recording.

    Attributes
    ----------
    name : str
        Name of the recording.
    rig : Rig
    tasks : tuple of Task
    """

    name: str
    rig: Rig
    tasks: tuple[Task, ...]


def worksheet_of(recorded: LoadedRecording, shots: int, groups: Sequence[int]) -> Worksheet:
    """
    Return the worksheets for the wanted groups of pupils.

    Parameters
    ----------
    recorded : LoadedRecording
        The recording, read to its end.
    shots : int
        Number of shots for each group.
    groups : sequence of int
        Numbers of the wanted groups, from 1, ascending.

    Raises
    ------
    OptionError
        If the recording has too few shots to give each group different numbers. Also if its
        bodies fall or rise, because d/t is then not the speed midway between the gates.
    """
    if not recorded.session.model.motion.is_level:
        raise OptionError(
            "the bodies fall or rise between the gates (gates.slope), so d/t is not the "
            "speed in the middle between the gates",
            where=str(recorded.path),
            hint="use a recording with a horizontal path",
        )
    found: list[Task] = []
    made = 0
    for made, task in enumerate(_tasks(recorded, shots), 1):
        if made in groups:
            found.append(task)
        if made == groups[-1]:
            return Worksheet(recorded.name, recorded.session.rig, tuple(found))
    raise OptionError(
        f"the recording has enough shots for {made} group{'s' * (made != 1)} of {shots} "
        f"shot{'s' * (shots != 1)}, but not for group {groups[-1]}: a group uses only counted "
        "shots with all edges and no doubtful flag",
        where=str(recorded.path),
        hint=" or ".join(
            [*_offers(recorded, shots, made, groups[-1]), "use another recording"]
        ),
    )


def _offers(recorded: LoadedRecording, shots: int, made: int, wanted: int) -> Iterator[str]:
    """Yield command-line options for which this recording has enough shots."""
    if made:
        yield f"--groups {made}"
    for fewer in range(shots - 1, 0, -1):
        if sum(1 for _ in islice(_tasks(recorded, fewer), wanted)) == wanted:
            yield f"--shots {fewer}"
            return


def _tasks(recorded: LoadedRecording, count: int) -> Iterator[Task]:
    """Yield the tasks for group 1, 2 and so on; the groups use the setups in turn."""
    pools = fit_shots(recorded)
    seen: dict[str, list[float]] = {}
    group, turn = 1, 0
    while pools:
        pool = pools[turn % len(pools)]
        if len(pool) < count:
            pools.remove(pool)
            continue
        task = _task(group, recorded.session, tuple(pool[:count]))
        results = _results(task)
        if any(_near(values, seen.get(kind, [])) for kind, values in results.items()):
            pool.pop(0)  # this shot would repeat a number of another group
            continue
        del pool[:count]
        for kind, values in results.items():
            seen.setdefault(kind, []).extend(values)
        yield task
        group, turn = group + 1, turn + 1


def _results(task: Task) -> dict[str, list[float]]:
    """For each kind of number, return the numbers that only this group may have."""
    limits, combined, shots = task.limits, task.combined, task.shots
    return {
        "transit": [float(transit) for shot in shots for transit in shot.transits],
        "counter": [float(edge) for shot in shots for edge in shot.edges],
        "time": [shot.time_s for shot in shots],
        "time limit": [limits.time_low_s, limits.time_high_s],
        "speed": [task.mean_mps, *(shot.speed_mps for shot in shots)],
        "speed limit": [limits.speed_low_mps, limits.speed_high_mps],
        "s": [task.s_mps],
        "u of the time": [combined.u_time_s],
        "u over the speed": [combined.u_relative],
        "u of the speed": [combined.u_mps],
        "random u of the speed": [combined.u_random_mps],
    }


def _near(values: list[float], others: list[float]) -> bool:
    """Return True if a value could look the same in print as a value in `others`."""
    own = np.array([value for value in values if math.isfinite(value) and value != 0])
    gaps = np.abs(own[:, np.newaxis] - np.array(others)[np.newaxis, :])
    return bool(np.any(gaps <= SAME_DIGITS * np.abs(own[:, np.newaxis])))


def _task(group: int, session: Session, shots: tuple[SheetShot, ...]) -> Task:
    facts = _facts(session, group, len(shots[0].transits))
    mean, s = mean_and_s(np.array([shot.speed_mps for shot in shots]))
    time_s = shots[0].time_s
    return Task(
        group, facts, shots, mean, s, limits_of(facts, time_s), combined_of(facts, time_s)
    )


def _facts(session: Session, group: int, pairs: int) -> Facts:
    """Return the rig's values for a group, with the group's own tolerance of the spacing."""
    model, factor = session.model, 1 + RESTATED_STEP * (group - 1)
    spacing = model.spacing
    return Facts(
        spacing_m=model.spacing_m,
        spacing=replace(spacing, half_width=spacing.half_width * factor, u=spacing.u * factor),
        trip=model.trips[0] if model.trips else None,
        unit_s=model.unit_s,
        tick_s=model.tick_s,
        modulus=2**session.rig.clock.counter_bits,
        jitter_s=model.jitter.u,
        rate_error=model.rate_error,
        rate=model.rate,
        latency_s=model.latency_s,
        latency=model.latency,
        pairs=pairs,
    )


def half_width(stated: Input | None) -> float:
    """Return the error that the worst case assumes for an input such as the spacing."""
    if stated is None:
        return 0.0
    return stated.half_width if math.isfinite(stated.half_width) else LIMIT_FACTOR * stated.u


def limits_of(facts: Facts, time_s: float) -> WorstCaseLimits:
    """Return the limits of path, time and speed, if each input has its largest error."""
    path = half_width(facts.spacing) + 2 * half_width(facts.trip)
    rate, late = half_width(facts.rate), half_width(facts.latency)
    low_m, high_m = facts.spacing_m - path, facts.spacing_m + path
    low_s = (time_s - facts.tick_s) * (1 - rate) - late
    high_s = (time_s + facts.tick_s) * (1 + rate) + late
    fastest = high_m / low_s if low_s > 0 else math.inf
    return WorstCaseLimits(low_m, high_m, low_s, high_s, low_m / high_s, fastest)


def combined_of(facts: Facts, time_s: float) -> RootSumSquare:
    """Compute the standard uncertainties of a shot, and combine them (GUM 5.1.6)."""
    two = facts.pairs == 2
    tick = two_pair("", facts.tick_s) if two else triangular("", facts.tick_s)
    jitter = facts.jitter_s * (1 if two else math.sqrt(2))
    trip = facts.trip.u if facts.trip else 0.0
    path = math.hypot(facts.spacing.u, trip, trip)
    rate = facts.rate.u * time_s
    time = math.hypot(tick.u, jitter, rate, facts.latency.u)
    relative = math.hypot(path / facts.spacing_m, time / time_s)
    u = relative * facts.spacing_m / time_s
    return RootSumSquare(
        u_spacing_m=facts.spacing.u,
        u_trip_m=trip,
        u_tick_s=tick.u,
        u_jitter_s=jitter,
        u_rate_s=rate,
        u_latency_s=facts.latency.u,
        u_path_m=path,
        u_time_s=time,
        u_relative=relative,
        u_mps=u,
        U_mps=2 * u,
        u_random_mps=math.hypot(tick.u, jitter) / time_s * facts.spacing_m / time_s,
    )
