"""Simulate a board: bodies fly through two gates, and the board sends lines.

The same scenario and seed (a start number for the random numbers) give the same lines and the
same true values. `simulate_recording` makes a complete recording without waiting; the delay
before the computer reads a line is a random number there.
"""

import heapq
from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from itertools import count, takewhile
from math import cos, exp, expm1, floor, log, pi, radians, sqrt
from random import Random
from typing import Any

from chrono.reader.line_grammar import (
    ANALOG_MARK,
    GateLevels,
    SensorLevels,
    encode_beat,
    encode_edge,
    encode_hello,
    encode_interval,
    encode_plain,
)
from chrono.reader.recording_rows import HEADER, board_row, json_row
from chrono.virtual.scenarios import (
    CLEAR_V,
    DARK_V,
    LOWER_V,
    UPPER_V,
    Board,
    Interval,
    Lamp,
    LooseBeam,
    Play,
    PlayedSetup,
    Scenario,
    VirtualFall,
    VirtualFlight,
)

FIRST_LAUNCH_S = 1.2
"""Time from the board's start to the first launch at normal speed [s]."""

CHATTER_S = 40e-6
"""Longest chatter of a comparator after a leading edge, or before a trailing edge [s]."""

GRAVITY_MPS2 = 9.8104
GRAVITY_TOLERANCE_MPS2 = 1e-3
"""Gravity at the default place of a rig (latitude 50°, altitude 100 m), and its half-width.
Ores and mountains change gravity by up to the half-width."""

AIR_KGPM3 = 1.2

TimedLine = tuple[float, bytes]
"""Board time when the last byte of a line was sent [s], and the line with its newline."""

Edge = tuple[float, int, int]
"""Time [s], gate (0 or 1), and level (1 blocked, 0 clear)."""

_BEAT = -1
"""This value replaces the gate if a beat is due."""


@dataclass(frozen=True)
class VirtualLaunch:
    """
    The true values of one launch.

    Attributes
    ----------
    shot : int
        Index of the launch, from 0.
    setup : PlayedSetup
    ready_s : float
        Board time at which the launcher becomes ready with this setup [s].
    flights : tuple of VirtualFlight
        The main body first, then the bodies that follow it.
    """

    shot: int
    setup: PlayedSetup
    ready_s: float
    flights: tuple[VirtualFlight, ...]

    @property
    def speed_mps(self) -> float:
        """True speed of the main body at the point midway between the gates [m/s]."""
        return self.flights[0].speed_mps


@dataclass(frozen=True)
class TrueRig:
    """
    The true values of a rig, chosen at random within its stated tolerances.

    Attributes
    ----------
    positions_m : (float, float)
        Place along the path where each gate trips, from midway between the gates [m].
    latencies_s : (float, float)
        Delay of each gate's sensor [s].
    rate_error : float
        Relative error of the counter's frequency.
    spacing_m : float
        Distance between the places where the gates trip, along their axis [m].
    height_m : float
        For a drop: mean height of the body's lower edge above the place where gate A trips [m].
    gravity_mps2 : float
        Gravity at the place of the gates [m/s²].
    """

    positions_m: tuple[float, float]
    latencies_s: tuple[float, float]
    rate_error: float
    spacing_m: float
    height_m: float
    gravity_mps2: float


def true_rig(scenario: Scenario, seed: int) -> TrueRig:
    """
    Choose the true values of a rig at random, within its tolerances.

    The same seed gives the same true values.
    """
    rng = Random(f"{scenario.gates_of or scenario.name} {seed} rig")
    gates = scenario.gates
    spacing_m = gates.spacing_m + _within(rng, gates.spacing_tolerance_m)
    spacing_m += scenario.spacing_off_m
    trips_m = [_within(rng, gates.trip_tolerance_m) for _ in range(2)]
    path_per_axis = 1.0 / cos(radians(rng.uniform(0.0, gates.tilt_limit_deg)))
    mismatch_s = _within(rng, gates.latency_mismatch_s)
    base_s = gates.latency_mismatch_s
    latencies_s = (base_s, base_s + mismatch_s)
    rate_error = _within(rng, scenario.board.rate_tolerance)
    drop = scenario.drop
    return TrueRig(
        positions_m=(
            (-spacing_m / 2.0 + trips_m[0]) * path_per_axis,
            (spacing_m / 2.0 + trips_m[1]) * path_per_axis,
        ),
        latencies_s=latencies_s[::-1] if scenario.exchanged else latencies_s,
        rate_error=rate_error,
        spacing_m=spacing_m + trips_m[1] - trips_m[0],
        height_m=drop.height_m + _within(rng, drop.height_tolerance_m) if drop else 0.0,
        gravity_mps2=GRAVITY_MPS2 + _within(rng, GRAVITY_TOLERANCE_MPS2),
    )


