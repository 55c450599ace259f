"""Write starter rig files.

A starter file explains each key and contains a default value for each key. The default values
give the right ± for uncalibrated gates that are built as in the firmware notes. The values and
comments of the clock depend on the kind of board.
"""

import json
import secrets
from dataclasses import dataclass
from pathlib import Path

from chrono.rigs.line_kinds import FRAMED, kind_names
from chrono.rigs.rig_file import write_rig
from chrono.rigs.rig_model import Rig


@dataclass(frozen=True)
class _About:
    """The clock values of one kind of board, and the comments on these values."""

    rate: str
    jitter: str = ""
    tick: str = ""
    frequency: str = "16 MHz"
    counter_bits: int = 32
    rate_tolerance: str = "5000 ppm"
    note: str = ""


_NOT_SURE = """\
5000 ppm is for a clock with a resonator. If the board certainly has
                               # a crystal, write 50 ppm"""
BOARDS: dict[str, _About] = {
    "uno": _About(
        """\
5000 ppm is for a clock with a resonator, as on most Uno boards.
                               # The crystal on these boards is only for the USB chip."""
    ),
    "nano": _About(
        """\
5000 ppm is for a clock with a resonator. If you see a crystal
                               # (metal can marked 16.000) near the processor, write 50 ppm"""
    ),
    "pico": _About(
        """\
100 ppm is for a clock with a crystal: 30 ppm when new, 30 ppm
                               # for heat (not checked), and 40 ppm for age""",
        jitter=" (caused by the sensor, not by the board)",
        frequency="62.5 MHz",
        counter_bits=31,
        rate_tolerance="100 ppm",
        note="""\
# An RP2040 board counts in steps of 16 ns. This is only 0.0002 % of a transit of 10 ms. The
# largest errors come from the sensors (latency_mismatch, trip_tolerance) and gates.spacing.
""",
    ),
    "other": _About(
        _NOT_SURE,
        jitter="\n                               # if the board uses micros(), write 0.7 us",
        tick="\n                               "
        "# if the board uses micros() at 16 MHz, write 4 us",
    ),
}


_IDENTITY_BYTES = 6
"""Number of random bytes in an identity."""


def write_starter(path: str | Path, board: str = "other", *, drops: bool = False) -> Rig:
    """Write a starter rig file with comments and a new identity; see `write_rig`."""
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
    Return the text of a starter file, with comments and with the clock values of the board.

    If `drops` is true, the rig is for falling bodies: one gate is above the other, and slow
    bodies are allowed.
    """
    about = BOARDS[board]
    return _STARTER.format(
        name=json.dumps(name, ensure_ascii=False),
        identity=f"{json.dumps(identity):15}",
        lines=json.dumps(FRAMED.name),
        kinds=kind_names("or"),
        stepped=kind_names("and", lambda kind: not kind.counts_ticks),
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
# This file describes a rig: two light gates, their clock, the body and the place.
# Write every quantity with its unit, in quotes. You must give only gates.spacing. All other
# values are defaults with large tolerances. To make the ± smaller, measure and calibrate.
# Check this file with: chrono rig check FILE

name = {name}
identity = {identity}     # identifies these two gates: keep it if you rename or calibrate them;
                               # for other gates, make a new file with: chrono rig new
speed_unit = "m/s"             # unit of the shown speeds: m/s, km/h, ft/s, mph
lines = {lines}               # kind of lines that the board sends: {kinds}

[gates]
spacing = {spacing}           # distance between the two beams, along the path
spacing_tolerance = "0.5 mm"   # ± tolerance of the spacing; chrono calibrate reduces it
trip_tolerance = "0.2 mm"      # ± of the place inside its beam where each gate trips
tilt_limit = "1 deg"           # largest angle between the path and the gates' axis
latency_mismatch = "2 us"      # ± difference of sensor delays; chrono calibrate reduces it
off_centre = "5 mm"            # largest distance of the body's centre from a beam's middle
slope = {slope:22} # direction of the path: level, down, up, or an angle below level
slope_tolerance = "2 deg"      # ± tolerance of the slope

[clock]
{note}frequency = "{frequency}"{pad}# frequency of the counter, if the board does not send it
counter_bits = {counter_bits}              # width of the counter in bits
rate_tolerance = {rate_tolerance:13} # ± tolerance of the frequency
                               # {rate}
jitter = "0.1 us"              # standard deviation of one timestamp{jitter}
                               # write more if a gate bounces: chrono check shows the value
from_host = false              # true: find the counter's rate with the computer's clock
# tick = "4 us"                # only for {stepped} lines: step of the timestamps{tick}

[body]
name = "squash ball"
mass = "24 g"
diameter = "40 mm"             # across the path
length = "40 mm"               # along the path
shape = "round"                # shape of its ends: round (a ball) or flat (a rod)

[window]
slowest = {slowest:20} # a transit outside slowest … fastest does not count as a shot
fastest = "200 m/s"
quiet = "0.2 ms"               # if a gate trips again within this time, it is the same passage
launch = "0.25 s"              # bodies that follow within this time belong to the same launch;
                               # but a complete body of the stated length is a new shot

[site]
muzzle_distance = "1.0 m"      # from the launcher's mouth to the middle between the gates
latitude = "50 deg"
altitude = "100 m"
temperature = "18 degC"
pressure = "1005 hPa"
humidity = "60 %"

# [calibration.clock]          # chrono calibrate writes this; it replaces a tolerance
# value = "-120 ppm"           # relative error of the frequency
# u = "4 ppm"                  # its standard uncertainty
# dof = 30                     # its degrees of freedom
# date = "2025-01-31"
# evidence = "how it was found"
#
# [calibration.latency]        # delay of gate B minus delay of gate A
# value = "0.3 us"
# u = "0.05 us"
#
# [calibration.spacing]
# value = "300.2 mm"
# u = "0.1 mm"
# covers_trip = true           # measured with the gates, so it includes where they trip
"""
