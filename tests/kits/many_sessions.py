"""Thousands of sessions at once: how often equal setups are called different.

The sums are those of the program, written for all sessions together with whole matrices:
`test_false_claims.py` holds both to the same p-values. ``python tests/kits/many_sessions.py``
prints the table of all cells.
"""

from collections.abc import Iterator
from dataclasses import dataclass
from itertools import combinations, product

import numpy as np
from scipy.special import ndtri, stdtr

S = 0.4
"""Spread of the made launcher [m/s]."""
SETUPS, SHOTS, RATIOS, DRIFTS = (2, 3, 7), (3, 5, 10, 30), (1, 3, 10), (0.0, 0.2, 0.4)


@dataclass(frozen=True)
class Plan:
    """How a session is shot: setups, shots of each, in turn or each setup at once."""

    setups: int
    shots: int
    in_turn: bool

    @property
    def setup(self) -> np.ndarray:
        """Place of each shot's setup."""
        places = np.arange(self.setups)
        return np.tile(places, self.shots) if self.in_turn else np.repeat(places, self.shots)

    def speeds(
        self, sessions: int, spreads: np.ndarray, drift: float, seed: int, faster: float = 0.0
    ) -> np.ndarray:
        """
        Return speeds, shape (sessions, shots), of setups that are equal but for one.

        `spreads` are those of the setups [m/s], `drift` that of the launcher in ten shots,
        `faster` what the second setup has more [m/s].
        """
        setup = self.setup
        draw = np.random.default_rng(seed).normal(size=(sessions, len(setup)))
        moved = 22 + faster * (setup == 1) + drift * np.arange(len(setup)) / 10
        return moved + draw * spreads[setup]


def p_with_drift(plan: Plan, speeds: np.ndarray) -> np.ndarray:
    """Return the p-value of each pair, shape (sessions, pairs), by matrices of N by N."""
    setup, size = plan.setup, len(plan.setup)
    model = np.zeros((size, plan.setups + 1))
    model[np.arange(size), setup] = 1
    model[:, -1] = np.arange(size) - (size - 1) / 2
    solve = model @ np.linalg.inv(model.T @ model)
    rest = np.eye(size) - solve @ model.T
    member = np.eye(plan.setups)[setup]
    freedom = np.diag(rest)
    fitted, squares = speeds @ solve, (speeds @ rest) ** 2
    spreads = (squares / freedom) @ member / plan.shots
    found = []
    for first, second in combinations(range(plan.setups), 2):
        weights = (solve[:, second] - solve[:, first]) ** 2 / freedom
        form = (rest * weights) @ rest
        mean = spreads @ (np.diag(form) @ member)
        variance = np.einsum("sg,gh,sh->s", spreads, member.T @ form**2 @ member, spreads)
        t = (fitted[:, second] - fitted[:, first]) / np.sqrt(squares @ weights)
        found.append(2 * stdtr(mean**2 / variance, -np.abs(t)))
    return np.array(found).T


def p_plain(plan: Plan, speeds: np.ndarray) -> np.ndarray:
    """Return the p-value of each pair by Welch's test."""
    each = [speeds[:, plan.setup == place] for place in range(plan.setups)]
    found = []
    for a, b in combinations(each, 2):
        u = a.var(1, ddof=1) / plan.shots, b.var(1, ddof=1) / plan.shots
        dof = (u[0] + u[1]) ** 2 / (u[0] ** 2 + u[1] ** 2) * (plan.shots - 1)
        t = (b.mean(1) - a.mean(1)) / np.sqrt(u[0] + u[1])
        found.append(2 * stdtr(dof, -np.abs(t)))
    return np.array(found).T


def any_claim(p: np.ndarray) -> float:
    """Return the share of sessions in which Holm's method calls any pair different."""
    return float(np.mean(p.min(1) * p.shape[1] <= 0.05))


