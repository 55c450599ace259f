"""What a session's counted shots tell of its timing, and of the bodies in the gates."""

import math

import numpy as np

from chrono.arrays.array_types import Floats
from chrono.measuring.budget import chords
from chrono.measuring.timing import Blocking, Timing, blocking_of, tells_timing, timing_scatter
from chrono.rigs.model import Rig
from chrono.session.session import Session

MOST_SHOTS = 20_000
"""The last ones tell enough."""


def timing_of(session: Session) -> Timing | None:
    """Return the jitter that the counted shots under the counter of now tell, if they do."""
    part = _last_part(session)
    shots = session.log.shots[part]
    measured = session.measured(part)
    chosen = session.are_counted(shots, measured.speed_mps) & tells_timing(shots)
    places = session.counters.at(shots["key"])
    chosen &= np.array([session.counters.is_last(int(place)) for place in places], np.bool_)
    if not chosen.any():
        return None
    shots, speed_mps = shots[chosen], measured.speed_mps[chosen]
    model, setups = session.model, session.log.setup[part][chosen]
    return timing_scatter(
        (shots["trail"] - shots["lead"]) * model.unit_s,
        measured.transit_s[chosen],
        setups.astype(np.intp),
        _chord_u(session, setups.tolist()) / speed_mps,
        tick_s=model.tick_s,
        stated_s=model.jitter.u,
    )


def lengths_of(session: Session) -> dict[str, Blocking]:
    """Return what the gates saw of each setup's bodies, in order of first use."""
    part = _last_part(session)
    shots, measured = session.log.shots[part], session.measured(part)
    counted = session.are_counted(shots, measured.speed_mps)
    found = {}
    for name in session.setups.names:
        chosen = counted & session.setups.named(name)[session.log.setup[part]]
        declared_m = session.setups.last(name).body.get("length_m", session.rig.body.length_m)
        blocking = blocking_of(shots[chosen], measured.body_length_m[chosen], declared_m)
        if blocking is not None:
            found[name] = blocking
    return found


def _last_part(session: Session) -> slice:
    return slice(max(len(session.log) - MOST_SHOTS, 0), len(session.log))


def _chord_u(session: Session, setups: list[int]) -> Floats:
    """Return the standard deviation of the bodies' lengths that chords may make [m], (N,)."""
    widths = {
        place: _length_u(session.rig, session.setups.last(session.setups.name(place)).body)
        for place in set(setups)
    }
    return np.array([widths[place] for place in setups])


def _length_u(rig: Rig, own: dict[str, float]) -> float:
    """
    Return how much a body's length at gate B differs from that at A, as its u [m].

    A ball's by its chords; a flat body's by the bulge of its leaning end faces, which has the
    same shape and is smaller by the angle.
    """
    if not rig.gates.off_centre_m:
        return 0.0
    radius_m = own.get("diameter_m", rig.body.diameter_m) / 2
    lean = 1.0 if rig.body.shape == "round" else math.sin(rig.gates.tilt_limit_rad)
    return 2 * chords("", radius_m, rig.gates.off_centre_m).u * lean
