"""The values of a rig that the processor needs, and the time limits of its rules.

A pair is the passages of one body at both gates. A transit is the time from gate A to gate B.
For example, a body with 20 m/s has a transit of 5 ms between gates 10 cm apart. A step of the
counter is its smallest change.
"""

import math
from collections.abc import Sequence
from dataclasses import dataclass
from functools import cached_property
from typing import TYPE_CHECKING, NamedTuple

import numpy as np

from chrono.arrays.array_types import Floats, Ints
from chrono.physics.accelerated_path import air_shares
from chrono.physics.air_and_gravity import moist_air_density, normal_gravity
from chrono.rigs.line_kinds import FRAMED, LineKind

if TYPE_CHECKING:
    from chrono.rigs.rig_model import Rig

BLOCK_LIMIT_S = 1.0
"""Longest time for which a flying body can block a gate [s]."""

REACH = 4.0
"""Two passages are a pair only if their transit is at most this many times the transit of the
slowest body."""

FLASH = 0.1
"""Part of the fastest transit. If both gates trip within this part, the cause is light."""

ALIKE_SLACK_S = 20e-6
"""One body's blocking times at both gates may differ by this plus two counter steps [s]."""

SERIES_S = 25e-3
"""Shortest time between two launches [s]. If a gate trips more often, it sees a lamp."""

HOST_TOLERANCE_S = 2.0
"""Between two lines, the counter may differ from the computer's clock by this much [s]."""

STALL_S = 30.0
"""The computer may read a line this much later than the board sent it [s]."""

IN_A_ROW_S = 2.0
"""Longest time between two lines if no line is missing [s]."""

BEAT_WAIT_S = 1.5
"""A shot waits this long for the next beat, which reports lost edges [s]."""

BACK_STEP_S = 1e-3
"""If lines come in the wrong order, time may go back by this much [s]."""

_LONGEST_S = 600.0
"""No time limit is longer than this, so that counts cannot overflow [s]."""


def path_acceleration(rig: "Rig") -> float:
    """
    Return the acceleration of a slow body along the path [m/s²], 0 on a level path.

    If the slope has a tolerance, the result is the mean for all slopes within it.
    """
    slope, limit = rig.gates.slope_rad, rig.gates.slope_tolerance_rad
    if not slope:
        return 0.0
    sine = math.sin(slope) * (math.sin(limit) / limit if limit else 1.0)
    return free_acceleration(rig) * sine


def free_acceleration(rig: "Rig") -> float:
    """Return the acceleration of the rig's body when it begins to fall in air [m/s²]."""
    displaced, moved = air_of(rig)
    gravity = normal_gravity(rig.site.latitude_rad, rig.site.altitude_m)
    return gravity * (1 - displaced) / (1 + moved)


def air_of(rig: "Rig") -> tuple[float, float]:
    """Return the masses of the displaced air and the moving air, divided by the body's mass."""
    body, site = rig.body, rig.site
    return air_shares(
        moist_air_density(site.temperature_k, site.pressure_pa, site.humidity),
        body.diameter_m,
        body.length_m,
        body.mass_kg,
        is_flat=body.shape == "flat",
    )