def launches(
    scenario: Scenario, seed: int, *, shots: int | None = None, speedup: float = 1.0
) -> Iterator[VirtualLaunch]:
    """
    Yield the launches that the virtual board plays, with their true values.

    Parameters
    ----------
    scenario : Scenario
    seed : int
    shots : int, optional
        Number of launches; None for no end.
    speedup : float
        Factor by which pauses are shorter; launches never overlap.

    Yields
    ------
    VirtualLaunch
    """
    rng = Random(f"{scenario.launches_of or scenario.name} {seed} launches")
    rig = true_rig(scenario, seed)
    reach_m = scenario.gates.muzzle_distance_m + scenario.gates.spacing_m
    overlap_s = 0.1 + 2.0 * reach_m / min(s.speed_mps for s in scenario.setups)
    overlap_s = max(overlap_s, 2.0 * scenario.gates.spacing_m / scenario.gates.slowest_mps)
    ready_s, midway_s = 0.0, max(FIRST_LAUNCH_S / speedup, overlap_s)
    for shot in count() if shots is None else range(shots):
        flights = (
            (_fall(scenario, rig, midway_s, rng),)
            if scenario.drop
            else _flights(scenario, shot, midway_s, rng)
        )
        yield VirtualLaunch(shot, scenario.setup_of(shot), ready_s, flights)
        pause_s = max(rng.uniform(*scenario.pause_s) / speedup, overlap_s)
        ready_s, midway_s = midway_s + pause_s / 2.0, midway_s + pause_s


def setup_changes(
    scenario: Scenario, seed: int, *, shots: int | None = None, speedup: float = 1.0
) -> Iterator[tuple[float, PlayedSetup]]:
    """Yield the time [s] and the new setup for each change of the setup, beginning at 0 s."""
    if len(scenario.setups) == 1:
        yield 0.0, scenario.setups[0]
        return
    for launch in launches(scenario, seed, shots=shots, speedup=speedup):
        if launch.shot % scenario.block == 0:
            yield launch.ready_s, launch.setup


def operator_rows(play: Play) -> Iterator[tuple[float, str, dict[str, Any]]]:
    """
    Yield the setups and marks of a simulated user, in order of time.

    Yields
    ------
    (float, str, dict)
        Time since the board's start [s], origin of the row, JSON object of the row.
    """
    changes = setup_changes(play.scenario, play.seed, shots=play.shots, speedup=play.speedup)
    for time_s, setup in changes:
        record = {"name": setup.name, "body": {}, "conditions": dict(setup.conditions)}
        yield time_s, "setup", record


def board_lines(
    scenario: Scenario, seed: int, *, shots: int | None = None, speedup: float = 1.0
) -> Iterator[TimedLine]:
    """
    Yield the lines that the board sends, in order, each with its board time.

    After the last shot, a board with beats (a line every second) sends beats without end.

    Parameters
    ----------
    scenario, seed, shots, speedup
        The same as for `launches`.

    Yields
    ------
    (float, bytes)
        Time when the last byte was sent [s], and the line with its newline.
    """
    rig = true_rig(scenario, seed)
    rng = Random(f"{scenario.name} {seed} board")
    play = launches(scenario, seed, shots=shots, speedup=speedup)
    edges = _edges(_changes(scenario, rig, play, rng), scenario.missed_probability, rng)
    board = _Board(scenario.board, rig.rate_error, rng)
    if not scenario.board.lines.has_beats:
        yield from board.sketch_lines(edges)
        return
    yield board.send(0.0, hello(scenario.board))
    for time_s, gate, level in heapq.merge(edges, board.beats()):
        line = board.beat(time_s) if gate == _BEAT else board.edge(time_s, gate, level)
        if line:
            yield board.send(time_s, line)


