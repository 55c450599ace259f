"""Calibrate a rig from recordings, by one of four methods: clock, swap, drop or rods.

Each calibration function reads recordings and returns a result. The function `write_result`
writes the result into the rig file.
"""

from dataclasses import dataclass, replace
from datetime import date
from pathlib import Path

import numpy as np

from chrono.arrays.array_types import Bools, Floats
from chrono.calibrating.drop_calibration import DropResult, DropSetup, drop_calibration
from chrono.calibrating.pulses import DelayDifference
from chrono.calibrating.rods_calibration import Passes, RodResult, RodSetup, rod_calibration
from chrono.calibrating.swap_calibration import SwapResult, swap_calibration
from chrono.clock.clock_rate import ClockEstimate
from chrono.errors import CalibrationError, OptionError, RecordingError
from chrono.measuring.body_in_air import ball_in_air
from chrono.physics.air_and_gravity import normal_gravity
from chrono.physics.free_fall import fall_speed
from chrono.processor.shot_records import ABSENT, EdgesUsed
from chrono.rigs.rig_file import update_rig
from chrono.rigs.rig_model import Body, Rig, with_body
from chrono.safe_text import plain
from chrono.session.recording_loader import last_rig, prepare_for, read_recording
from chrono.session.session import Session

HIGHEST_M = 100.0
"""The greatest height of a drop that is accepted [m]."""


PAUSE_S = 2.0
"""A ball that bounces on a floor h = 5 m below the gates comes back within this time, 2·√(2h/g)
[s]."""

HYSTERESIS_M = 0.02e-3
"""Half-width of the difference between both gates that hysteresis causes [m]. Hysteresis makes
a gate trip later by half of (beam width)·hysteresis. The value is for a slit of 2 mm and
hystereses that are each within 1 % of the light (firmware_notes/gate.md, R5)."""

MANY_DEGREES = 1e4
"""From this number on, degrees of freedom count as infinite."""

MAX_EVIDENCE = 1000
"""The largest number of characters of a text `evidence` in a rig file."""


@dataclass(frozen=True)
class ClockCalibration:
    """
    The measured rate of the counter, and the rate tolerance that the rig file states.

    Attributes
    ----------
    estimate : ClockEstimate
    stated : float
        Half-width of the relative rate that the rig states.
    """

    estimate: ClockEstimate
    stated: float

    @property
    def is_far(self) -> bool:
        """True if the measured rate is outside the tolerance that the rig file states."""
        return abs(self.estimate.rate_error) > self.stated + self.estimate.U95

    @property
    def is_wide(self) -> bool:
        """True if the rig's tolerance is smaller than the uncertainty of the measured rate."""
        return self.stated < self.estimate.U95


Calibration = ClockCalibration | SwapResult | DropResult | RodResult


@dataclass(frozen=True)
class CountedTransits:
    """
    Transits and blocking times of N counted shots; each array has the shape (N,) [s].

    The transits are corrected for the known error of the clock, but not for the gates' delays.
    `bodies` has one body for each setup of the shots; the rig states what a setup leaves out.
    """

    transit_s: Floats
    block_a_s: Floats
    block_b_s: Floats
    used: EdgesUsed
    bodies: tuple[Body, ...]


def calibrate_clock(path: Path, rig: Rig | None) -> ClockCalibration:
    """
    Compute the rate of the counter from the beats in a recording.

    Raises
    ------
    CalibrationError
        If the lines have no beats, or too few beats.
    """
    session = read_recording(path, rig, clock_from_host=True).session
    estimate = session.host_rate
    assert estimate is not None, "read_recording raises an error if the rate is unknown"
    return ClockCalibration(estimate, session.rig.clock.rate_tolerance)


