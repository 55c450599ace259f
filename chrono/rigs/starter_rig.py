"""Starter rig files: every key with its meaning, and with a value that a maker can trust.

The values are the defaults. They give the right ± for a gate that was built by the notes and
never calibrated. Facts about a kind of board are in the values and comments of its clock.
"""

import json
import secrets
from dataclasses import dataclass
from pathlib import Path

from chrono.rigs.line_kinds import FRAMED, names_of
from chrono.rigs.rig_file import write_rig
from chrono.rigs.rig_model import Rig


@dataclass(frozen=True)
class _About:
    """The clock of a board, and the starter's comments on its rate, jitter and tick."""

    rate: str
    jitter: str = ""
    tick: str = ""
    frequency: str = "16 MHz"
    counter_bits: int = 32
    rate_tolerance: str = "5000 ppm"
    note: str = ""


_NOT_SURE = "resonator; 50 ppm only if you are sure it is a crystal"
BOARDS: dict[str, _About] = {
    "uno": _About("most of this form: resonator (the crystal is the USB chip's)"),
    "nano": _About("resonator or crystal; 50 ppm if the 16.000 can is the processor's"),
    "pico": _About(
        "crystal; 30 ppm when new, 30 ppm for heat (from memory), the rest for age",
        jitter=" (sensor; the board adds none)",
        frequency="62.5 MHz",
        counter_bits=31,
        rate_tolerance="100 ppm",
        note="""\
# An RP2040 board counts in steps of 16 ns, 0.0002 % of a transit of 10 ms. The largest errors
# come from the sensors (latency_mismatch, trip_tolerance) and the spacing.
""",
    ),
    "other": _About(
        _NOT_SURE,
        jitter="; 0.7 us for micros()",
        tick="; micros() has 4 us at 16 MHz",
    ),
}


_IDENTITY_BYTES = 6
"""Number of random bytes of an identity: enough that no two rigs have the same identity."""


def write_starter(path: str | Path, board: str = "other", *, drops: bool = False) -> Rig:
    """Write a commented rig file to fill in, with a new identity; see `write_rig`."""
    identity = secrets.token_hex(_IDENTITY_BYTES)
    return write_rig(path, starter_text(board=board, identity=identity, drops=drops))


def starter_text(
    name: str = "light gates",
    spacing: str = "300.0 mm",
    board: str = "other",
    identity: str = "",
    *,
    drops: bool = False,
) -> str:
    """
    Return a commented starter file with defaults, and with the clock of the given board.

    For drops, one gate is above the other, and dropped bodies may be slow.
    """
    about = BOARDS[board]
    return _STARTER.format(
        name=json.dumps(name, ensure_ascii=False),
        identity=f"{json.dumps(identity):15}",
        lines=json.dumps(FRAMED.name),
        kinds=names_of("or"),
        stepped=names_of("and", lambda kind: not kind.counts_ticks),
        spacing=json.dumps(spacing),
        slope=json.dumps("down" if drops else "level"),
        slowest=json.dumps("0.5 m/s" if drops else "2 m/s"),
        rate=about.rate,
        jitter=about.jitter,
        tick=about.tick,
        frequency=about.frequency,
        counter_bits=about.counter_bits,
        rate_tolerance=json.dumps(about.rate_tolerance),
        note=about.note,
        pad=" " * (17 - len(about.frequency)),
    )


_STARTER = """\
# A rig: two light gates, their clock, the clocked body and the place.
# Write every quantity as text with its unit. You must give only gates.spacing. All other values
# are defaults. Their tolerances are wide: measure and calibrate to make the ± smaller.
# Check this file with: chrono rig check FILE

name = {name}
identity = {identity}     # of these two gates: keep it when you calibrate or rename them;
                               # other gates need a file of their own: chrono rig new
speed_unit = "m/s"             # how speeds are shown: m/s, km/h, ft/s, mph
lines = {lines}               # what the board sends: {kinds}

[gates]
spacing = {spacing}           # distance of the two beams, along the path
spacing_tolerance = "0.5 mm"   # ± tolerance of the spacing; drops or rods reduce it
trip_tolerance = "0.2 mm"      # ± where inside its beam each gate trips
tilt_limit = "1 deg"           # largest angle between the path and the gates' axis
latency_mismatch = "2 us"      # ± difference of the two sensors' delays; swapping reduces it
off_centre = "5 mm"            # a body crosses each beam at most this far from its axis
slope = {slope:22} # of the path: level, down, up, or an angle below level
slope_tolerance = "2 deg"      # ± tolerance of the slope

[clock]
{note}frequency = "{frequency}"{pad}# of the counter; the board's hello line overrides it
counter_bits = {counter_bits}              # width of the counter
rate_tolerance = {rate_tolerance:13} # ± {rate}
jitter = "0.1 us"              # standard deviation of one timestamp{jitter}
                               # a gate that bounces needs more: chrono check shows how much
from_host = false              # true: take the counter's rate from the computer's clock
# tick = "4 us"                # {stepped} lines only: step of the timestamps{tick}

[body]
name = "squash ball"
mass = "24 g"
diameter = "40 mm"             # across the path
length = "40 mm"               # along the path
shape = "round"                # its ends: round (a ball), flat (a rod cut square)

[window]
slowest = {slowest:20} # a transit outside slowest … fastest is not a shot
fastest = "200 m/s"
quiet = "0.2 ms"               # if a gate trips again sooner, it is the same passage
launch = "0.25 s"              # a body that follows sooner belongs to the same launch;
                               # a whole body of the stated length is the next shot

[site]
muzzle_distance = "1.0 m"      # from the launcher's mouth to midway between the gates
latitude = "50 deg"
altitude = "100 m"
temperature = "18 degC"
pressure = "1005 hPa"
humidity = "60 %"

# [calibration.clock]          # written by chrono calibrate; each replaces a tolerance
# value = "-120 ppm"           # relative error of the frequency
# u = "4 ppm"                  # its standard uncertainty
# dof = 30                     # its degrees of freedom
# date = "2025-01-31"
# evidence = "how it was found"
#
# [calibration.latency]        # delay of gate B minus that of gate A
# value = "0.3 us"
# u = "0.05 us"
#
# [calibration.spacing]
# value = "300.2 mm"
# u = "0.1 mm"
# covers_trip = true           # measured through the gates: where they trip is included
"""
