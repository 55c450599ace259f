"""How a body passes the gates: in flight, slowed by quadratic drag, or falling from rest."""

from dataclasses import dataclass
from math import acosh, exp, expm1, sqrt

from chrono.virtual.cast import FlyingBody

Interval = tuple[float, float]
"""From when to when [s]."""


@dataclass(frozen=True)
class Flight:
    """
    One body on its way along the gates' axis, slowed by quadratic drag.

    Attributes
    ----------
    body : FlyingBody
    speed_mps : float
        True speed of its middle midway between the gates [m/s].
    midway_s : float
        Board time at which its middle is there [s].
    """

    body: FlyingBody
    speed_mps: float
    midway_s: float

    def time_at(self, position_m: float) -> float:
        """
        Return when the body's middle is at a position from midway [s].

        Notes
        -----
        From dv/dt = −κ·v²: t(x) = (exp(κ·x) − 1)/(κ·v₀).
        """
        kappa = self.body.drag_per_m
        return self.midway_s + expm1(kappa * position_m) / (kappa * self.speed_mps)

    def blocks(self, gate_position_m: float) -> Interval:
        """Return from when to when it blocks a gate [s]."""
        half_m = self.body.length_m / 2.0
        return self.time_at(gate_position_m - half_m), self.time_at(gate_position_m + half_m)


@dataclass(frozen=True)
class Fall(Flight):
    """
    One body that falls from rest along the gates' axis, gate A above gate B.

    Attributes
    ----------
    release_m : float
        Where its middle is released, from midway, negative above it [m].
    acceleration_mps2 : float
        As long as it is slow [m/s²].
    """

    release_m: float
    acceleration_mps2: float

    def time_at(self, position_m: float) -> float:
        """Return when the body's middle is at a position from midway [s]."""
        return self.midway_s + self._falling_s(position_m) - self._falling_s(0.0)

    def _falling_s(self, position_m: float) -> float:
        """Time since its release, arcosh(exp(κ·h))/√(κ·a), from dv/dt = a − κ·v²."""
        kappa = self.body.drag_per_m
        fallen_m = max(position_m - self.release_m, 0.0)
        return acosh(exp(kappa * fallen_m)) / sqrt(kappa * self.acceleration_mps2)
