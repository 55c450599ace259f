"""Questions for a class about the error lab, with computed answers."""

import math
from collections.abc import Callable
from dataclasses import dataclass

from chrono.measuring.improvements import group_shares
from chrono.measuring.series_statistics import series_statistics
from chrono.measuring.speed import SpeedModel, shot_budget
from chrono.processor.shot_records import EdgesUsed
from chrono.teaching.lab_bench import Bench
from chrono.teaching.repeated_shots import repeat_shots

MEAN_OF = 100
"""Number of shots in the question about a mean."""


@dataclass(frozen=True)
class Side:
    """
    The results of the error lab, either before or after a change.

    Attributes
    ----------
    speed_mps, U95_mps : float
        The speed and its ± at 95 % [m/s].
    rules : str
        The contribution with the largest share of the variance.
    share : float
        The share of this contribution.
    """

    speed_mps: float
    U95_mps: float
    rules: str
    share: float

    @property
    def relative(self) -> float:
        """The relative uncertainty: U95 divided by the speed."""
        return self.U95_mps / self.speed_mps


@dataclass(frozen=True)
class Answer:
    """
    Results of the error lab before and after a change; `after` is None without a change.

    If `has_no_mean` is True, no simulated shot has a speed, and `after` is None.
    """

    before: Side
    after: Side | None
    has_no_mean: bool = False


@dataclass(frozen=True)
class Question:
    """
    A question for a class: what happens if a setting of the error lab changes?

    Attributes
    ----------
    text : str
    change : callable
        Function that returns the changed settings.
    mean : bool
        True if the question is about the mean of `MEAN_OF` shots with the same settings.
    """

    text: str
    change: Callable[[Bench], Bench]
    mean: bool = False

    def answer(self, bench: Bench, seed: int = 0) -> Answer:
        """Compute the answer to this question for the given settings."""
        before = side_of(bench)
        if self.mean:
            mean = _mean_side(bench, seed)
            return Answer(before, mean, has_no_mean=mean is None)
        changed = self.change(bench)
        return Answer(before, None if changed == bench else side_of(changed))


def side_of(bench: Bench) -> Side:
    """Compute the speed for some settings, its ±, and the largest contribution to the ±."""
    model = SpeedModel.from_rig(bench.rig)
    transit_s = model.board_transit(bench.speed_mps, bench.edges)
    budget = shot_budget(model, transit_s, bench.edges, bench.bounce_s)
    rules, share = next(iter(group_shares(budget.contributions).items()))
    return Side(budget.speed_mps, budget.U95_mps, rules, share)


def _mean_side(bench: Bench, seed: int) -> Side | None:
    model = SpeedModel.from_rig(bench.rig)
    measured = repeat_shots(bench, model, seed, MEAN_OF).measured
    transit_s = model.board_transit(bench.speed_mps, bench.edges)
    shared = [
        part
        for part in model.contributions(transit_s, bench.edges)
        if part.input.nature == "shared"
    ]
    columns = measured.speed_mps, measured.u_random_mps, measured.u_shared_mps
    series = series_statistics(*columns, shared)
    if series is None:
        return None
    parts = {
        "shared errors": series.u_shared_mean_mps,
        "random errors": series.u_random_mean_mps,
    }
    rules = max(parts, key=lambda name: parts[name])
    total = math.hypot(*parts.values())
    share = (parts[rules] / total) ** 2 if total else 0.0
    return Side(series.mean_mps, series.U95_mean_mps, rules, share)


def _scaled(name: str, factor: float) -> Callable[[Bench], Bench]:
    return lambda bench: bench.with_values(**{name: factor * getattr(bench, name)})


def _one_pair(bench: Bench) -> Bench:
    edges = EdgesUsed.LEAD if bench.edges == EdgesUsed.BOTH else EdgesUsed.BOTH
    return bench.with_values(edges=edges)


QUESTIONS = (
    Question(
        "If the gates are twice as far apart, what happens to the ±?", _scaled("spacing_m", 2)
    ),
    Question(
        "If the counter's step is half as long, what happens to the ±?", _scaled("tick_s", 0.5)
    ),
    Question(
        "If the body is twice as fast, what happens to the ± in per cent?",
        _scaled("speed_mps", 2),
    ),
    Question(
        "If the clock is ten times as accurate, what happens to the ±?",
        _scaled("clock_tolerance", 0.1),
    ),
    Question(
        "If the jitter is ten times as large, what happens to the ±?", _scaled("jitter_s", 10)
    ),
    Question(
        "If you change the number of edge pairs (1 or 2), what happens to the ±?",
        _one_pair,
    ),
    Question(
        f"If you take the mean of {MEAN_OF} shots, how large is the ± of the mean?",
        lambda bench: bench,
        mean=True,
    ),
)