def hello(board: Board) -> bytes:
    """Return the hello line that a board sends at its start and on request."""
    firmware = board.firmware + (ANALOG_MARK if board.has_analog else "")
    return encode_hello(int(board.frequency_hz), board.counter_bits, board.name, firmware)


def light_of(scenario: Scenario, gate: int, time_s: float) -> float:
    """Return the signal of a sensor while no body is in the beam [V]."""
    loose = scenario.loose_beam
    if loose is None or loose.gate != gate:
        return CLEAR_V
    angle = loose.swing * (1.0 - abs(1.0 - 2.0 * (time_s / loose.period_s % 1.0)))
    return CLEAR_V * exp(-(angle**2))


def sensor_levels(scenario: Scenario, time_s: float, blocked: Sequence[int]) -> SensorLevels:
    """
    Return the sensor levels that the board measures.

    Parameters
    ----------
    scenario : Scenario
    time_s : float
        Board time [s].
    blocked : sequence of int
        Level of each gate: 1 while the gate is blocked.
    """
    gates = []
    for gate in (0, 1):
        light_v = light_of(scenario, gate, time_s)
        if blocked[gate] and light_v > UPPER_V:
            light_v = DARK_V
        gates.append(GateLevels(light_v, LOWER_V, UPPER_V))
    return gates[0], gates[1]


class _Board:
    """A simulated board with its counter, its sequence number and its serial line."""

    def __init__(self, board: Board, rate_error: float, rng: Random) -> None:
        self._board = board
        self._rate_hz = board.frequency_hz * (1.0 + rate_error)
        self._rng = rng
        self._sequence = -1
        self._lost = 0
        self._levels = [0, 0]
        self._line_free_s = 0.0
        self._last_edge_s = -1.0

    def beats(self) -> Iterator[Edge]:
        """Yield a beat for each second of the board's counter."""
        period_s = self._board.frequency_hz / self._rate_hz
        return ((n * period_s, _BEAT, 0) for n in count(1))

    def send(self, time_s: float, line: bytes) -> TimedLine:
        start_s = max(time_s, self._line_free_s)
        self._line_free_s = start_s + 10.0 * (len(line) + 1) / self._board.bits_per_s
        return self._line_free_s, line + b"\n"

    def edge(self, time_s: float, gate: int, level: int) -> bytes | None:
        """Return the line that reports an edge; None if too many lines are still not sent."""
        self._levels[gate] = level
        waiting_s = self._line_free_s - time_s
        if waiting_s > self._board.queue_lines * 250.0 / self._board.bits_per_s:
            self._lost += 1
            return None
        late = time_s - self._last_edge_s < self._board.separation_s
        if late:
            time_s = self._last_edge_s + self._board.separation_s
        self._last_edge_s = time_s
        counter = self._counter(time_s + self._rng.gauss(0.0, self._board.jitter_s))
        self._sequence += 1
        return encode_edge(self._sequence, gate, level, counter, late=late)

    def beat(self, time_s: float) -> bytes:
        """Return the line that the board sends every second."""
        self._sequence += 1
        level_a, level_b = self._levels
        counter = self._counter(time_s)
        return encode_beat(self._sequence, counter, level_a, level_b, self._lost)

    def sketch_lines(self, edges: Iterator[Edge]) -> Iterator[TimedLine]:
        """Yield lines with the time of an edge, or the time between two leading edges."""
        entered: int | None = None
        for time_s, gate, level in edges:
            if not level:
                continue
            counter = self._counter(time_s + self._rng.gauss(0.0, self._board.jitter_s))
            if not self._board.lines.is_interval:
                yield self.send(time_s, encode_plain(gate, counter))
            elif gate == 0:
                entered = counter
            elif entered is not None:
                yield self.send(time_s, encode_interval(counter - entered))
                entered = None

    def _counter(self, time_s: float) -> int:
        steps = floor(time_s * self._rate_hz / self._board.step)
        value = self._board.counter_start + steps * self._board.step
        return value % (1 << self._board.counter_bits)


