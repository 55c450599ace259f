"""Define the settings of the error lab, the steps of each setting, and example settings.

A `Bench` has one value for each setting. If the user has not changed a setting, its value comes
from the rig.
"""

from collections.abc import Mapping
from dataclasses import dataclass, replace
from typing import Any

import numpy as np

from chrono.processor.shot_records import EdgesUsed
from chrono.rigs.line_kinds import FRAMED
from chrono.rigs.rig_file import default_rig, rig_from_record, rig_record
from chrono.rigs.rig_model import Rig, with_body
from chrono.session.session import Session
from chrono.session.shot_log import ShotRow
from chrono.session.speed_models import with_rate

EDGES = (EdgesUsed.BOTH, EdgesUsed.LEAD, EdgesUsed.TRAIL)

VALUES: Mapping[str, tuple[float, ...]] = {
    "speed_mps": (0.5, 1, 2, 3, 5, 7, 10, 15, 20, 30, 45, 60, 80, 100, 150, 200, 300),
    "spacing_m": (0.02, 0.03, 0.05, 0.1, 0.15, 0.2, 0.3, 0.4, 0.5, 0.6, 1, 2),
    "tick_s": (
        *(62.5e-9, 250e-9, 500e-9, 1e-6, 2e-6, 4e-6, 8e-6, 20e-6, 50e-6),
        *(100e-6, 200e-6, 500e-6, 1e-3),
    ),
    "jitter_s": (0, 0.05e-6, 0.1e-6, 0.2e-6, 0.5e-6, 1e-6, 2e-6, 5e-6, 10e-6, 20e-6, 50e-6),
    "clock_tolerance": (0, 5e-6, 10e-6, 20e-6, 50e-6, 100e-6, 500e-6, 1e-3, 5e-3, 1e-2),
    "trip_m": (0, 0.05e-3, 0.1e-3, 0.2e-3, 0.5e-3, 1e-3, 2e-3),
    "spread": (0, 0.001, 0.002, 0.005, 0.01, 0.02, 0.05),
    "edges": tuple(float(edges) for edges in EDGES),
}
"""The steps of each setting, in SI units. A value between two steps goes to the next step."""


@dataclass(frozen=True)
class Bench:
    """
    The settings of the error lab, and a rig.

    Attributes
    ----------
    speed_mps : float
        True speed of the body [m/s].
    spacing_m, tick_s, jitter_s : float
        Distance between the gates [m], step of a timestamp [s], and jitter of a timestamp [s].
    clock_tolerance : float
        Half-width of the counter's relative error.
    trip_m : float
        ± of the place in a beam where each gate trips [m].
    edges : EdgesUsed
        The edges that are used to measure the transit.
    spread : float
        Relative standard deviation of the speed from shot to shot.
    base : Rig
        The rig that gives all values that are not settings.
    bounce_s : float
        Standard uncertainty that the bounces of one recorded shot add to its transit [s]. It
        is 0 after the user has set any value.
    """

    speed_mps: float
    spacing_m: float
    tick_s: float
    jitter_s: float
    clock_tolerance: float
    trip_m: float
    edges: EdgesUsed
    spread: float
    base: Rig
    bounce_s: float = 0.0

    @property
    def rig(self) -> Rig:
        """The rig with the lab's settings; a changed value has no calibration."""
        record = rig_record(self.base)
        calibration = record["calibration"]
        if self.clock_tolerance != self.base.clock.rate_tolerance:
            calibration["clock"] = None
        gates = (self.base.spacing_m, self.base.gates.trip_tolerance_m)
        if (self.spacing_m, self.trip_m) != gates:
            calibration["spacing"] = None
        record["lines"] = FRAMED.name
        record["gates"] |= {"spacing_m": self.spacing_m, "trip_tolerance_m": self.trip_m}
        record["clock"] |= {
            "frequency_hz": 1 / self.tick_s,
            "step_s": None,
            "jitter_s": self.jitter_s,
            "rate_tolerance": self.clock_tolerance,
        }
        return rig_from_record(record)

    def stepped(self, name: str, direction: int) -> "Bench":
        """Return a copy in which one setting is one step higher (+1) or lower (−1)."""
        value, values = float(getattr(self, name)), VALUES[name]
        if name == "edges":
            place = (EDGES.index(self.edges) + direction) % len(EDGES)
            return self.with_values(edges=EDGES[place])
        slack = 1e-6 * value
        if direction > 0:
            found = next((v for v in values if v > value + slack), max(value, values[-1]))
        else:
            beneath = (v for v in reversed(values) if v < value - slack)
            found = next(beneath, min(value, values[0]))
        return self.with_values(**{name: found})

    def with_values(self, **values: Any) -> "Bench":
        """Return changed settings; the spacing stays at least four times its tolerance."""
        changed = replace(self, **({"bounce_s": 0.0} | values))
        least_m = 4 * max(changed.trip_m, self.base.gates.spacing_tolerance_m)
        return replace(changed, spacing_m=max(changed.spacing_m, least_m))


