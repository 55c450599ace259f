"""Sessions of one rig with light that falls and rises through first-order sensors.

The chain is that of `gate_physics`: a body covers a beam, the sensor answers with its time
constant (RC), a comparator trips at its threshold, a counter stamps the edge. One rig is drawn
within what is stated; then many bodies pass it, as a launcher throws them.
"""

from dataclasses import replace
from pathlib import Path

import numpy as np
from gate_board import CAPTURE, edges_of
from gate_lines import framed_lines
from gate_physics import Array, Body, Flight, draw_rigs, fly
from gate_readings import session_of
from speed_rigs import make_rig

from chrono.session.session import Session

OFF_CENTRE_M = 5e-3
EVERY_S = 0.6180339887
"""From launch to launch: no step of a counter is in step with it."""
TILT_RAD = np.radians(1.0)


def thrown_session(
    folder: Path,
    rng: np.random.Generator,
    body: Body,
    speed_mps: Array,
    *,
    aim: str = "each",
    threshold: float | tuple[float, float] = 0.5,
    response_s: float | tuple[float, float] = 0.0,
    drift_at_b: float = 0.0,
    spacing_m: float = 0.3,
    tick_s: float = 62.5e-9,
    is_exact: bool = False,
) -> tuple[Session, Flight]:
    """
    Return what the program reads of bodies that pass one rig, and their flight.

    Parameters
    ----------
    speed_mps : (N,)
    aim : `each`: every body crosses the beams at heights of its own; `held`: all at the same
        ones; `sags`: the lower, the slower it is, over a metre of way
    is_exact : the gates stand where the rig says, and time nothing late
    drift_at_b : by how much the threshold of gate B moves from the first to the last body
    """
    count = len(speed_mps)
    rig = draw_rigs(
        rng,
        1,
        spacing_m=spacing_m,
        spacing_tolerance_m=0.0 if is_exact else 0.5e-3,
        trip_tolerance_m=0.0 if is_exact else 0.2e-3,
        off_centre_m=OFF_CENTRE_M,
        latency_mismatch_s=0.0 if is_exact else 2e-6,
        rate_tolerance=0.0 if is_exact else 5e-3,
        own_latency_each_edge=bool(rng.random() < 0.5),
        threshold=threshold,
        response_s=response_s,
    ).repeated(count)
    if aim == "each":
        rig = rig.with_paths(rng, tilt_limit_rad=TILT_RAD, off_centre_m=OFF_CENTRE_M)
    if aim == "sags":
        reach = min(OFF_CENTRE_M, 0.8 * body.diameter_m / 2)
        sag = 9.81 / 2 / speed_mps**2
        sag = (sag - sag.mean()) * min(1.0, 1.99 * reach / np.ptp(sag))
        height = rng.uniform(-reach - sag.min(), reach - sag.max()) + sag
        rig = replace(rig, off_centre_m=np.stack([height, height], -1))
    if drift_at_b:
        moved = rig.threshold.copy()
        moved[:, 1] += np.linspace(0, drift_at_b, count)
        rig = replace(rig, threshold=moved)
    flight = fly(rig, body, speed_mps, drag_coefficient=0.47, air_density_kgpm3=1.2)
    board = replace(CAPTURE, frequency_hz=1 / tick_s)
    stated = make_rig(
        body__mass_kg=body.mass_kg,
        body__diameter_m=body.diameter_m,
        body__length_m=body.length_m,
        body__shape=body.shape,
        gates__off_centre_m=OFF_CENTRE_M,
        gates__latency_mismatch_s=2e-6,
        gates__spacing_m=spacing_m,
        clock__rate_tolerance=5e-3,
        clock__frequency_hz=board.frequency_hz,
    )
    lines = framed_lines(edges_of(rng, flight, board, every_s=EVERY_S), board)
    return session_of(stated, lines, folder), flight
