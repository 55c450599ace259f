"""Forty situations of a comparison, and the texts that were read and agreed for them.

Speeds are fixed draws, so that a text changes only with the program. After a change that is
meant, ``python tests/kits/comparison_situations.py`` writes the texts anew; read each of them:
it must be true in its situation.
"""

from collections.abc import Callable, Iterator, Sequence
from dataclasses import dataclass, field
from pathlib import Path

import numpy as np

from chrono.measuring.series_statistics import Sample
from chrono.measuring.setup_comparison import compare_groups
from chrono.reports.comparison_text import comparison_text
from chrono.rigs.rig_file import default_rig
from chrono.rigs.rig_model import Rig
from chrono.session.pooled_samples import (
    RecordingSamples,
    damaged_lines,
    groups_from,
    pooled_groups,
    pooled_of,
    rigs_taken,
)

GOLDEN = Path(__file__).parents[1] / "reports" / "golden" / "comparisons.txt"
S = 0.4
"""Spread of the made launcher [m/s]."""


def scatter(count: int, seed: int, s: float = S) -> np.ndarray:
    """Return a draw of this spread about 0 whose mean and s are exactly 0 and `s`."""
    draw = np.random.default_rng(seed).normal(size=count)
    draw -= draw.mean()
    return s * draw / draw.std(ddof=1) if count > 1 else 0 * draw


def sample(
    speeds: Sequence[float], numbers: Sequence[int], own: float, shared: float
) -> Sample:
    """Return shots with their own random part and the shared part of the rig [m/s]."""
    one = np.ones(len(speeds))
    return Sample(np.array(numbers), np.array(speeds, float), own * one, shared * one)


@dataclass
class Situation:
    """
    Recordings to be compared, and what is told of the rigs and the lines.

    `drift` is that of the launcher in ten shots [m/s]; it is put on all shots that follow.
    """

    drift: float = 0.0
    unit: str = "m/s"
    own: float = 0.01
    shared: float = 0.03
    rig: Rig = field(default_factory=lambda: default_rig(0.3))
    damaged: int = 0
    one_rig: bool | None = None
    pool: bool = False
    recordings: list[RecordingSamples] = field(default_factory=list)

    def blocks(self, **setups: Sequence[float]) -> "Situation":
        """Add a recording in which each setup is shot after the one before."""
        return self._add({name: list(range(len(v))) for name, v in setups.items()}, setups)

    def in_turn(self, **setups: Sequence[float]) -> "Situation":
        """Add a recording in which the setups are shot in turn."""
        count = len(setups)
        order = {
            name: [place + count * i for i in range(len(v))]
            for place, (name, v) in enumerate(setups.items())
        }
        return self._add(order, setups, whole=True)

    def with_rig(
        self, spacing_m: float, identity: str = "", name: str = "light gates"
    ) -> "Situation":
        """Use another rig for the recordings that follow."""
        update = {"identity": identity, "name": name}
        self.rig = default_rig(spacing_m).model_copy(update=update)
        return self

    def _add(self, order, setups, whole: bool = False) -> "Situation":
        first, samples = 1, {}
        for setup, speeds in setups.items():
            numbers = [first + place for place in order[setup]]
            moved = [
                v + self.drift * (n - 1) / 10 for v, n in zip(speeds, numbers, strict=True)
            ]
            samples[setup.replace("_", " ")] = sample(moved, numbers, self.own, self.shared)
            first += 0 if whole else len(speeds)
        name = f"{'abcdef'[len(self.recordings)]}.tsv"
        self.recordings.append(RecordingSamples(name, self.rig, samples, self.damaged))
        return self

    def text(self) -> str:
        """Return what `chrono compare` prints."""
        taken = rigs_taken(self.recordings, self.one_rig)
        if self.pool:
            groups = pooled_groups(pooled_of(self.recordings, self.one_rig))
        else:
            groups = groups_from(self.recordings, taken)
        found = compare_groups(groups)
        return comparison_text(found, self.unit, taken, damaged_lines(self.recordings))