def bench_of_rig(rig: Rig, speed_mps: float, edges: EdgesUsed) -> Bench:
    """Return lab settings with the values of a rig and the given speed."""
    return Bench(
        speed_mps=speed_mps,
        spacing_m=rig.spacing_m,
        tick_s=rig.clock.tick_s,
        jitter_s=rig.clock.jitter_s,
        clock_tolerance=rig.clock.rate_tolerance,
        trip_m=rig.gates.trip_tolerance_m,
        edges=edges,
        spread=0.0,
        base=rig,
    )


def bench_of_shot(session: Session, row: ShotRow) -> Bench:
    """Return lab settings with a shot's speed, the session's rig and the setup's body."""
    rig, setups = with_rate(session.rig, session.host_rate), session.setups
    own = dict(setups.body(int(setups.at(np.array([row.key]))[0])))
    bench = bench_of_rig(with_body(rig, own), row.speed_mps, EdgesUsed[row.edges_used.upper()])
    return replace(bench, bounce_s=row.bounce_us * 1e-6)


@dataclass(frozen=True)
class Preset:
    """
    Example settings of the lab that make one cause of errors larger than all other causes.

    Attributes
    ----------
    name : str
    rules : str
        Name of the largest cause, as in an error budget.
    values : mapping
        Settings that differ from the usual settings.
    """

    name: str
    rules: str
    values: Mapping[str, Any]

    def bench(self) -> Bench:
        """Return the lab settings of this example."""
        return USUAL.with_values(**self.values)


USUAL = bench_of_rig(default_rig(), 22.0, EdgesUsed.BOTH).with_values(clock_tolerance=50e-6)
"""The usual settings: the default rig with a spacing of 300 mm, and a crystal clock."""


def _with_aim(off_centre_m: float) -> Rig:
    """Return the rig of the settings `USUAL` with another value of `off_centre`."""
    record = rig_record(USUAL.base)
    record["gates"]["off_centre_m"] = off_centre_m
    return rig_from_record(record)


PRESETS = (
    Preset("usual gates", "gate spacing", {}),
    Preset(
        "coarse counter",
        "tick",
        {"spacing_m": 0.05, "tick_s": 100e-6, "speed_mps": 45.0, "edges": EdgesUsed.LEAD},
    ),
    Preset("large jitter", "jitter", {"jitter_s": 50e-6, "speed_mps": 45.0}),
    Preset(
        "ceramic clock",
        "clock rate",
        {"clock_tolerance": 1e-2, "spacing_m": 0.5, "speed_mps": 10.0},
    ),
    Preset("wide beams", "trip position", {"trip_m": 2e-3}),
    Preset(
        "ball off-centre",
        "chords",
        {"edges": EdgesUsed.LEAD, "spacing_m": 0.1, "base": _with_aim(0.012)},
    ),
)