@dataclass(frozen=True)
class Rules:
    """
    Values of a rig that the rules for passages and shots need, in SI units.

    Attributes
    ----------
    unit_s : float
        Time of one counter unit [s].
    counter_bits : int
        Number of bits of the board's counter, 1 … 62.
    spacing_m : float
        Distance of the gates [m].
    slowest_mps, fastest_mps : float
        Smallest and largest speed that the rig allows [m/s].
    quiet_s, launch_s : float
        Edges of one gate within `quiet_s` are one passage, bodies within `launch_s` one launch
        [s].
    body_length_m : float or None
        Declared length of the body along its path [m].
    lines : LineKind
        The kind of lines that the board sends.
    step_s : float or None
        Step of the timestamps, if it is not one counter unit [s].
    acceleration_mps2 : float
        Acceleration of a body along the path [m/s²].
    """

    unit_s: float
    counter_bits: int
    spacing_m: float
    slowest_mps: float
    fastest_mps: float
    quiet_s: float
    body_length_m: float | None = None
    lines: LineKind = FRAMED
    launch_s: float = 0.25
    step_s: float | None = None
    acceleration_mps2: float = 0.0

    @classmethod
    def from_rig(cls, rig: "Rig") -> "Rules":
        """Create the rules from the values of a rig."""
        return cls(
            unit_s=rig.clock.unit_s,
            counter_bits=rig.clock.counter_bits,
            spacing_m=rig.gates.spacing_m,
            slowest_mps=rig.window.slowest_mps,
            fastest_mps=rig.window.fastest_mps,
            quiet_s=rig.window.quiet_s,
            launch_s=rig.window.launch_s,
            body_length_m=rig.body.length_m,
            step_s=rig.clock.step_s,
            lines=rig.lines,
            acceleration_mps2=path_acceleration(rig),
        )

    def units(self, seconds: float) -> int:
        """Convert a time [s] to counter units: at least 1 unit, at most ten minutes."""
        return max(round(min(seconds, _LONGEST_S) / self.unit_s), 1)

    @property
    def gain(self) -> float:
        """
        Acceleration divided by twice the spacing, a/(2d) [1/counter unit²].

        From gate A to the middle between the gates, a body on a slope gains speed. The gain,
        divided by the mean speed, is a·Δ²/(2d) for the transit Δ.
        """
        return self.acceleration_mps2 * self.unit_s**2 / (2 * self.spacing_m)

    @property
    def tick_s(self) -> float:
        """Smallest step between two timestamps [s]."""
        return self.step_s or self.unit_s

    @property
    def stall_s(self) -> float:
        """Largest delay with which the computer may read a line [s]."""
        return STALL_S if self.lines.is_numbered else HOST_TOLERANCE_S

    @cached_property
    def windows(self) -> "RuleTimes":
        """The time limits that the processor's rules use, in counter units."""
        slow_s = min(self.spacing_m / self.slowest_mps, _LONGEST_S)
        fast_s = self.spacing_m / self.fastest_mps
        limit_s = max(BLOCK_LIMIT_S, REACH * slow_s)
        wait_s = BEAT_WAIT_S if self.lines.has_beats else 0.0
        parts_s = limit_s + (REACH + 2) * slow_s + 2 * self.launch_s + wait_s
        return RuleTimes(
            quiet=self.units(self.quiet_s),
            block_limit=self.units(limit_s),
            flash=self.units(FLASH * fast_s),
            fast=fast_s / self.unit_s,
            slow=self.units(slow_s),
            reach=self.units(REACH * slow_s),
            alike=(ALIKE_SLACK_S + 2 * self.tick_s) / self.unit_s,
            launch=self.units(self.launch_s),
            series=self.units(SERIES_S),
            wait=round(wait_s / self.unit_s),
            dead=2 * self.units(parts_s + 5.0),
        )


@dataclass(frozen=True)
class RuleTimes:
    """
    The time limits that the processor's rules use [counter units].

    Attributes
    ----------
    quiet, block_limit : int
        Quiet time that ends a passage, and longest time for which a body blocks a gate.
    flash : int
        If both gates trip within this time, the cause is light.
    fast, slow : float, int
        Transit of the fastest and of the slowest body.
    reach : int
        Longest transit of a pair; if longer than `slow`, the body is "too slow".
    alike : float
        Largest difference between the blocking times of one body at both gates.
    launch, series : int
        Longest time within one launch, and shortest time between two launches.
    wait : int
        Longest time for which a shot waits for the next beat.
    dead : int
        A time longer than the sum of all limits.
    """

    quiet: int
    block_limit: int
    flash: int
    fast: float
    slow: int
    reach: int
    alike: float
    launch: int
    series: int
    wait: int
    dead: int


class Lengths(NamedTuple):
    """Declared lengths [m], NaN if unknown; `values[i]` is valid after the time `since[i]`."""

    since: Ints
    values: Floats

    def followed_by(self, more: Sequence[tuple[int, float]]) -> "Lengths":
        """Add the pairs (start time, length) in `more` at the end."""
        since, values = zip(*more, strict=True)
        return Lengths(np.append(self.since, since), np.append(self.values, values))

    def at(self, t: Ints) -> Floats:
        """Return the declared length of the body at each time in `t`."""
        if len(self.values) == 1:
            return np.full(len(t), self.values[0])
        return self.values[np.maximum(np.searchsorted(self.since, t) - 1, 0)]