def spreads_of(setups: int, ratio: float) -> list[np.ndarray]:
    """Return the ways in which setups scatter unlike, the widest `ratio` times the least."""
    if ratio == 1:
        return [np.full(setups, S)]
    one_wide, one_narrow = np.full(setups, S), np.full(setups, ratio * S)
    one_wide[-1], one_narrow[-1] = ratio * S, S
    return [S * np.geomspace(1, ratio, setups), one_wide, one_narrow]


def cells(plan: Plan, sessions: int) -> Iterator[tuple[float, float, float, float]]:
    """
    Yield ratio of the spreads, drift, and the shares of false claims.

    The shares are those of the worst way to have such spreads: with the drift fitted, and
    without.
    """
    for ratio, drift in product(RATIOS, DRIFTS):
        worst = np.zeros(2)
        for place, spreads in enumerate(spreads_of(plan.setups, ratio)):
            seed = 10_000 * plan.setups + 100 * plan.shots + 10 * place + round(10 * drift)
            speeds = plan.speeds(sessions, spreads, drift, seed)
            with_drift = any_claim(p_with_drift(plan, speeds))
            worst = np.maximum(worst, (with_drift, any_claim(p_plain(plan, speeds))))
        yield ratio, drift, *worst


def spread_claims(samples: list[np.ndarray]) -> np.ndarray:
    """Return in which sessions Bonett's intervals call any pair unequally repeatable."""
    pairs = list(combinations(samples, 2))
    z = -ndtri(0.05 / len(pairs) / 2)
    squares = sum(each.var(1) * each.shape[1] for each in samples)
    fourths = sum(((each - _trimmed(each)[:, None]) ** 4).sum(1) for each in samples)
    kurtosis = sum(each.shape[1] for each in samples) * fourths / squares**2
    found = np.zeros(len(samples[0]), bool)
    for a, b in pairs:
        n, m = a.shape[1], b.shape[1]
        log = np.log(b.var(1, ddof=1) * m / (m - z) / (a.var(1, ddof=1) * n / (n - z)))
        error = (kurtosis - (n - 3) / n) / (n - 1) + (kurtosis - (m - 3) / m) / (m - 1)
        found |= np.abs(log) > z * np.sqrt(error)
    return found


def _trimmed(values: np.ndarray) -> np.ndarray:
    n = values.shape[1]
    if n == 5:
        return np.median(values, 1)
    cut = int(n / (2 * np.sqrt(n - 4)))
    return np.sort(values, 1)[:, cut : n - cut].mean(1)


SHAPES = {
    "normal": lambda draw, size: draw.normal(size=size),
    "t with 4": lambda draw, size: draw.standard_t(4, size=size),
    "exponential": lambda draw, size: draw.exponential(size=size),
}


def false_repeatable(setups: int, shots: int, shape: str, sessions: int) -> float:
    """Return how often equally repeatable setups are called unequal."""
    draw = np.random.default_rng(100 * setups + shots)
    samples = [SHAPES[shape](draw, (sessions, shots)) for _ in range(setups)]
    return float(spread_claims(samples).mean())


def main() -> None:
    """Print all cells with ten thousand sessions each."""
    for setups, in_turn, shots in product(SETUPS, (False, True), SHOTS):
        how = "in turn" if in_turn else "blocks"
        for ratio, drift, fitted, plain in cells(Plan(setups, shots, in_turn), 10_000):
            print(
                f"{setups} {how:8} n {shots:2} 1:{ratio:<2} drift {drift}: "
                f"{100 * fitted:4.1f} %  (without drift {100 * plain:5.1f} %)",
                flush=True,
            )
    for setups in SETUPS:
        for shape in SHAPES:
            shares = [false_repeatable(setups, n, shape, 10_000) for n in (5, 8, 10, 20, 30)]
            print(setups, shape, [f"{100 * share:.1f}" for share in shares], flush=True)


if __name__ == "__main__":
    main()
