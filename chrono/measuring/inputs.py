"""What a rig states or was calibrated to, as inputs of the error budget."""

from chrono.measuring.budget import Input, normal, rectangular
from chrono.rigs.model import Rig

BOUNCE = "bounce"


def spacing_input(rig: Rig) -> Input:
    """Return the distance of the gates, measured or as stated."""
    calibrated = rig.calibration.spacing
    if calibrated is None:
        return rectangular("gate spacing", rig.gates.spacing_tolerance_m, unit="m")
    dof = calibrated.degrees_of_freedom
    return normal("gate spacing", calibrated.spacing_u_m, dof=dof, unit="m")


def trip_inputs(rig: Rig) -> tuple[Input, ...]:
    """Return where in the beams the gates trip; none where the measured spacing covers it."""
    calibrated = rig.calibration.spacing
    if calibrated is not None and calibrated.covers_trip:
        return ()
    names = "trip position, A", "trip position, B"
    return tuple(rectangular(name, rig.gates.trip_tolerance_m, unit="m") for name in names)


def rate_input(rig: Rig) -> Input:
    """Return the relative error of the counter's frequency, measured or as stated."""
    calibrated = rig.calibration.clock
    if calibrated is None:
        return rectangular("clock rate", rig.clock.rate_tolerance)
    return normal("clock rate", calibrated.rate_error_u, dof=calibrated.degrees_of_freedom)


def latency_input(rig: Rig) -> Input:
    """Return the difference of the sensors' delays, measured or as stated."""
    calibrated = rig.calibration.latency
    if calibrated is None:
        return rectangular("latency mismatch", rig.gates.latency_mismatch_s, unit="s")
    dof = calibrated.degrees_of_freedom
    return normal("latency mismatch", calibrated.difference_u_s, dof=dof, unit="s")


def bounce_inputs(bounce_s: float) -> tuple[Input, ...]:
    """Return what bounce and late lines add to a transit by their u [s]; nothing for 0."""
    return (normal(BOUNCE, bounce_s, nature="random", unit="s"),) if bounce_s > 0 else ()
