"""A sheet of tasks on real shots: speed, worst-case limits, combined uncertainty.

Pupils compute by the plain formula v = d/t. What the program adds to it (tilt, drag, chords) is
left out, and its own value stands beside theirs in the key. Each group has shots of its own,
and a spacing tolerance of its own: no number of five digits and more is in two groups' keys.
"""

import math
from collections.abc import Iterator, Sequence
from dataclasses import dataclass, replace

import numpy as np

from chrono.errors import OptionError
from chrono.measuring.budget import Input, triangular, two_pair
from chrono.measuring.statistics import mean_and_s
from chrono.rigs.model import Rig
from chrono.session.recorded import Recorded
from chrono.session.session import Session
from chrono.teaching.sheet_shots import SheetShot, fit_shots

RESTATED_STEP = 0.05
"""Part by which the spacing's tolerance grows from group to group."""
SAME_DIGITS = 1e-5
"""Values nearer than this part may look alike in six digits, whatever their unit."""
LIMIT_FACTOR = 2.0
"""A calibrated quantity has no hard limit; ± 2 u is taken for one."""


@dataclass(frozen=True)
class Facts:
    """
    What a sheet states of the rig.

    Attributes
    ----------
    spacing_m : float
    spacing : Input
        As stated for this group.
    trip : Input or None
        Of each gate; None where the spacing covers it.
    unit_s : float
        Time of one counter unit [s].
    tick_s : float
        Step of the counter [s].
    modulus : int
        At which the counter begins anew.
    jitter_s : float
        Standard deviation of one timestamp [s].
    rate_error : float
        Relative error of the counter's frequency, 0 unless calibrated.
    rate : Input
    latency_s : float
        Delay of gate B less that of gate A, 0 unless calibrated [s].
    latency : Input
    pairs : int
        Pairs of edges that a time is the mean of, 1 or 2.
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
class Limits:
    """Worst cases of path [m], time [s] and speed [m/s] of one shot."""

    path_low_m: float
    path_high_m: float
    time_low_s: float
    time_high_s: float
    speed_low_mps: float
    speed_high_mps: float


@dataclass(frozen=True)
class Combined:
    """
    Standard uncertainties of one shot, combined by the root of the sum of squares.

    Attributes
    ----------
    u_spacing_m, u_trip_m : float
        Of the spacing, and of each gate's place [m].
    u_tick_s, u_jitter_s, u_rate_s, u_latency_s : float
        Of the time [s].
    u_path_m, u_time_s : float
        Of the path [m] and of the time [s].
    u_relative : float
        Of the speed, over the speed.
    u_mps, U_mps : float
        Of the speed, and twice that [m/s].
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


@dataclass(frozen=True)
class Task:
    """
    The tasks of one group with their solutions.

    Attributes
    ----------
    group : int
    facts : Facts
    shots : tuple of SheetShot
        All of one setup; limits and uncertainty are asked for the first.
    mean_mps, s_mps : float
        Of the speeds [m/s]; s is NaN for one shot.
    limits : Limits
    combined : Combined
    """

    group: int
    facts: Facts
    shots: tuple[SheetShot, ...]
    mean_mps: float
    s_mps: float
    limits: Limits
    combined: Combined


@dataclass(frozen=True, eq=False)
class Worksheet:
    """
    Sheets of some groups from one recording.

    Attributes
    ----------
    name : str
        Of the recording.
    rig : Rig
    tasks : tuple of Task
    """

    name: str
    rig: Rig
    tasks: tuple[Task, ...]


def worksheet_of(recorded: Recorded, shots: int, groups: Sequence[int]) -> Worksheet:
    """
    Return the sheets of some groups.

    Parameters
    ----------
    recorded : Recorded
        Read whole.
    shots : int
        Shots of each group.
    groups : sequence of int
        Numbers of the groups wanted, from 1, ascending.

    Raises
    ------
    OptionError
        If the recording has not shots enough that no two groups share a number.
    """
    found: list[Task] = []
    made = 0
    for made, task in enumerate(_tasks(recorded, shots), 1):
        if made in groups:
            found.append(task)
        if made == groups[-1]:
            return Worksheet(recorded.name, recorded.session.rig, tuple(found))
    raise OptionError(
        f"its shots are enough for {made} groups of {shots}, group {groups[-1]} is wanted",
        where=str(recorded.path),
        hint="ask for fewer --shots, or give these groups another recording",
    )


def _tasks(recorded: Recorded, count: int) -> Iterator[Task]:
    """Yield the tasks of one group after another; setups take turns."""
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
            pool.pop(0)  # with this shot a number of another group would come again
            continue
        del pool[:count]
        for kind, values in results.items():
            seen.setdefault(kind, []).extend(values)
        yield task
        group, turn = group + 1, turn + 1


def _results(task: Task) -> dict[str, list[float]]:
    """Return the numbers of a group that no other group may have, by what they are."""
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
    }


def _near(values: list[float], others: list[float]) -> bool:
    """Tell whether a value may be printed with the same digits as one of others."""
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
    """Return what is stated to a group: the rig's values, the spacing's tolerance restated."""
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
    """Return the limit that a worst case takes for an input."""
    if stated is None:
        return 0.0
    return stated.half_width if math.isfinite(stated.half_width) else LIMIT_FACTOR * stated.u


def limits_of(facts: Facts, time_s: float) -> Limits:
    """Return the worst cases of a shot with this true time, every limit pulling one way."""
    path = half_width(facts.spacing) + 2 * half_width(facts.trip)
    rate, late = half_width(facts.rate), half_width(facts.latency)
    low_m, high_m = facts.spacing_m - path, facts.spacing_m + path
    low_s = (time_s - facts.tick_s) * (1 - rate) - late
    high_s = (time_s + facts.tick_s) * (1 + rate) + late
    fastest = high_m / low_s if low_s > 0 else math.inf
    return Limits(low_m, high_m, low_s, high_s, low_m / high_s, fastest)


def combined_of(facts: Facts, time_s: float) -> Combined:
    """Return the standard uncertainties of a shot with this true time (GUM 5.1.6)."""
    two = facts.pairs == 2
    tick = two_pair("", facts.tick_s) if two else triangular("", facts.tick_s)
    jitter = facts.jitter_s * (1 if two else math.sqrt(2))
    trip = facts.trip.u if facts.trip else 0.0
    path = math.hypot(facts.spacing.u, trip, trip)
    rate = facts.rate.u * time_s
    time = math.hypot(tick.u, jitter, rate, facts.latency.u)
    relative = math.hypot(path / facts.spacing_m, time / time_s)
    u = relative * facts.spacing_m / time_s
    return Combined(
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
    )
