"""Compute uncertainties by random trials (Monte Carlo), to check the linear formulas.

The source is JCGM 101:2008, 7.9 and 8. The same seed always gives the same result.
"""

import math
from collections.abc import Callable, Sequence
from dataclasses import dataclass

import numpy as np

from chrono.arrays.array_types import Floats
from chrono.measuring.error_budget import COVERAGE, Input
from chrono.measuring.path_motion import CHORDS, DRAG, LENGTH
from chrono.measuring.speed import SpeedModel
from chrono.processor.shot_records import EdgesUsed

Evaluate = Callable[[Floats], Floats]
"""Function from the errors of the inputs, shape (inputs, trials), to the results, shape
(trials,).
"""

MAX_TRIALS = 5_000_000
_LEAST_BATCH = 10_000
_LEAST_BATCHES = 10
"""Smallest number of batches of trials. With only the rule of JCGM 101, the trials may stop by
chance after two batches.
"""
_VALIDATION_REFINEMENT = 5
"""Trials continue until the result is stable to a fifth of the tolerance (JCGM 101, 8.2)."""


@dataclass(frozen=True)
class MonteCarlo:
    """
    The result of many trials with random numbers.

    Attributes
    ----------
    trials : int
        Number of trials.
    mean, u : float
        Mean and standard deviation of the result.
    low, high : float
        Ends of the coverage interval. The probabilities below and above it are equal.
    half_width : float
        Half-width of the interval with the same probability and the estimate in its middle.
    settled : bool
        True if the result was stable before the largest number of trials was reached.
    """

    trials: int
    mean: float
    u: float
    low: float
    high: float
    half_width: float
    settled: bool


@dataclass(frozen=True)
class Validation:
    """
    A comparison of the interval estimate ± U with random trials (JCGM 101, clause 8).

    Attributes
    ----------
    tolerance : float
        The `numerical_tolerance` of the uncertainty u.
    d_low, d_high : float
        Absolute difference between the lower ends, and between the upper ends.
    agrees : bool
        True if both differences are at most `tolerance`.
    """

    tolerance: float
    d_low: float
    d_high: float
    agrees: bool


def monte_carlo(
    evaluate: Evaluate,
    inputs: Sequence[Input],
    *,
    probability: float = COVERAGE,
    digits: int = 1,
    refinement: float = 1.0,
    seed: int = 0,
    max_trials: int = MAX_TRIALS,
    estimate: float | None = None,
) -> MonteCarlo:
    """
    Run random trials of a model until its result is stable (JCGM 101, 7.9.4).

    Parameters
    ----------
    evaluate : callable
        The model (see `Evaluate`).
    inputs : sequence of Input
        Independent inputs.
    probability : float, optional
        Coverage probability.
    digits : int, optional
        Number of significant digits of u that must be right.
    refinement : float, optional
        The trials continue until the result is stable to the tolerance divided by this number.
    seed : int, optional
        Seed of the random numbers.
    max_trials : int, optional
        Largest number of trials.
    estimate : float, optional
        Centre of the symmetric interval. By default, the result without errors of the inputs.
    """
    rng = np.random.default_rng(seed)
    batch = max(math.ceil(100 / (1 - probability)), _LEAST_BATCH)
    results: list[Floats] = []
    summaries: list[Floats] = []
    settled = False
    while not settled and (len(results) + 1) * batch <= max(max_trials, batch):
        results.append(evaluate(np.stack([draw(i, rng, batch) for i in inputs])))
        summaries.append(_summary(results[-1], probability))
        settled = len(results) >= _LEAST_BATCHES and _has_settled(
            np.array(summaries), digits, refinement
        )
    if estimate is None:
        estimate = float(evaluate(np.zeros((len(inputs), 1)))[0])
    return _result(np.concatenate(results), estimate, probability, settled)


def draw(quantity: Input, rng: np.random.Generator, count: int) -> Floats:
    """Return random errors of an input, shape (count,)."""
    a = quantity.half_width
    match quantity.distribution:
        case "normal" if math.isinf(quantity.dof):
            return quantity.u * rng.standard_normal(count)
        case "normal":
            return quantity.u * rng.standard_t(quantity.dof, count)
        case "rectangular":
            return a * (2 * rng.random(count) - 1)
        case "triangular":
            return a * (rng.random(count) - rng.random(count))
        case "two-pair":
            fraction = rng.random(count)
            ups = (rng.random((2, count)) < fraction).mean(axis=0)
            return np.asarray(a * (ups - fraction))
        case "arcsine":
            return np.asarray(a * np.sin(np.pi * (rng.random(count) - 0.5)))
        case "chords":
            y = quantity.ratio * rng.random((2, count))
            near, far = quantity.radius_m * np.sqrt(1 - y * y)
            return np.asarray(near - far)
        case "tilt":
            return np.asarray(((a * rng.random(count)) ** 2) / 2 - a**2 / 6)


