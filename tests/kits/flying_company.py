"""
Launches of several bodies by mechanics alone: a ball, and wads, cups, splinters, other balls.

Every body has quadratic drag, v' = -k v^2, so that its middle takes (exp(k x) - 1) / (k v) for
a way x. Round ones cross each beam off their middle and show a chord there. They leave a muzzle
together, or meet the ball at a place near the gates, whatever would have brought them there.
"""

from dataclasses import dataclass
from itertools import pairwise

import numpy as np
from line_kit import A, B, Line, block

Rng = np.random.Generator

COMPANY = ("wad", "cup", "splinter", "ball")
LENGTHS = {"wad": (0.2, 0.6), "cup": (1.4, 2.2), "splinter": (0.06, 0.4), "ball": (0.98, 1.01)}
"""To the ball's declared length."""
OFF_CENTRE = 0.125
"""Of the diameter, up to which a ball crosses a beam beside its middle."""
SEEN = 0.96
"""Part of the companions that trip a given gate: the others fly past it."""


@dataclass(frozen=True)
class Flyer:
    """A body whose middle is at `from_m` at `at_s`, and what it shows of itself at A and B."""

    speed_mps: float
    drag_per_m: float
    from_m: float
    at_s: float
    lengths_m: tuple[float, float]
    seen: tuple[bool, bool] = (True, True)

    def when(self, place_m: float) -> float:
        """Return when its middle is at a place [s]."""
        way = self.drag_per_m * (place_m - self.from_m)
        return self.at_s + float(np.expm1(way)) / (self.drag_per_m * self.speed_mps)

    def speed_at(self, place_m: float) -> float:
        """Return its speed there [m/s]."""
        return self.speed_mps * float(np.exp(-self.drag_per_m * (place_m - self.from_m)))

    def shadow(self, gate: int, spacing_m: float) -> tuple[float, float]:
        """Return when it begins and ends to block a gate [s]."""
        middle, half = gate * spacing_m, self.lengths_m[gate] / 2
        return self.when(middle - half), self.when(middle + half)


@dataclass(frozen=True)
class Company:
    """The ball and what flew with it."""

    ball: Flyer
    others: tuple[Flyer, ...]

    def speeds(self, place_m: float) -> np.ndarray:
        """Return all speeds at a place [m/s], the ball's first."""
        return np.array([each.speed_at(place_m) for each in (self.ball, *self.others)])

    def shadows(self, spacing_m: float) -> dict[int, list[tuple[float, float]]]:
        """Return each gate's shadows in order, those that touch as one."""
        return {gate: self._at(gate, spacing_m) for gate in (A, B)}

    def are_apart(self, spacing_m: float, quiet_s: float) -> bool:
        """Tell whether each gate saw all bodies one after another, with light between."""
        return all(
            len(seen) == sum(each.seen[gate] for each in (self.ball, *self.others))
            and all(two[0] - one[1] > quiet_s for one, two in pairwise(seen))
            for gate, seen in self.shadows(spacing_m).items()
        )

    def lines(self, spacing_m: float, at_s: float) -> list[Line]:
        """Return its edges, the first of them at a time."""
        shadows = self.shadows(spacing_m)
        by_s = at_s - min(begin for seen in shadows.values() for begin, _ in seen)
        return [
            line
            for gate, seen in shadows.items()
            for begin, end in seen
            for line in block(gate, begin + by_s, end - begin)
        ]

    def _at(self, gate: int, spacing_m: float) -> list[tuple[float, float]]:
        merged: list[tuple[float, float]] = []
        bodies = [each for each in (self.ball, *self.others) if each.seen[gate]]
        for begin, end in sorted(each.shadow(gate, spacing_m) for each in bodies):
            if merged and begin <= merged[-1][1]:
                merged[-1] = merged[-1][0], max(end, merged[-1][1])
            else:
                merged.append((begin, end))
        return merged


def from_muzzle(rng: Rng, spacing_m: float, length_m: float, speed_mps: float) -> Company:
    """Draw a launch whose bodies leave a muzzle half a metre to two before gate A."""
    ball = _ball(rng, length_m, speed_mps, -float(rng.uniform(0.5, 2.0)))
    others = []
    for kind in _kinds(rng):
        light = float(np.exp(rng.uniform(np.log(0.03), np.log(1.5))))
        ratio = {"ball": (0.85, 1.1), "cup": (0.6, 1.0)}.get(kind, (0.7, 1.8))
        others.append(
            Flyer(
                ball.speed_mps * float(rng.uniform(*ratio)),
                ball.drag_per_m if kind == "ball" else light,
                ball.from_m,
                float(rng.uniform(-1.5, 3.0)) * length_m / speed_mps,
                _lengths(rng, kind, length_m),
                _seen(rng),
            )
        )
    return Company(ball, tuple(others))


def that_meet(rng: Rng, spacing_m: float, length_m: float, speed_mps: float) -> Company:
    """Draw a launch whose bodies overtake each other between the gates or near them."""
    ball = _ball(rng, length_m, speed_mps, spacing_m / 2)
    others = []
    for kind in _kinds(rng):
        where_m = spacing_m * float(rng.uniform(-0.5, 1.5))
        slower = float(rng.uniform(0.6, 0.99) if kind == "ball" else rng.uniform(0.45, 0.97))
        faster = kind != "ball" and rng.random() < 0.3
        others.append(
            Flyer(
                ball.speed_at(where_m) * (float(rng.uniform(1.03, 1.6)) if faster else slower),
                ball.drag_per_m if kind == "ball" else float(rng.uniform(0.01, 0.3)),
                where_m,
                ball.when(where_m),
                _lengths(rng, kind, length_m),
                _seen(rng),
            )
        )
    return Company(ball, tuple(others))


def _ball(rng: Rng, length_m: float, speed_mps: float, from_m: float) -> Flyer:
    drag = float(rng.uniform(0.002, 0.04)) * min(1.0, 0.04 / length_m)
    return Flyer(speed_mps, drag, from_m, 0.0, _lengths(rng, "ball", length_m))


def _kinds(rng: Rng) -> list[str]:
    count = 1 if rng.random() < 0.7 else int(rng.integers(2, 4))
    return [str(kind) for kind in rng.choice(COMPANY, count)]


def _lengths(rng: Rng, kind: str, length_m: float) -> tuple[float, float]:
    """Return a chord at each gate of what is round, of others a length that may tumble."""
    whole = length_m * float(rng.uniform(*LENGTHS[kind]))
    if kind == "ball":
        shown = np.sqrt(1 - 4 * rng.uniform(-OFF_CENTRE, OFF_CENTRE, 2) ** 2)
    else:
        shown = rng.uniform(0.93, 1.07, 2) if rng.random() < 0.5 else np.ones(2)
    return float(whole * shown[0]), float(whole * shown[1])


def _seen(rng: Rng) -> tuple[bool, bool]:
    a, b = (bool(rng.random() < SEEN) for _ in range(2))
    return (a, b) if a or b else (True, False)
