"""Rigs and shots for the tests of speeds, and a simulation of gates that knows no formula."""

from collections.abc import Callable
from dataclasses import dataclass
from typing import Any

import numpy as np
import numpy.typing as npt

from chrono.measuring.speed import SpeedModel
from chrono.processor.shot_records import ABSENT, SHOT_DTYPE, EdgesUsed
from chrono.rigs.rig_file import rig_from_record
from chrono.rigs.rig_model import Rig

Floats = npt.NDArray[np.float64]


def make_rig(**keys: Any) -> Rig:
    """
    Return a rig from dotted keys written with two underscores: `gates__spacing_m=0.3`.

    What is not given is that of a crystal and quick sensors, better than the defaults.
    """
    record: dict[str, Any] = {
        "gates": {"spacing_m": 0.3, "latency_mismatch_s": 0.2e-6},
        "clock": {"rate_tolerance": 50e-6},
    }
    for dotted, value in keys.items():
        *sections, key = dotted.split("__")
        table = record
        for section in sections:
            table = table.setdefault(section, {})
        table[key] = value
    return rig_from_record(record)


HEAVY_ROD: dict[str, Any] = {
    "body__shape": "flat",
    "body__mass_kg": 1000.0,
    "body__diameter_m": 1e-3,
    "body__length_m": 1e-3,
}
"""A body without drag and chords: one pair of its edges tells as much of it as two."""


def exact_gates(**keys: Any) -> Rig:
    """Return a rig without any uncertainty but those given."""
    nothing: dict[str, Any] = {
        **HEAVY_ROD,
        "gates__spacing_tolerance_m": 0.0,
        "gates__trip_tolerance_m": 0.0,
        "gates__tilt_limit_rad": 0.0,
        "gates__latency_mismatch_s": 0.0,
        "gates__slope_tolerance_rad": 0.0,
        "clock__rate_tolerance": 0.0,
        "clock__jitter_s": 0.0,
    }
    return make_rig(**(nothing | keys))


def make_shots(
    lead: npt.ArrayLike,
    trail: npt.ArrayLike | None = None,
    used: npt.ArrayLike = EdgesUsed.BOTH,
    block: npt.ArrayLike = ABSENT,
) -> npt.NDArray[np.void]:
    """Return shots with the given transits in counter units."""
    lead = np.atleast_1d(np.asarray(lead))
    shots = np.zeros(len(lead), SHOT_DTYPE)
    shots["lead"] = lead
    shots["trail"] = lead if trail is None else trail
    shots["used"] = used
    shots["block_a"] = shots["block_b"] = block
    shots["companion"] = np.nan
    return shots


@dataclass(frozen=True)
class Truth:
    """Simulated shots with the speeds they truly had."""

    shots: npt.NDArray[np.void]
    speed_mps: Floats


def simulate(
    rig: Rig,
    count: int,
    speeds: Callable[[np.random.Generator, int], Floats],
    used: EdgesUsed = EdgesUsed.BOTH,
    seed: int = 1,
) -> Truth:
    """
    Draw rigs within the stated errors, let a body through each and count ticks.

    Each true rig has its own gate positions, tilt, clock and latencies; every edge is
    stamped by counting whole ticks of the true clock from a random phase. Bodies are up
    to twice as long as stated.
    """
    rng = np.random.default_rng(seed)

    def within(half_width: float) -> Floats:
        return half_width * (2 * rng.random(count) - 1)

    gates, clock = rig.gates, rig.clock
    between_m = gates.spacing_m + within(gates.spacing_tolerance_m)
    between_m += within(gates.trip_tolerance_m) - within(gates.trip_tolerance_m)
    path_m = between_m / np.cos(gates.tilt_limit_rad * rng.random(count))
    clock_rate = 1 + within(clock.rate_tolerance)
    latency_s = within(gates.latency_mismatch_s)
    true_mps = speeds(rng, count)
    start_s = rng.random(count)
    block_s = rig.body.length_m / true_mps * (1 + rng.random(count))
    step = round(clock.tick_s / clock.unit_s)

    def stamp(time_s: Floats) -> npt.NDArray[np.int64]:
        noisy = time_s + clock.jitter_s * rng.standard_normal(count)
        return np.floor(noisy * clock_rate / clock.tick_s).astype(np.int64) * step

    at_b = start_s + path_m / true_mps + latency_s
    lead = stamp(at_b) - stamp(start_s)
    trail = stamp(at_b + block_s) - stamp(start_s + block_s)
    return Truth(make_shots(lead, trail, used), true_mps)


def random_models(count: int, seed: int) -> list[SpeedModel]:
    """Return models of very different rigs, some with calibrations."""
    rng = np.random.default_rng(seed)
    return [SpeedModel.from_rig(random_rig(rng)) for _ in range(count)]


def random_rig(rng: np.random.Generator) -> Rig:
    """Draw a rig: all tolerances over decades, each calibration present or not."""
    spacing = float(10 ** rng.uniform(-1.5, 0.5))
    keys: dict[str, Any] = {
        **HEAVY_ROD,
        "gates__spacing_m": spacing,
        "gates__spacing_tolerance_m": spacing * float(10 ** rng.uniform(-5, -1.2)),
        "gates__trip_tolerance_m": spacing * float(10 ** rng.uniform(-5, -1.5)),
        "gates__tilt_limit_rad": float(rng.uniform(0, 0.17)),
        "gates__slope_tolerance_rad": 0.0,
        "gates__latency_mismatch_s": float(10 ** rng.uniform(-9, -5)),
        "clock__rate_tolerance": float(10 ** rng.uniform(-6, -2)),
        "clock__jitter_s": float(10 ** rng.uniform(-9, -5)),
        "clock__frequency_hz": float(10 ** rng.uniform(5, 8)),
    }
    if rng.random() < 0.4:
        keys["calibration__clock"] = {
            "rate_error": float(rng.uniform(-0.01, 0.01)),
            "rate_error_u": float(10 ** rng.uniform(-6, -3)),
            "dof": float(rng.uniform(2, 40)),
        }
    if rng.random() < 0.4:
        keys["calibration__latency"] = {
            "difference_s": float(rng.uniform(-1e-6, 1e-6)),
            "difference_u_s": float(10 ** rng.uniform(-9, -7)),
            "dof": float(rng.uniform(2, 40)),
        }
    if rng.random() < 0.4:
        keys["calibration__spacing"] = {
            "spacing_m": spacing * 1.001,
            "spacing_u_m": spacing * float(10 ** rng.uniform(-5, -2)),
            "covers_trip": bool(rng.random() < 0.5),
        }
    return make_rig(**keys)