def simulate_shot(
    model: SpeedModel,
    transit_s: float,
    edges_used: int,
    *,
    digits: int = 1,
    seed: int = 0,
    max_trials: int = MAX_TRIALS,
) -> MonteCarlo:
    """Simulate a shot many times with the exact speed formula."""
    inputs = [c.input for c in model.contributions(transit_s, edges_used)]
    return monte_carlo(
        lambda deviations: simulated_speed(model, transit_s, deviations, edges_used),
        inputs,
        digits=digits,
        refinement=_VALIDATION_REFINEMENT,
        seed=seed,
        max_trials=max_trials,
        estimate=model.speed(transit_s, edges_used),
    )


def simulated_speed(
    model: SpeedModel,
    transit_s: float,
    deviations: Floats,
    edges_used: int = EdgesUsed.BOTH,
) -> Floats:
    """
    Return the speeds [m/s] that result from given errors of the inputs.

    Parameters
    ----------
    model : SpeedModel
        The rig's model.
    transit_s : float
        Transit by the board's clock [s].
    deviations : ndarray of float64, shape (inputs, trials)
        Errors of the inputs, in the order of `SpeedModel.contributions`.
    edges_used : int, optional
        An `EdgesUsed`.
    """
    names = [c.name for c in model.contributions(transit_s, edges_used)]
    rows = list(zip(names, deviations, strict=True))
    off: dict[str, Floats | float] = dict(rows)
    of_path = (model.spacing.name, *(trip.name for trip in model.trips), CHORDS)
    spacing = model.spacing_m + sum(row for name, row in rows if name in of_path)
    known = (*of_path, model.tilt.name, model.rate.name, model.latency.name, DRAG, LENGTH)
    pulls = tuple(pull.name for pull in model.motion.pulls)
    timing = [row for name, row in rows if name not in (*known, *pulls)]
    rate = 1 + model.rate_error + off[model.rate.name]
    latency_s = model.latency_s + off[model.latency.name]
    true_s = (transit_s + sum(timing)) / rate - latency_s
    mean = np.asarray(spacing * (model.path_factor + off[model.tilt.name]) / true_s)
    pull = sum((off.get(name, 0.0) for name in pulls), np.zeros_like(mean))
    pull_mps2 = np.asarray(pull * model.motion.free_mps2, np.float64)
    found = model.motion.speed(mean, true_s, edges_used, None, pull_mps2)
    by_length = model.motion.length_share(edges_used) * off.get(LENGTH, 0.0)
    return np.asarray(np.sqrt(np.maximum(found**2 + by_length, 0.0)) * (1 + off.get(DRAG, 0.0)))


def validate(estimate: float, U: float, trials: MonteCarlo, digits: int = 1) -> Validation:  # noqa: N803
    """Compare the interval from estimate − U to estimate + U with the Monte Carlo interval."""
    tolerance = numerical_tolerance(trials.u, digits)
    d_low = abs(estimate - U - trials.low)
    d_high = abs(estimate + U - trials.high)
    return Validation(tolerance, d_low, d_high, max(d_low, d_high) <= tolerance)


def numerical_tolerance(u: float, digits: int) -> float:
    """Return half a unit of the last digit of u with `digits` digits (JCGM 101, 7.9.2)."""
    exponent = int(f"{u:.{digits - 1}e}".split("e")[1]) - (digits - 1)
    return 0.5 * 10.0**exponent


def _summary(values: Floats, probability: float) -> Floats:
    """Return the mean, the standard deviation and the two ends of the coverage interval."""
    tail = (1 - probability) / 2
    low, high = np.quantile(values, [tail, 1 - tail])
    return np.array([values.mean(), values.std(ddof=1), low, high])


def _has_settled(summaries: Floats, digits: int, refinement: float) -> bool:
    """Check if the results are stable enough to stop the trials (JCGM 101, 7.9.4)."""
    spread = summaries.std(axis=0, ddof=1) / math.sqrt(len(summaries))
    u = float(summaries[:, 1].mean())
    if u == 0:
        return True
    return bool((2 * spread <= numerical_tolerance(u, digits) / refinement).all())


def _result(values: Floats, estimate: float, probability: float, settled: bool) -> MonteCarlo:
    mean, u, low, high = map(float, _summary(values, probability))
    half_width = float(np.quantile(np.abs(values - estimate), probability))
    return MonteCarlo(len(values), mean, u, low, high, half_width, settled)