def calibrate_swap(
    before: Path,
    after: Path,
    rig: Rig | None,
    *,
    setup_before: str | None = None,
    setup_after: str | None = None,
    left_exchanged: bool = False,
    slits_moved: bool = False,
) -> SwapResult:
    """
    Compute the delay difference of the gates from shots before and after a sensor exchange.

    Parameters
    ----------
    before, after : Path
        Two recordings, or the same recording twice if its setups separate the shots.
    rig : Rig or None
        None to use the recorded rig.
    setup_before, setup_after : str or None
        Use only the shots of these setups.
    left_exchanged : bool
        True if the sensors now stay exchanged.
    slits_moved : bool
        True if the slits that limit the beams moved with the sensors. In this case the result
        is less certain.

    Raises
    ------
    CalibrationError
        If the shots do not give the difference.
    """
    if before == after and setup_before == setup_after:
        raise OptionError(
            "the shots before and after the exchange have the same recording and setup",
            hint="give two recordings, or two setups with --before-setup and --after-setup",
        )
    prepare_for((before, after))
    session = read_recording(before, rig).session
    first = _series(before, session, setup_before)
    second = _series(after, read_recording(after, rig).session, setup_after)
    blocking_before_s, blocking_after_s = _blocking(first), _blocking(second)
    lengths_m = {body.length_m for body in (*first.bodies, *second.bodies)}
    if blocking_before_s is not None and blocking_after_s is not None and len(lengths_m) > 1:
        raise CalibrationError(
            "the setups or rigs before and after the exchange state bodies of different length",
            where=str(after),
            hint="launch the same body before and after the exchange, or choose its shots with "
            "--before-setup and --after-setup",
        )
    offset_s = _blocking_offset(session.rig, first.transit_s, blocking_before_s, max(lengths_m))
    mean_speed_mps = session.rig.spacing_m / float(np.mean(first.transit_s))
    moved_m = 2 * session.rig.gates.trip_tolerance_m if slits_moved else 0.0
    return swap_calibration(
        first.transit_s,
        second.transit_s,
        blocking_before_s=blocking_before_s,
        blocking_after_s=blocking_after_s,
        trip_difference_s=moved_m / mean_speed_mps,
        hysteresis_s=HYSTERESIS_M / mean_speed_mps,
        blocking_offset_s=offset_s,
        stated_s=session.rig.gates.latency_mismatch_s,
        left_exchanged=left_exchanged,
    )


def calibrate_drop(
    path: Path,
    rig: Rig | None,
    height_m: float,
    height_tolerance_m: float,
    *,
    setup: str | None = None,
) -> DropResult:
    """
    Compute the effective spacing of the gates from dropped balls.

    Parameters
    ----------
    path : Path
        A recording of the drops.
    rig : Rig or None
        The rig, for its site and spacing, and for a body that no setup states; None to use the
        recorded rig.
    height_m, height_tolerance_m : float
        Height from the beam of gate A up to the ball's lower edge, and its half-width [m].
    setup : str or None
        Use only the shots of this setup.

    Raises
    ------
    OptionError
        If the height or the tolerance is impossible.
    CalibrationError
        If the drops do not give the spacing.
    """
    _refuse_lengths(height_m, height_tolerance_m)
    session = read_recording(path, rig).session
    rig = session.rig
    counted = session.are_counted(session.log.shots, session.measured().speed_mps)
    start_s = session.log.shots["key"] * rig.clock.unit_s
    drops = _series(path, session, setup, are_drops(start_s, counted))
    model = session.model
    if len({(body.mass_kg, body.diameter_m) for body in drops.bodies}) > 1:
        raise CalibrationError(
            "the setups of the drops state bodies of different mass or diameter",
            where=str(path),
            hint="give the setup of each body a name of its own, and choose one with --setup",
        )
    stated = _drop_setup(rig, drops.bodies[0], height_m, height_tolerance_m)
    return drop_calibration(
        drops.transit_s - model.latency_s,
        replace(stated, clock_rate=model.rate, latency=model.latency),
        edges_used=drops.used,
        blocking_a_s=drops.block_a_s,
        blocking_b_s=drops.block_b_s,
    )


def are_drops(start_s: Floats, downwards: Bools) -> Bools:
    """
    Separate drops from the later falls of a ball that bounced on the floor.

    A ball that bounced goes up through the gates shortly before the next fall.

    Parameters
    ----------
    start_s : ndarray of float64, shape (N,)
        Start of each passage of a recording, counted or not, in order [s].
    downwards : ndarray of bool, shape (N,)
        True if the passage was counted as a fall from A to B.
    """
    follows_soon = np.diff(start_s, prepend=-np.inf) <= PAUSE_S
    after_other = np.concatenate([[False], ~downwards[:-1]])
    drops: Bools = downwards & ~(follows_soon & after_other)
    return drops


@dataclass(frozen=True)
class Rod:
    """The recording in which one rod passes the gates, and the length of this rod [m]."""

    path: Path
    length_m: float
    setup: str | None = None