def _within(rng: Random, half_width: float) -> float:
    return rng.uniform(-half_width, half_width)


def _flights(
    scenario: Scenario, shot: int, midway_s: float, rng: Random
) -> tuple[VirtualFlight, ...]:
    setup = scenario.setup_of(shot)
    speed_mps = setup.speed_mps * (1.0 + setup.relative_spread * rng.gauss(0.0, 1.0))
    ball = VirtualFlight(scenario.body, speed_mps, midway_s)
    companion = scenario.companion
    if companion is None or rng.random() >= companion.probability:
        return (ball,)
    muzzle_m = scenario.gates.muzzle_distance_m
    ratio = rng.gauss(companion.speed_ratio, companion.ratio_spread)
    muzzle_mps = ratio * speed_mps * exp(scenario.body.drag_per_m * muzzle_m)
    kappa = companion.body.drag_per_m
    way_s = expm1(kappa * muzzle_m) / (kappa * muzzle_mps)
    carried = VirtualFlight(
        companion.body,
        muzzle_mps * exp(-kappa * muzzle_m),
        ball.time_at(-muzzle_m) + way_s,
    )
    return ball, carried


def _fall(scenario: Scenario, rig: TrueRig, midway_s: float, rng: Random) -> VirtualFall:
    """Simulate the fall of a dropped body in air."""
    assert scenario.drop is not None, "this scenario has no drop"
    body = scenario.body
    displaced = AIR_KGPM3 * pi * body.diameter_m**3 / 6 / body.mass_kg
    acceleration = rig.gravity_mps2 * (1 - displaced) / (1 + displaced / 2)
    height_m = rig.height_m + rng.gauss(0.0, scenario.drop.spread_m)
    release_m = rig.positions_m[0] - height_m - body.length_m / 2
    kappa = body.drag_per_m
    speed_mps = sqrt(acceleration * -expm1(2 * kappa * release_m) / kappa)
    return VirtualFall(body, speed_mps, midway_s, release_m, acceleration)


def _changes(
    scenario: Scenario, rig: TrueRig, play: Iterator[VirtualLaunch], rng: Random
) -> Iterator[Edge]:
    """Yield when something starts (+1) and stops (-1) to block a gate."""
    streams = [_flight_changes(scenario, rig, play, rng)]
    streams += [_lamp_changes(lamp) for lamp in scenario.lamps]
    if scenario.loose_beam is not None:
        streams.append(_loose_changes(scenario.loose_beam))
    return heapq.merge(*streams)


def _flight_changes(
    scenario: Scenario, rig: TrueRig, play: Iterator[VirtualLaunch], rng: Random
) -> Iterator[Edge]:
    for launch in play:
        changes: list[Edge] = []
        for flight in launch.flights:
            for gate in (0, 1):
                begin_s, end_s = flight.blocks(rig.positions_m[gate])
                delay_s = rig.latencies_s[gate]
                for begin, end in _chattered(
                    (begin_s + delay_s, end_s + delay_s), scenario.bounce_probability, rng
                ):
                    changes += [(begin, gate, 1), (end, gate, -1)]
        yield from sorted(changes)


def _chattered(blocked: Interval, probability: float, rng: Random) -> list[Interval]:
    """Return the parts of a blocked interval that remain after random chatter."""
    begin_s, end_s = blocked
    pieces = []
    if rng.random() < probability:
        off_s, on_s = sorted(rng.uniform(1e-6, CHATTER_S) for _ in range(2))
        pieces.append((begin_s, begin_s + off_s))
        begin_s += on_s
    if rng.random() < probability:
        off_s, on_s = sorted((rng.uniform(1e-6, CHATTER_S) for _ in range(2)), reverse=True)
        return [*pieces, (begin_s, end_s - off_s), (end_s - on_s, end_s)]
    return [*pieces, (begin_s, end_s)]


