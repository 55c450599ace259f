"""From covered light to a comparator's transitions, without noise (exact) or with it.

Physics: the covered fraction of a beam grows linearly while an end of the body crosses the
slit (exact but for the change of speed within the slit, below 10⁻⁴ of the slit); the sensor
answers with one time constant (RC); gaussian noise of one or several bands, each white from 0
to its bandwidth, is added in front of the comparator, which has two thresholds. A band slow
against the passage is one and the same noise at a body's leading and trailing edge.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

import numpy as np
from gate_physics import Array, Flight, covering_times
from numpy.typing import NDArray
from scipy.fft import fft, next_fast_len

SAMPLES_PER_BANDWIDTH = 16  # 8 samples per period of the fastest component
SAMPLES_PER_RAMP = 64
CHUNK_SAMPLES = 2_000_000
REACH_SIGMAS = 6.5
SHORTEST_RAMP_S = 1e-9


@dataclass(frozen=True)
class Band:
    """Noise, white from 0 to its bandwidth: rms in parts of the full signal."""

    rms: float
    bandwidth_hz: float


@dataclass(frozen=True)
class Transitions:
    """Changes of the comparators' outputs in order of shot and time, one row for each."""

    shot: NDArray[np.int64]
    gate: NDArray[np.int64]
    level: NDArray[np.int64]
    time_s: Array


def ramps_of(flight: Flight) -> tuple[Array, Array]:
    """Start and duration of each change of covered light, both (N, 2, 2), in seconds.

    Raises
    ------
    ValueError
        If a body covers less than a slit, so that a gate never is wholly blocked.
    """
    half = flight.rigs.slit_m[:, :, None] / 2
    start, end = covering_times(flight, -half), covering_times(flight, half)
    if np.any(end[..., 0] > start[..., 1]):
        raise ValueError("the body is shorter than a slit is wide")
    return start, np.maximum(end - start, SHORTEST_RAMP_S)


def response(since_s: Array, ramp_s: Array, time_constant_s: Array) -> Array:
    """Answer 0 → 1 of a first-order sensor to a linear ramp, `since_s` after its start."""

    def integral(since: Array) -> Array:
        positive = np.maximum(since, 0.0)
        tau = np.where(time_constant_s > 0, time_constant_s, 1.0)
        lag = -tau * np.expm1(-positive / tau)
        return positive - np.where(time_constant_s > 0, lag, 0.0)

    return (integral(since_s) - integral(since_s - ramp_s)) / ramp_s


def trip_times(flight: Flight) -> Array:
    """Noiseless times of the comparators' edges, (N, 2, 2), delays included; nan: missed."""
    rigs = flight.rigs
    start, ramp = ramps_of(flight)
    tau = rigs.response_s[:, :, None]
    up = rigs.threshold + rigs.hysteresis / 2
    down = 1 - (rigs.threshold - rigs.hysteresis / 2)  # of the light that comes back
    wanted = np.stack([up, down], -1)
    return start + _since(wanted, ramp, tau) + rigs.delay_s


def _since(wanted: Array, ramp_s: Array, time_constant_s: Array) -> Array:
    """When the sensor's answer to a ramp reaches `wanted`, by bisection."""
    low, high = np.zeros_like(ramp_s), ramp_s + 40 * time_constant_s
    for _ in range(60):
        middle = (low + high) / 2
        over = response(middle, ramp_s, time_constant_s) > wanted
        low, high = np.where(over, low, middle), np.where(over, middle, high)
    return (low + high) / 2


def clean_transitions(flight: Flight) -> Transitions:
    """The four transitions of each shot without noise; those of a missed beam are absent."""
    times = trip_times(flight)
    shot, gate, edge = np.indices(times.shape)
    seen = np.isfinite(times)
    return in_order(shot[seen], gate[seen], 1 - edge[seen], times[seen])