def calibrate_rods(
    short: Rod, long: Rod, rig: Rig | None, length_tolerance_m: float
) -> RodResult:
    """
    Compute the effective spacing of the gates from two flat-ended rods.

    Parameters
    ----------
    short, long : Rod
        Two recordings, or the same recording twice if its setups separate the passes.
    rig : Rig or None
        The rig; None to use the rig in the recording of the short rod.
    length_tolerance_m : float
        Half-width of each rod's length [m].

    Raises
    ------
    OptionError
        If a length or its tolerance is impossible, or the same shots are given for both rods.
    CalibrationError
        If the passes do not give the spacing.
    """
    _refuse_rods(short.length_m, long.length_m, length_tolerance_m)
    if (short.path, short.setup) == (long.path, long.setup):
        raise OptionError(
            "the short and the long rod have the same recording and the same setup",
            hint="give two recordings, or two setups with --short-setup and --long-setup",
        )
    prepare_for((short.path, long.path))
    sessions = [read_recording(rod.path, rig).session for rod in (short, long)]
    model, gates = sessions[0].model, sessions[0].rig.gates
    first, second = (_passes(*pair) for pair in zip((short, long), sessions, strict=True))
    setup = RodSetup(
        gates.spacing_m,
        gates.spacing_tolerance_m,
        gates.trip_tolerance_m,
        length_tolerance_m,
        gates.tilt_limit_rad,
        model.latency,
    )
    return rod_calibration(first, second, setup)


def _passes(rod: Rod, session: Session) -> Passes:
    transits = _series(rod.path, session, rod.setup)
    if transits.used != EdgesUsed.BOTH:
        raise CalibrationError(
            "most passes of the rod have only one usable pair of edges",
            where=str(rod.path),
            hint="each shot needs a leading and a trailing edge at both gates; the command "
            "chrono summary shows the flags of the shots",
        )
    transit_s = transits.transit_s - session.model.latency_s
    ball_m = _declared_ball(rod, session)
    return Passes(rod.length_m, transit_s, transits.block_a_s, transits.block_b_s, ball_m)


def _declared_ball(rod: Rod, session: Session) -> float | None:
    """Return the length of the round body in a recording [m]; None if the body is not round."""
    try:
        body = last_rig(rod.path).body
    except RecordingError:
        body = session.rig.body
    setups = session.setups_with_shots(rod.setup)
    lengths = {setup.body.get("length_m", body.length_m) for setup in setups}
    return lengths.pop() if body.shape == "round" and len(lengths) == 1 else None


def write_result(result: Calibration, rig_file: Path, evidence: str) -> Path:
    """Write a result into a rig file; return the path of the copy of the old file."""
    return update_rig(rig_file, rig_changes(result, evidence, date.today().isoformat()))


def rig_changes(
    result: Calibration | DelayDifference, evidence: str, day: str
) -> dict[str, object]:
    """
    Return the keys and values of a rig file for the result of a calibration.

    Parameters
    ----------
    result : Calibration
    evidence : str
        One line that states how the result was found.
    day : str
        Date of the calibration, ISO 8601.
    """
    extra: dict[str, object] = {}
    match result:
        case ClockCalibration(estimate=estimate):
            section, value, per_unit, form = "clock", estimate.rate_error, 1e6, "{:.3f} ppm"
        case SwapResult():
            section, value, per_unit, form = "latency", result.difference_s, 1e6, "{:.5f} us"
        case DelayDifference():
            section, value, per_unit, form = "latency", result.value_s, 1e6, "{:.5f} us"
        case DropResult() | RodResult():
            section, value, per_unit, form = "spacing", result.spacing_m, 1e3, "{:.4f} mm"
            extra["covers_trip"] = True
    known = result.estimate if isinstance(result, ClockCalibration) else result
    uncertainty = known.uncertainty
    keys: dict[str, object] = {
        "value": form.format(value * per_unit),
        "u": form.format(uncertainty.u * per_unit),
        **extra,
        "date": day,
        "evidence": evidence[:MAX_EVIDENCE],
    }
    if uncertainty.dof < MANY_DEGREES:
        keys["dof"] = round(max(uncertainty.dof, 1.0), 2)
    return {f"calibration.{section}.{key}": item for key, item in keys.items()}