def _lamp_changes(lamp: Lamp) -> Iterator[Edge]:
    period_s = 1.0 / lamp.frequency_hz
    pulses = int(lamp.burst_s * lamp.frequency_hz)
    for burst in count(1):
        for pulse in range(pulses):
            begin_s = burst * lamp.every_s + pulse * period_s
            yield begin_s, lamp.gate, 1
            yield begin_s + lamp.duty * period_s, lamp.gate, -1


def _loose_changes(loose: LooseBeam) -> Iterator[Edge]:
    """Yield when a swinging beam becomes too weak (+1) and strong enough again (-1)."""
    leaves, returns = (
        sqrt(-log(threshold_v / CLEAR_V)) / loose.swing * loose.period_s / 2.0
        for threshold_v in (LOWER_V, UPPER_V)
    )
    for swing in count():
        yield swing * loose.period_s + leaves, loose.gate, 1
        yield (swing + 1) * loose.period_s - returns, loose.gate, -1


def _edges(changes: Iterator[Edge], missed_probability: float, rng: Random) -> Iterator[Edge]:
    """Turn starts and ends of blocking into edges; two bodies may block one gate together."""
    depth = [0, 0]
    for time_s, gate, step in changes:
        was_blocked = depth[gate] > 0
        depth[gate] += step
        blocked = depth[gate] > 0
        if blocked != was_blocked and rng.random() >= missed_probability:
            yield time_s, gate, int(blocked)


OPENED_S = 0.15
"""Host time when the port opens and the board starts [s]."""

LINGER_S = 3.0
"""Time recorded after the last launch [s]."""

LEAST_DELAY_S = 0.3e-3
MEAN_DELAY_S = 1.0e-3
"""Shortest delay before the computer reads a line, and mean additional delay [s]."""


def simulate_recording(play: Play, *, rig: dict[str, Any], file: dict[str, Any]) -> bytes:
    """
    Return the recording of a simulated session with the virtual board.

    Parameters
    ----------
    play : Play
        A play with a limited number of shots.
    rig, file : dict
        JSON objects of the rows `rig` and `file`.

    Returns
    -------
    bytes
        The complete file; the same play gives the same file.

    Raises
    ------
    ValueError
        If the play never ends.
    """
    if play.shots is None:
        raise ValueError("a play that never ends cannot make a recording")
    opened = {"event": "opened", "port": play.url, "reason": ""}
    head = [json_row(0, "file", file), json_row(0, "rig", rig)]
    link = json_row(_us(OPENED_S), "link", opened)
    body = heapq.merge(_operator_rows(play), _board_rows(play), key=lambda item: item[0])
    return b"".join([HEADER, *head, link, *(row for _, row in body)])


def _operator_rows(play: Play) -> Iterator[tuple[int, bytes]]:
    for time_s, origin, data in operator_rows(play):
        host_us = _us(OPENED_S + time_s)
        yield host_us, json_row(host_us, origin, data)


def _board_rows(play: Play) -> Iterator[tuple[int, bytes]]:
    options: dict[str, Any] = {"shots": play.shots, "speedup": play.speedup}
    rng = Random(f"{play.scenario.name} {play.seed} host")
    last_s = max(
        (f.midway_s for x in launches(play.scenario, play.seed, **options) for f in x.flights),
        default=0.0,
    )
    lines = board_lines(play.scenario, play.seed, **options)
    read_us = 0
    for time_s, line in takewhile(lambda item: item[0] < last_s + LINGER_S, lines):
        delay_s = LEAST_DELAY_S + rng.expovariate(1.0 / MEAN_DELAY_S)
        read_us = max(read_us, _us(OPENED_S + time_s + delay_s))
        yield read_us, board_row(read_us, line.removesuffix(b"\n"))


def _us(time_s: float) -> int:
    return round(time_s * 1e6)
