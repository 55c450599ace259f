"""Simulate repeated shots with the same settings, and compute the speeds as for real shots.

All shots have the same random errors of the gates, drawn from the distributions of the error
budget. The jitter, the start within a tick, and the places where the beams cross the body are
random for each shot.
"""

from dataclasses import dataclass

import numpy as np

from chrono.arrays.array_types import Floats, Ints
from chrono.measuring.error_budget import Input
from chrono.measuring.monte_carlo import draw
from chrono.measuring.speed import Measured, SpeedModel, measure
from chrono.processor.shot_records import ABSENT, SHOT_DTYPE, EdgesUsed, Shots
from chrono.teaching.lab_bench import Bench

SHOTS = 1000
"""Number of shots. It is large enough to see a distribution, and small enough to be fast."""


@dataclass(frozen=True, eq=False)
class RepeatedShots:
    """
    The results of simulated repeated shots with the same settings.

    Attributes
    ----------
    true_mps : ndarray of float64, shape (N,)
        For each shot, the true speed of the body's middle, midway between the gates [m/s].
    transit_ticks : ndarray of float64, shape (N,)
        The counted transits; half ticks are possible if two pairs are averaged.
    measured : Measured
        The measured values, as columns of N shots.
    """

    true_mps: Floats
    transit_ticks: Floats
    measured: Measured


def repeat_shots(
    bench: Bench, model: SpeedModel, seed: int, count: int = SHOTS
) -> RepeatedShots:
    """
    Simulate repeated shots with the settings of the error lab.

    Parameters
    ----------
    bench : Bench
    model : SpeedModel
        The speed model of the rig in `bench`.
    seed : int
        The same seed gives the same gates and the same random errors.
    count : int, optional
        Number of shots.
    """
    rng = np.random.default_rng(seed)
    true_mps = bench.speed_mps * (1 + bench.spread * rng.standard_normal(count))
    true_mps = np.maximum(true_mps, bench.speed_mps / 10)
    path_m = model.spacing_m + _once(model.spacing, rng)
    path_m += sum(_once(trip, rng) for trip in model.trips)
    path_m *= model.path_factor + _once(model.tilt, rng)
    latency_s = model.latency_s + _once(model.latency, rng)
    rate = 1 + model.rate_error + _once(model.rate, rng)
    chord_m = _chords(bench, model, rng, count)
    lead_mps, trail_mps = _edge_speeds(model, true_mps, rng)
    lead_s = (path_m + chord_m) / lead_mps + latency_s
    trail_s = (path_m - chord_m) / trail_mps + latency_s
    block_s = bench.base.body.length_m / true_mps
    bounced_s = bench.bounce_s * rng.standard_normal(count)
    lead_s, trail_s = lead_s + bounced_s, trail_s + bounced_s
    shots = count_shots(bench, lead_s * rate, trail_s * rate, block_s * rate, rng)
    measured = measure(shots, model)
    return RepeatedShots(true_mps, measured.transit_s / bench.tick_s, measured)


def step_errors(bench: Bench, model: SpeedModel, seed: int, count: int) -> Floats:
    """
    Simulate transits, and return the errors caused by counting whole ticks [ticks].

    Parameters
    ----------
    bench : Bench
        The settings; only the speed, the tick and the edges are used.
    model : SpeedModel
        The speed model of the rig in `bench`.
    seed : int
        Seed of the random numbers.
    count : int
        Number of transits.
    """
    rng = np.random.default_rng(seed)
    ticks = np.ceil(model.board_transit(bench.speed_mps, bench.edges) / bench.tick_s) + 1
    transit_s = (ticks + rng.random(count)) * bench.tick_s
    block_s = (ticks + rng.random(count)) * bench.tick_s
    still = bench.with_values(jitter_s=0.0)
    shots = count_shots(still, transit_s, transit_s, block_s, rng)
    return np.asarray((measure(shots, model).transit_s - transit_s) / bench.tick_s)


def count_shots(
    bench: Bench, lead_s: Floats, trail_s: Floats, block_s: Floats, rng: np.random.Generator
) -> Shots:
    """
    Return the counter values that a real board would record for these shots.

    Parameters
    ----------
    bench : Bench
        The settings; the tick, the jitter and the edges are used.
    lead_s, trail_s, block_s : ndarray of float64, shape (N,)
        Transit of the front, transit of the back, and time for which gate A is blocked [s].
        All times are measured with the board's clock.
    rng : Generator
        Random numbers for the start of a shot within a tick, and for the jitter.
    """
    count = len(lead_s)
    begin_s = rng.random(count) * bench.tick_s

    def stamp(time_s: Floats) -> Ints:
        noisy_s = time_s + bench.jitter_s * rng.standard_normal(count)
        return np.floor(noisy_s / bench.tick_s).astype(np.int64)

    end_s = begin_s + block_s
    a_in, a_out, b_in, b_out = map(stamp, (begin_s, end_s, begin_s + lead_s, end_s + trail_s))
    shots = np.zeros(count, SHOT_DTYPE)
    shots["lead"], shots["trail"] = b_in - a_in, b_out - a_out
    shots["block_a"], shots["block_b"] = a_out - a_in, b_out - b_in
    shots["companion"] = np.nan
    shots["bounce"] = bench.bounce_s / bench.tick_s
    shots["used"] = bench.edges
    unused = {EdgesUsed.LEAD: "trail", EdgesUsed.TRAIL: "lead"}.get(bench.edges)
    if unused:
        shots[unused] = ABSENT
    return shots


def _once(quantity: Input, rng: np.random.Generator) -> float:
    return float(draw(quantity, rng, 1)[0])


def _chords(bench: Bench, model: SpeedModel, rng: np.random.Generator, count: int) -> Floats:
    chords = model.motion.chords
    return np.zeros(count) if chords is None else draw(chords, rng, count)


def _edge_speeds(
    model: SpeedModel, true_mps: Floats, rng: np.random.Generator
) -> tuple[Floats, Floats]:
    """Return the mean speed between the gates, for the front and for the back of each body."""
    off, motion = float(rng.standard_normal()), model.motion
    lead, trail = (
        motion.mean_speed(
            true_mps * np.exp(-sign * off * motion.bend_u(true_mps, edges)), edges
        )
        for edges, sign in ((EdgesUsed.LEAD, -1), (EdgesUsed.TRAIL, 1))
    )
    return lead, trail
