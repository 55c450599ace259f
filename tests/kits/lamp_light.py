"""Bodies that pass two gates under lamps: when each gate is dark, and the board's lines.

Physics only: a gate reads blocked while a body is in its beam or a lamp blinds its sensor. It
shares nothing with the program.
"""

from dataclasses import dataclass

import numpy as np
from line_kit import EventKind, Line

GATES = (0, 1)


@dataclass(frozen=True)
class Lamp:
    """
    A lamp that blinds a gate's sensor once a period.

    Attributes
    ----------
    gate : int
    hertz, duty : float
        How often, and for what part of a period.
    begin_s, end_s : float
    jitter : float
        Largest error of each blink's begin and end, as a part of a period.
    """

    gate: int
    hertz: float
    duty: float
    begin_s: float
    end_s: float
    jitter: float = 0.0

    def blinks(self, rng: np.random.Generator) -> np.ndarray:
        """Return begins and ends of the blinks, shape (N, 2)."""
        period_s = 1 / self.hertz
        begins = np.arange(self.begin_s, self.end_s, period_s)
        blinks = begins[:, None] + np.array([0.0, self.duty]) * period_s
        return blinks + self.jitter * period_s * rng.uniform(-1, 1, blinks.shape)


@dataclass(frozen=True)
class Flight:
    """A body at constant speed whose nose is at gate A at `at_s`."""

    at_s: float
    speed_mps: float
    length_m: float = 0.04
    spacing_m: float = 0.3

    def shadow(self, gate: int) -> tuple[float, float]:
        """Return when its nose comes to a gate and its tail leaves it [s]."""
        nose_s = self.at_s + gate * self.spacing_m / self.speed_mps
        return nose_s, nose_s + self.length_m / self.speed_mps

    @property
    def transit_s(self) -> float:
        return self.spacing_m / self.speed_mps

    def is_clear_of(self, blinks: list[np.ndarray], margin_s: float) -> bool:
        """Tell whether its four edges are further than this from every blink."""
        return all(
            (
                (edge_s < blinks[gate][:, 0] - margin_s)
                | (edge_s > blinks[gate][:, 1] + margin_s)
            ).all()
            for gate in GATES
            for edge_s in self.shadow(gate)
        )


def blinks_of(lamps: list[Lamp], rng: np.random.Generator) -> list[np.ndarray]:
    """Return the blinks of both gates, each of shape (N, 2)."""
    return [
        np.concatenate([np.zeros((0, 2)), *(x.blinks(rng) for x in lamps if x.gate == gate)])
        for gate in GATES
    ]


def gate_lines(flights: list[Flight], blinks: list[np.ndarray]) -> list[Line]:
    """Return the edges of both gates: dark while anything darkens them."""
    lines = []
    for gate in GATES:
        dark = np.concatenate(
            [np.array([x.shadow(gate) for x in flights]).reshape(-1, 2), blinks[gate]]
        )
        dark = dark[np.argsort(dark[:, 0])]
        until = np.maximum.accumulate(dark[:, 1])
        begins = np.append(True, dark[1:, 0] > until[:-1])[: len(dark)]
        for begin_s, end_s in zip(
            dark[begins, 0], until[np.append(begins[1:], True)[: len(dark)]], strict=True
        ):
            lines.append(Line(float(begin_s), gate=gate, level=1))
            lines.append(Line(float(end_s), gate=gate, level=0))
    return lines


def ticking(until_s: float) -> list[Line]:
    """Return a beat each second."""
    return [Line(float(s), EventKind.BEAT, level=0) for s in range(int(until_s) + 2)]
