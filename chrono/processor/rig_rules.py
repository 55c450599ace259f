"""The values of a rig that the processor needs, and the time limits of its rules.

Every rule of the processor is local in time: it looks at most as far as one of these windows.
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
"""A gate that is blocked for longer does not see a flying body. Even a person passes faster."""

REACH = 4.0
"""A pair with up to this many times the slowest transit is "too slow". Passages further apart
are lone.
"""

FLASH = 0.1
"""If both gates trip within this part of the fastest transit, it is light, not a body."""

ALIKE_SLACK_S = 20e-6
"""Blocking times of one body at both gates may differ by this much plus two steps of the
counter: each of the four edges may be wrong by up to one step."""

SERIES_S = 25e-3
"""Bodies closer than this are never two launches, because no launcher is so fast. A gate that
trips in shorter steps sees a lamp.
"""

HOST_TOLERANCE_S = 2.0
"""The counter may differ from the host's clock by this much from one line to the next."""

STALL_S = 30.0
"""The host may read a line this much later than the board sent it (busy computer, sleeping
port). If no number is missing, the counter gives the time.
"""

IN_A_ROW_S = 2.0
"""Lines with consecutive numbers are at most this far apart, because a board beats once a
second.
"""

BEAT_WAIT_S = 1.5
"""A shot waits this long for the beat that reports lost edges (one beat per second)."""

BACK_STEP_S = 1e-3
"""Lines may come in the wrong order by this much; a larger step back is a jump."""

_LONGEST_S = 600.0
"""No window is longer than this, even if the rig asks for it. So counts cannot overflow."""


def path_acceleration(rig: "Rig") -> float:
    """
    Return the acceleration of a slow body along the path [m/s²], 0 on a level path.

    It is the mean over the slopes that the rig allows.
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
    """Return displaced air and air dragged along, as masses relative to the body's mass."""
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
    SI numbers of a rig that define a passage and a shot.

    Attributes
    ----------
    unit_s : float
        Time of one counter unit [s].
    counter_bits : int
        Width of the board's counter, 1 … 62.
    spacing_m : float
        Distance of the gates [m].
    slowest_mps, fastest_mps : float
        Window of speeds [m/s].
    quiet_s : float
        If a gate trips again within this time, it is the same passage [s].
    body_length_m : float or None
        Declared length of the body along its path [m].
    lines : LineKind
        The kind of lines that the board sends.
    launch_s : float
        Bodies that come within this time belong to the same launch [s].
    step_s : float or None
        Step of the timestamps, if it differs from the unit [s].
    acceleration_mps2 : float
        Acceleration of a body along the path, from the slope that the rig states [m/s²].
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
        """Take the values that the processor needs from a rig."""
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
        """Return a time in counter units, at least 1 and at most ten minutes."""
        return max(round(min(seconds, _LONGEST_S) / self.unit_s), 1)

    @property
    def gain(self) -> float:
        """
        Number that tells how much gravity along the path changes speeds [1/counter unit²].

        This number times the square of a transit is the relative gain in speed halfway between
        the gates: a·Δ²/(2d). It is relative to the mean speed.
        """
        return self.acceleration_mps2 * self.unit_s**2 / (2 * self.spacing_m)

    @property
    def tick_s(self) -> float:
        """Step of the timestamps [s]."""
        return self.step_s or self.unit_s

    @property
    def stall_s(self) -> float:
        """Longest delay of the host's reading that no other line reveals [s]."""
        return STALL_S if self.lines.is_numbered else HOST_TOLERANCE_S

    @cached_property
    def windows(self) -> "RuleTimes":
        """The time limits of the rules in counter units."""
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
    The time limits that the rules use [counter units].

    Attributes
    ----------
    quiet, block_limit : int
        Quiet time that ends a passage, and longest blocking of a passage.
    flash : int
        If both gates trip within this time, the cause is light.
    fast : float
        Transit of the fastest body.
    slow, reach : int
        Transit of the slowest body, and longest transit that is still paired (but "too slow").
    alike : float
        Difference that is always allowed between blocking times of one body.
    launch : int
        Length of one launch.
    series : int
        Shortest time between two launches.
    wait : int
        Time for which a shot waits for the next beat.
    dead : int
        A time longer than all limits together, so that no rule reaches across it.
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
    """Declared body lengths [m] or NaN; `values[i]` is valid after time `since[i]`."""

    since: Ints
    values: Floats

    def followed_by(self, more: Sequence[tuple[int, float]]) -> "Lengths":
        """Return these lengths, followed by `more`, each with the time when it begins."""
        since, values = zip(*more, strict=True)
        return Lengths(np.append(self.since, since), np.append(self.values, values))

    def at(self, t: Ints) -> Floats:
        """Return the length declared for each time."""
        if len(self.values) == 1:
            return np.full(len(t), self.values[0])
        return self.values[np.maximum(np.searchsorted(self.since, t) - 1, 0)]