def near(mean: float, count: int, seed: int, s: float = S) -> list[float]:
    """Return speeds of this mean and spread."""
    return list(mean + scatter(count, seed, s))


def seven(step: float, spread: float = S) -> dict[str, list[float]]:
    """Return seven setups whose means differ by `step` each."""
    return {f"{bar}_bar": near(20 + step * bar, 10, bar, spread) for bar in range(2, 9)}


def with_wild(speeds: list[float], place: int, value: float) -> list[float]:
    """Return speeds with one of another kind."""
    return [*speeds[:place], value, *speeds[place + 1 :]]


A10, B10 = near(22.0, 10, 1), near(22.0, 10, 2)

SITUATIONS: dict[str, Callable[[], Situation]] = {
    "one setup": lambda: Situation().blocks(two=A10),
    "one shot of each": lambda: Situation().blocks(two=[20.0], three=[25.0]),
    "one shot against ten": lambda: Situation().blocks(two=A10, three=[25.0]),
    "two shots of each, in blocks": lambda: Situation().blocks(
        two=[22.0, 22.4], three=[25.0, 25.3]
    ),
    "three shots of each, in turn, far apart": lambda: Situation().in_turn(
        two=near(22, 3, 5), three=near(27, 3, 6)
    ),
    "four shots: too few for repeatability": lambda: Situation().in_turn(
        two=near(22, 4, 5), three=near(22.2, 4, 6)
    ),
    "equal, in turn": lambda: Situation().in_turn(two=A10, three=B10),
    "equal, in blocks": lambda: Situation().blocks(two=A10, three=B10),
    "equal, in blocks, the launcher drifts 0.4 m/s": lambda: Situation(drift=0.4).blocks(
        two=A10, three=B10
    ),
    "equal, in turn, the launcher drifts 0.4 m/s": lambda: Situation(drift=0.4).in_turn(
        two=A10, three=B10
    ),
    "faster by 0.5 m/s, in turn": lambda: Situation().in_turn(two=A10, three=near(22.5, 10, 2)),
    "faster by 0.5 m/s, in blocks": lambda: Situation().blocks(
        two=A10, three=near(22.5, 10, 2)
    ),
    "faster by 5 m/s, in blocks": lambda: Situation().blocks(two=A10, three=near(27, 10, 2)),
    "slower by 5 m/s, in blocks": lambda: Situation().blocks(two=near(27, 10, 2), three=A10),
    "a drift hides a difference in blocks": lambda: Situation(drift=-1.0).blocks(
        two=A10, three=near(22.9, 10, 2, 0.2)
    ),
    "no spread, equal": lambda: Situation(own=0.05).blocks(two=[22.0] * 5, three=[22.0] * 5),
    "no spread, different": lambda: Situation(own=0.05).blocks(
        two=[22.0] * 5, three=[22.5] * 5
    ),
    "no spread of one": lambda: Situation(own=0.05).in_turn(
        two=[22.0] * 6, three=near(22.3, 6, 3)
    ),
    "no spread, no own uncertainty": lambda: Situation(own=0.0).blocks(
        two=[22.0] * 5, three=[22.5] * 5
    ),
    "just settled: rounding would hide it": lambda: Situation().in_turn(
        two=A10, three=near(22.3865, 10, 2)
    ),
    "just not settled": lambda: Situation().in_turn(two=A10, three=near(22.38, 10, 2)),
    "a tenth of the spread": lambda: Situation().in_turn(
        two=near(22, 20, 3, 0.4), three=near(22.3, 20, 4, 0.04)
    ),
    "three times the spread, five shots": lambda: Situation().in_turn(
        two=near(22, 5, 3, 0.2), three=near(22, 5, 4, 0.6)
    ),
    "a doubtful shot carries the claim": lambda: Situation().in_turn(
        two=near(22, 20, 2, 0.3), three=with_wild(near(22.19, 20, 9002, 0.3), 3, 23.4)
    ),
    "a doubtful shot hides the claim": lambda: Situation().in_turn(
        two=near(22, 8, 3, 0.2), three=with_wild(near(22.25, 8, 4, 0.2), 3, 24.2)
    ),
    "a doubtful shot hides the repeatability": lambda: Situation().in_turn(
        two=near(22, 12, 3, 0.7), three=with_wild(near(22, 12, 4, 0.15), 3, 24.0)
    ),
    "a doubtful shot changes nothing": lambda: Situation().in_turn(
        two=near(22, 12, 3, 0.3), three=with_wild(near(26, 12, 4, 0.3), 3, 28.0)
    ),
    "damaged lines": lambda: Situation(damaged=12).in_turn(two=A10, three=near(23, 10, 2)),
    "drift, doubtful shots and damaged lines": lambda: Situation(damaged=1).blocks(
        two=near(22, 12, 3, 0.3), three=with_wild(near(22.8, 12, 4, 0.3), 3, 25.0)
    ),
    "three setups, the third is fastest": lambda: Situation().in_turn(
        one=A10, two=near(22.1, 10, 2), three=near(24, 10, 3)
    ),
    "three equal setups in blocks, drift 0.4 m/s": lambda: Situation(drift=0.4).blocks(
        one=A10, two=B10, three=near(22, 10, 3)
    ),
    "three setups, one with a single shot": lambda: Situation().blocks(
        one=A10, two=near(25, 10, 2), three=[23.0]
    ),
    "three setups, the slowest is known": lambda: Situation().in_turn(
        one=near(20, 10, 1), two=near(22, 10, 2), three=near(22.1, 10, 3)
    ),
    "seven equal setups in turn": lambda: Situation().in_turn(**seven(0.0)),
    "seven setups in blocks, 0.3 m/s apart": lambda: Situation().blocks(**seven(0.3)),
    "seven setups in turn, 1 m/s apart, km/h": lambda: Situation(unit="km/h").in_turn(
        **seven(1.0)
    ),
    "two recordings of one identity": lambda: (
        Situation()
        .with_rig(0.3, "a1")
        .blocks(two=A10)
        .with_rig(0.302, "a1")
        .blocks(three=near(23, 10, 2))
    ),
    "two rigs of one name with different gates": lambda: (
        Situation(shared=0.2)
        .with_rig(0.3)
        .blocks(two=near(22, 10, 1, 0.1))
        .with_rig(0.25)
        .blocks(two=near(22.3, 10, 2, 0.1))
    ),
    "two rigs with equal descriptions": lambda: (
        Situation(shared=0.2)
        .blocks(two=near(22, 10, 1, 0.1))
        .blocks(two=near(22.3, 10, 2, 0.1))
    ),
    "equal descriptions, each its own rig by the user's word": lambda: (
        Situation(shared=0.2, one_rig=False)
        .blocks(two=near(22, 10, 1, 0.1))
        .blocks(two=near(22.3, 10, 2, 0.1))
    ),
    "two setups in two recordings, put together": lambda: (
        Situation(pool=True)
        .blocks(two=A10, three=near(23, 10, 2))
        .blocks(two=near(22, 10, 3), three=near(23, 10, 4))
    ),
    "two setups of three rigs, put together": lambda: (
        Situation(pool=True, shared=0.2)
        .with_rig(0.3, "a1")
        .blocks(two=A10, three=near(23, 10, 2))
        .with_rig(0.3, "b2")
        .blocks(two=near(22.3, 10, 3), three=near(23.3, 10, 4))
        .with_rig(0.3, "c3")
        .blocks(two=near(21.8, 10, 5))
    ),
}


def texts() -> Iterator[tuple[str, str]]:
    """Yield each situation and what is said of it now."""
    for name, make in SITUATIONS.items():
        yield name, make().text()


def agreed() -> dict[str, str]:
    """Return what was agreed."""
    parts = GOLDEN.read_text("utf-8").split("=== ")[1:]
    return {head: body.rstrip("\n") for head, _, body in (p.partition("\n") for p in parts)}


if __name__ == "__main__":
    GOLDEN.write_text("".join(f"=== {name}\n{text}\n\n" for name, text in texts()), "utf-8")