def noisy_transitions(
    rng: np.random.Generator,
    flight: Flight,
    bands: list[Band],
    *,
    shortest_pulse_s: float = 0.0,
) -> Transitions:
    """All transitions of each shot, bounces included, in windows round its four ramps.

    Pulses that the comparator's unequal delays turn round, or that are no longer than
    `shortest_pulse_s`, do not come out of it.
    """
    start, ramp = ramps_of(flight)
    fastest = max(band.bandwidth_hz for band in bands)
    step = min(1 / (SAMPLES_PER_BANDWIDTH * fastest), np.nanmin(ramp) / SAMPLES_PER_RAMP)
    begin, end = _windows(flight, bands, (start, ramp))
    samples = int(np.ceil(np.nanmax(end - begin) / step)) + 9
    begin = begin - 4 * step
    rows = max(1, CHUNK_SAMPLES // (4 * samples))
    found = [
        _crossings(
            rng, flight, bands, (start, ramp, begin), slice(at, at + rows), step, samples
        )
        for at in range(0, len(flight), rows)
    ]
    shot, gate, level, time = (np.concatenate(each) for each in zip(*found, strict=True))
    kept = _long_pulses(shot, gate, time, shortest_pulse_s)
    return in_order(shot[kept], gate[kept], level[kept], time[kept])


def in_order(
    shot: NDArray[np.int64], gate: NDArray[np.int64], level: NDArray[np.int64], time_s: Array
) -> Transitions:
    """Transitions sorted by shot, then time."""
    order = np.lexsort((time_s, shot))
    return Transitions(shot[order], gate[order], level[order], time_s[order])


def _windows(
    flight: Flight, bands: list[Band], ramps: tuple[Array, Array]
) -> tuple[Array, Array]:
    """Begin and end of the time in which noise can reach a threshold, both (N, 2, 2)."""
    rigs, (start, ramp) = flight.rigs, ramps
    tau = rigs.response_s[:, :, None]
    rms = np.sqrt(sum(band.rms**2 for band in bands))
    reach = REACH_SIGMAS * rms + rigs.hysteresis[:, :, None] / 2
    middle = np.stack([rigs.threshold, 1 - rigs.threshold], -1)
    low, high = np.maximum(middle - reach, 0.0), np.minimum(middle + reach, 1 - 1e-9)
    begin = start + _since(low, ramp, tau) - ramp / 16
    return begin, start + _since(high, ramp, tau) + ramp / 16


def _crossings(
    rng: np.random.Generator,
    flight: Flight,
    bands: list[Band],
    ramps: tuple[Array, Array, Array],
    rows: slice,
    step: float,
    samples: int,
) -> tuple[NDArray[np.int64], NDArray[np.int64], NDArray[np.int64], Array]:
    """Shot, gate, level and time of the transitions of some rows."""
    rigs = flight.rigs
    start, ramp, begin = (each[rows] for each in ramps)
    tau = rigs.response_s[rows, :, None]
    grid = step * np.arange(samples)
    covered = response((begin - start)[..., None] + grid, ramp[..., None], tau[..., None])
    covered[:, :, 1] = 1 - covered[:, :, 1]
    for band in bands:
        covered += band_noise(rng, band, begin, grid)
    half = rigs.hysteresis[rows, :, None, None] / 2
    level = rigs.threshold[rows, :, None, None]
    state = schmitt(covered, level - half, level + half, first=np.array([0, 1]))
    shot, gate, edge, at = np.nonzero(np.diff(state, axis=-1))
    now = state[shot, gate, edge, at + 1].astype(np.int64)
    trip = rigs.threshold[rows][shot, gate] + (now - 0.5) * rigs.hysteresis[rows][shot, gate]
    before, after = covered[shot, gate, edge, at], covered[shot, gate, edge, at + 1]
    time = begin[shot, gate, edge] + step * (at + (trip - before) / (after - before))
    time += rigs.delay_s[rows][shot, gate, 1 - now]
    return shot + rows.start, gate, now, time


def schmitt(
    signal: Array, low: Array, high: Array, first: NDArray[np.int64]
) -> NDArray[np.int8]:
    """State 0/1 of a comparator with two thresholds along the last axis, from state `first`."""
    told = (signal > high) | (signal < low)
    told[..., 0] = True
    last = np.maximum.accumulate(np.where(told, np.arange(signal.shape[-1]), 0), -1)
    above = (signal > high).astype(np.int8)
    above[..., 0] = first
    return np.take_along_axis(above, last, -1)


def band_noise(rng: np.random.Generator, band: Band, begin_s: Array, grid_s: Array) -> Array:
    """Gaussian noise of one band in windows that begin at `begin_s` (…, gate, edge).

    A sum of evenly spaced harmonics with gaussian amplitudes (Rice 1944), more of them than
    would repeat within what is looked at. The two windows of a gate share one noise while the
    band is slow against the time between them; faster noise has forgotten itself by then.
    """
    apart = float(np.nanmax(begin_s[..., 1] - begin_s[..., 0])) + grid_s[-1]
    if band.bandwidth_hz * apart > 200:
        return _fast_noise(rng, band, begin_s.shape, grid_s)
    count = int(np.ceil(2 * band.bandwidth_hz * apart)) + 48
    omega = 2 * np.pi * band.bandwidth_hz * (np.arange(count) + 0.5) / count
    parts = _amplitudes(rng, band, (*begin_s.shape[:-1], 1, count))
    parts = parts * np.exp(-1j * omega * (begin_s - begin_s[..., :1])[..., None])
    turning = np.outer(omega, grid_s)
    return parts.real @ np.cos(turning) + parts.imag @ np.sin(turning)


def _fast_noise(
    rng: np.random.Generator, band: Band, shape: tuple[int, ...], grid_s: Array
) -> Array:
    """The same sum, new in every window, by FFT over at least twice the window."""
    cycles_per_sample = band.bandwidth_hz * (grid_s[1] - grid_s[0])
    period = next_fast_len(int(max(2 * len(grid_s), np.ceil(96 / cycles_per_sample))))
    count = round(cycles_per_sample * period)
    parts = fft(_amplitudes(rng, band, (*shape, count)), period)[..., : len(grid_s)]
    return (parts * np.exp(-1j * np.pi * np.arange(len(grid_s)) / period)).real


def _amplitudes(rng: np.random.Generator, band: Band, shape: tuple[int, ...]) -> Any:
    scale = band.rms / np.sqrt(shape[-1])
    return scale * (rng.standard_normal(shape) + 1j * rng.standard_normal(shape))


def _long_pulses(
    shot: NDArray[np.int64], gate: NDArray[np.int64], time_s: Array, shortest_s: float
) -> NDArray[np.int64]:
    """Which transitions are left when a pulse that ends too soon takes both its edges along."""
    kept: dict[tuple[int, int], list[int]] = {}
    for i, of in enumerate(zip(shot.tolist(), gate.tolist(), strict=True)):
        ends = kept.setdefault(of, [])
        if ends and time_s[i] <= time_s[ends[-1]] + shortest_s:
            ends.pop()
        else:
            ends.append(i)
    return np.array([i for ends in kept.values() for i in ends], np.int64)
