"""Compute the uncertainties of a function's results from the uncertainties of its inputs.

The function (the model) is called twice for each input: with the input plus its standard
uncertainty, and with the input minus its standard uncertainty.
"""

import math
from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass, replace

import numpy as np

from chrono.arrays.array_types import Floats
from chrono.errors import OptionError
from chrono.measuring.calibration_uncertainty import CombinedUncertainty, combine
from chrono.measuring.error_budget import (
    NORMAL_FACTOR,
    Contribution,
    Input,
    combined_uncertainty,
    coverage_factor,
    normal,
)
from chrono.measuring.series_statistics import Series

Model = Callable[[Mapping[str, float]], Sequence[float]]
"""A function that takes the quantities' values by name and returns the results."""

_ROUNDING = 1e-9
"""A relative change below this value is only a rounding error of the model."""

SHOT_TO_SHOT = "shot to shot"
SPEED = "speed"


@dataclass(frozen=True)
class Quantity:
    """
    A quantity that a model uses.

    Attributes
    ----------
    name : str
        Name of the quantity in the model.
    value : float
        Estimate of the quantity, in SI units.
    input : Input
        Distribution of the quantity's error, in the same unit.
    """

    name: str
    value: float
    input: Input

    @property
    def U95(self) -> float:  # noqa: N802
        """Half-width of the 95 % interval of this quantity."""
        return propagate(lambda values: (values[self.name],), [self])[0].U95


@dataclass(frozen=True)
class Estimate:
    """
    A result with its uncertainty.

    Attributes
    ----------
    value : float
        Value in SI units; NaN or infinite if the result does not exist.
    uncertainty : CombinedUncertainty
        Uncertainty of the value. U95 is infinite if the model has no result after a quantity
        changed by its standard uncertainty.
    """

    value: float
    uncertainty: CombinedUncertainty

    @property
    def U95(self) -> float:  # noqa: N802
        """Half-width of the 95 % interval of the result."""
        return self.uncertainty.U95

    @property
    def u_random(self) -> float:
        """Standard uncertainty from the errors that are different in each shot."""
        return self._u("random")

    @property
    def u_shared(self) -> float:
        """Standard uncertainty from the errors that are the same in all shots."""
        return self._u("shared")

    def of_mean(self, n: int) -> "Estimate":
        """Turn an estimate for the next shot into an estimate for the mean of n shots."""
        parts = [
            Contribution(part.input, part.sensitivity / math.sqrt(n + 1))
            if part.input.nature == "random"
            else part
            for part in self.uncertainty.contributions
        ]
        return replace(self, uncertainty=_combined(parts))

    def _u(self, nature: str) -> float:
        parts = self.uncertainty.contributions
        return combined_uncertainty(p for p in parts if p.input.nature == nature)


def known(name: str, value: float, U95: float | None = None, unit: str = "") -> Quantity:  # noqa: N803
    """
    Return a quantity with a normal distribution and ± U95.

    If U95 is None, the quantity is exact.
    """
    return Quantity(name, value, normal(name, (U95 or 0.0) / NORMAL_FACTOR, unit=unit))


def next_shot_speed(series: Series) -> tuple[Quantity, Quantity]:
    """
    Return two quantities whose sum is the speed of the next shot.

    The first quantity is the mean speed, with its shared uncertainty. The second quantity is
    the deviation of the next shot from the mean: 0, with the standard uncertainty s·√(1 + 1/n).
    Here s is the standard deviation of the n shots, or the random uncertainty of one shot.
    """
    random = series.u_random_mean_mps * math.sqrt(series.n + 1)
    scatter = normal(SHOT_TO_SHOT, random, dof=series.random_dof, nature="random", unit="m/s")
    shared = normal("speed at the gates", series.u_shared_mean_mps, unit="m/s")
    return Quantity(SPEED, series.mean_mps, shared), Quantity(SHOT_TO_SHOT, 0.0, scatter)


def propagate(model: Model, quantities: Sequence[Quantity]) -> tuple[Estimate, ...]:
    """
    Return a model's results with their uncertainties.

    Parameters
    ----------
    model : callable
        The model (see `Model`). A result that does not exist is NaN.
    quantities : sequence of Quantity
        Independent quantities. For a quantity without uncertainty the model is not evaluated.

    Raises
    ------
    OptionError
        The model raises this error at the quantities' own values.

    Notes
    -----
    With f± = f(x ± u) the variance is ((f₊ − f₋)/2)² + (f₊ + f₋ − 2f)²/2 (JCGM 100:2008, 5.1.2
    and its note, without mixed terms). The second term is needed if the first term is 0, for
    example for a range at the best angle. For a U-shaped (arcsine) quantity, the function uses
    the two ends of the interval instead of x ± u, and takes the larger change.
    """
    values = {q.name: q.value for q in quantities}
    middle = np.asarray(model(values), np.float64)

    def beside(name: str, value: float) -> Floats:
        try:
            return np.asarray(model(values | {name: value}), np.float64)
        except OptionError:  # near the limit of a model, a step may give no result
            return np.full_like(middle, np.nan)

    parts: list[list[Contribution]] = [[] for _ in middle]
    for quantity in quantities:
        u = quantity.input.u
        if not u:
            continue
        if math.isinf(u):  # if the quantity is unknown, the results are unknown too
            for part in parts:
                part.append(Contribution(quantity.input, math.inf))
            continue
        ends = quantity.input.distribution == "arcsine"
        step = quantity.input.half_width if ends else u
        up, down = (beside(quantity.name, quantity.value + s * step) for s in (1, -1))
        for part, sensitivity in zip(
            parts, _sensitivities(up, down, middle, step, ends), strict=True
        ):
            part.append(Contribution(quantity.input, sensitivity))
    return tuple(
        Estimate(float(value), _combined(part))
        for value, part in zip(middle, parts, strict=True)
    )


def _sensitivities(
    up: Floats, down: Floats, middle: Floats, step: float, ends: bool
) -> list[float]:
    """Return how much each result changes per unit of one quantity."""
    with np.errstate(invalid="ignore"):
        first, second = (up - down) / 2, (up + down - 2 * middle) / math.sqrt(2)
        farthest = np.maximum(np.abs(up - middle), np.abs(down - middle))
    size = farthest if ends else np.hypot(first, second)
    size[size < _ROUNDING * np.abs(middle)] = 0.0
    size = size / step
    return [float(s) for s in np.where(first < 0, -size, size)]


def _combined(parts: Sequence[Contribution]) -> CombinedUncertainty:
    if all(math.isfinite(part.sensitivity) for part in parts):
        own = [part for part in parts if part.u_out > 0]
        return replace(combine(own), U95=combine(_widened(part) for part in own).U95)
    return CombinedUncertainty(tuple(parts), math.inf, math.inf, math.inf)


def _widened(part: Contribution) -> Contribution:
    """
    Replace a t distribution by a normal distribution with the same 95 % interval.

    A mean of a series has the same rule (`mean_half_width`). With the effective degrees of
    freedom instead, the 95 % interval of two shots would contain only 87 % of the true values.
    """
    if math.isinf(part.input.dof):
        return part
    u = coverage_factor(part.input.dof) * part.input.u / NORMAL_FACTOR
    return replace(part, input=replace(part.input, u=u, dof=math.inf))
