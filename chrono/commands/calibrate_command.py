"""Calibrations, which put measured values into a rig file: clock, swap, drop, rods."""

import sys
from pathlib import Path
from typing import TYPE_CHECKING, Annotated

import typer

from chrono.commands.command_options import Accept, Dry, RecordingFile, RigToWrite, rig_of
from chrono.safe_text import plain

if TYPE_CHECKING:
    from chrono.calibrating.calibration import Calibration


def calibrate_clock(
    recording: RecordingFile,
    rig: RigToWrite = None,
    accept: Accept = False,
    dry: Dry = False,
) -> None:
    """
    Find the counter's rate from the beats of a recording.

    Keep the board connected for ten minutes or longer; you need no shots. A time service
    should keep the computer's clock right.
    """
    from chrono.calibrating import calibration as calibrate

    _calibrated(calibrate.calibrate_clock(recording, rig_of(rig)), rig, dry, accept)


def calibrate_swap(
    before: Annotated[
        Path, typer.Argument(help="The recording with the earlier shots.", show_default=False)
    ],
    after: Annotated[
        Path,
        typer.Argument(
            help="Recording of the shots after; it may be the same file.", show_default=False
        ),
    ],
    rig: RigToWrite = None,
    before_setup: Annotated[
        str | None, typer.Option(help="Before the exchange: use only the shots of this setup.")
    ] = None,
    after_setup: Annotated[
        str | None, typer.Option(help="After the exchange: use only the shots of this setup.")
    ] = None,
    left_exchanged: Annotated[
        bool,
        typer.Option(
            "--left-exchanged", help="The sensors stay exchanged; you do not put them back."
        ),
    ] = False,
    slits_moved: Annotated[
        bool,
        typer.Option(
            "--slits-moved", help="The slits moved with the sensors; this widens the ±."
        ),
    ] = False,
    accept: Accept = False,
    dry: Dry = False,
) -> None:
    """
    Find the difference of the gates' delays by exchanging the sensors.

    Take ten shots or more. Exchange the two sensors, but leave slits and lamps in place. Take
    as many shots again, launched in the same way. Then put the sensors back. To try this
    without gates, record virtual://swap-before and virtual://swap-after.
    """
    from chrono.calibrating import calibration as calibrate

    result = calibrate.calibrate_swap(
        before,
        after,
        rig_of(rig),
        setup_before=before_setup,
        setup_after=after_setup,
        left_exchanged=left_exchanged,
        slits_moved=slits_moved,
    )
    _calibrated(result, rig, dry, accept)


def calibrate_drop(
    recording: RecordingFile,
    height: Annotated[
        str,
        typer.Option(
            help="From gate A's beam up to the lower edge of the ball at its release, "
            'such as "500 mm".',
            show_default=False,
        ),
    ],
    height_tolerance: Annotated[str, typer.Option(help="± of this height.")] = "1 mm",
    setup: Annotated[str | None, typer.Option(help="Use only the shots of this setup.")] = None,
    rig: RigToWrite = None,
    accept: Accept = False,
    dry: Dry = False,
) -> None:
    """
    Find the effective spacing from balls dropped through the gates.

    Mount the gates one above the other along a plumb line, gate A on top. Drop a heavy ball
    from rest ten times from the same height. The rig file must describe this ball as the body.
    To try this without gates, record virtual://drop-test, a fall from 500 mm.
    """
    from chrono.calibrating import calibration as calibrate
    from chrono.units import parse_quantity

    height_m = parse_quantity(height, "m", "--height")
    tolerance_m = parse_quantity(height_tolerance, "m", "--height-tolerance")
    result = calibrate.calibrate_drop(
        recording, rig_of(rig), height_m, tolerance_m, setup=setup
    )
    _calibrated(result, rig, dry, accept)


def calibrate_rods(
    short_recording: Annotated[
        Path, typer.Argument(help="Recording of the short rod's passes.", show_default=False)
    ],
    long_recording: Annotated[
        Path,
        typer.Argument(
            help="Recording of the long rod's passes; it may be the same file.",
            show_default=False,
        ),
    ],
    short: Annotated[
        str, typer.Option(help='Length of the short rod, such as "40 mm".', show_default=False)
    ],
    long: Annotated[
        str, typer.Option(help='Length of the long rod, such as "140 mm".', show_default=False)
    ],
    length_tolerance: Annotated[str, typer.Option(help="± of each length.")] = "0.05 mm",
    short_setup: Annotated[
        str | None, typer.Option(help="Short rod: use only the shots of this setup.")
    ] = None,
    long_setup: Annotated[
        str | None, typer.Option(help="Long rod: use only the shots of this setup.")
    ] = None,
    rig: RigToWrite = None,
    accept: Accept = False,
    dry: Dry = False,
) -> None:
    """
    Find the effective spacing from two flat-ended rods of known lengths.

    Push or drop each rod ten times straight through both gates. Height, gravity and clock do
    not matter. The rods must be shorter than the spacing. In the rig, window.slowest must be
    below the speed of your hand.
    """
    from chrono.calibrating import calibration as calibrate
    from chrono.units import parse_quantity

    result = calibrate.calibrate_rods(
        calibrate.Rod(short_recording, parse_quantity(short, "m", "--short"), short_setup),
        calibrate.Rod(long_recording, parse_quantity(long, "m", "--long"), long_setup),
        rig_of(rig),
        parse_quantity(length_tolerance, "m", "--length-tolerance"),
    )
    _calibrated(result, rig, dry, accept)


def _calibrated(result: "Calibration", rig: Path | None, dry: bool, accept: bool) -> None:
    """Print a calibration's result and write it to the rig file, unless it is in doubt."""
    from chrono.calibrating.calibration import write_result
    from chrono.reports.calibration_text import (
        calibration_doubt,
        calibration_evidence,
        calibration_lines,
    )

    print("\n".join(calibration_lines(result)))
    doubt = calibration_doubt(result)
    if doubt and not accept:
        print(f"nothing written: {doubt}; --accept writes it anyway", file=sys.stderr)
        raise typer.Exit(1)
    if rig is None or dry:
        reason = "this is a dry run" if dry else "name the rig file with --rig"
        print(f"nothing written: {reason}", file=sys.stderr)
        return
    copy = write_result(result, rig, calibration_evidence(result))
    print(
        f"{plain(str(rig))} now contains it; {plain(copy.name)} is a copy of the old file",
        file=sys.stderr,
    )