def _refuse_lengths(height_m: float, height_tolerance_m: float) -> None:
    if not 0 < height_m <= HIGHEST_M:
        raise OptionError(
            f"the height of a drop cannot be {height_m:g} m",
            where="--height",
            hint="give the height from the beam of gate A up to the ball's lower edge, "
            'such as "500 mm"',
        )
    if not 0 <= height_tolerance_m < height_m:
        raise OptionError(
            f"a height of {height_m:g} m cannot have a tolerance of ± {height_tolerance_m:g} m",
            where="--height-tolerance",
            hint='give the largest possible error of the height, such as "1 mm"',
        )


def _refuse_rods(short_m: float, long_m: float, tolerance_m: float) -> None:
    for option, length_m in (("--short", short_m), ("--long", long_m)):
        if not length_m > 0:
            raise OptionError(
                f"the length of a rod cannot be {length_m:g} m",
                where=option,
                hint='give the length that you measured, such as "40 mm"',
            )
    if not 0 <= tolerance_m < min(short_m, long_m):
        raise OptionError(
            f"a rod of {min(short_m, long_m):g} m cannot have a tolerance of "
            f"± {tolerance_m:g} m",
            where="--length-tolerance",
            hint='give the largest possible error of the length, such as "0.05 mm"',
        )


def _drop_setup(rig: Rig, ball: Body, height_m: float, height_tolerance_m: float) -> DropSetup:
    gravity = normal_gravity(rig.site.latitude_rad, rig.site.altitude_m)
    speed_mps = fall_speed(height_m + rig.gates.spacing_m / 2, 0.0, gravity)
    body = ball_in_air(
        diameter_m=ball.diameter_m,
        mass_kg=ball.mass_kg,
        speed_mps=speed_mps,
        temperature_k=rig.site.temperature_k,
        pressure_pa=rig.site.pressure_pa,
        humidity=rig.site.humidity,
    )
    return DropSetup(
        height_m=height_m,
        body=body,
        gravity_mps2=gravity,
        spacing_m=rig.gates.spacing_m,
        spacing_tolerance_m=rig.gates.spacing_tolerance_m,
        trip_tolerance_m=rig.gates.trip_tolerance_m,
        height_tolerance_m=height_tolerance_m,
        plumb_limit_rad=rig.gates.tilt_limit_rad,
    )


def _series(
    path: Path,
    session: Session,
    setup: str | None,
    allowed: Bools | None = None,
) -> CountedTransits:
    """Return the counted (and allowed) shots that have the most common `EdgesUsed`."""
    shots, measured = session.log.shots, session.measured()
    chosen = session.are_counted(shots, measured.speed_mps)
    if allowed is not None:
        chosen = chosen & allowed
    if setup is not None:
        names = np.array([session.setups.name(int(i)) for i in session.log.setup], object)
        chosen = chosen & (names == setup)
    if not chosen.any():
        which = f" of setup {plain(setup)!r}" if setup is not None else ""
        raise CalibrationError(
            f"there are no counted shots{which}",
            where=str(path),
            hint="to see the content of the recording, use: chrono summary",
        )
    used = EdgesUsed(int(np.bincount(shots["used"][chosen]).argmax()))
    chosen = chosen & (shots["used"] == used)
    unit_s = session.rig.clock.unit_s
    block_a_s, block_b_s = (
        np.where(shots[name][chosen] == ABSENT, np.nan, shots[name][chosen] * unit_s)
        for name in ("block_a", "block_b")
    )
    transit_s = measured.transit_s[chosen] / (1 + session.model.rate_error)
    setups = session.setups_at(session.log.setup[chosen])
    bodies = tuple(with_body(session.rig, setup.body).body for setup in setups)
    return CountedTransits(transit_s, block_a_s, block_b_s, used, bodies)


def _blocking(transits: CountedTransits) -> Floats | None:
    """Return the mean of both gates' blocking times; None if any shot lacks a blocking time."""
    mean = (transits.block_a_s + transits.block_b_s) / 2
    return mean if np.isfinite(mean).all() else None


def _blocking_offset(
    rig: Rig, transit_s: Floats, blocking_s: Floats | None, length_m: float
) -> float:
    """Return the largest error of the blocking times that does not depend on the speed [s]."""
    if blocking_s is None:
        return 0.0
    declared_s = float(np.mean(transit_s)) * length_m / rig.spacing_m
    off_s = abs(float(np.mean(blocking_s)) - declared_s)
    return off_s + rig.gates.latency_mismatch_s
