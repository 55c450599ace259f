"""The commands `calibrate …` measure values of the rig and write them to the rig file."""

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
    Find the counter's rate from the regular beats in a recording.

    Keep the board connected for ten minutes or longer. You need no shots. The computer should
    set its clock with a time service.
    """
    from chrono.calibrating import calibration as calibrate

    _calibrated(calibrate.calibrate_clock(recording, rig_of(rig)), rig, dry, accept)


def calibrate_swap(
    before: Annotated[
        Path,
        typer.Argument(
            help="Recording of the shots before you exchange the sensors.", show_default=False
        ),
    ],
    after: Annotated[
        Path,
        typer.Argument(
            help="Recording of the shots after you exchange the sensors. You may give the "
            "same file twice.",
            show_default=False,
        ),
    ],
    rig: RigToWrite = None,
    before_setup: Annotated[
        str | None,
        typer.Option(
            help="In the first recording (before the exchange), use only the shots of "
            "this setup."
        ),
    ] = None,
    after_setup: Annotated[
        str | None,
        typer.Option(
            help="In the second recording (after the exchange), use only the shots of "
            "this setup."
        ),
    ] = None,
    left_exchanged: Annotated[
        bool,
        typer.Option(
            "--left-exchanged",
            help="Use this option if you leave the sensors exchanged after the calibration.",
        ),
    ] = False,
    slits_moved: Annotated[
        bool,
        typer.Option(
            "--slits-moved",
            help="Use this option if you exchanged the slits together with the sensors. "
            "The result then has a larger ±.",
        ),
    ] = False,
    accept: Accept = False,
    dry: Dry = False,
) -> None:
    """
    Find the difference of the gates' delays by exchanging the sensors.

    Make ten shots or more. Exchange the two sensors, but leave slits and lamps in place. Then
    make the same number of shots in the same way. After the last shot, put the sensors back in
    their old places. To try this calibration without gates, make one recording from the port
    virtual://swap-before and one recording from the port virtual://swap-after.
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
            help="Height of the ball's lowest point above the beam of gate A, at the "
            'moment when you release the ball, such as "500 mm".',
            show_default=False,
        ),
    ],
    height_tolerance: Annotated[
        str, typer.Option(help="Tolerance (±) of the height.")
    ] = "1 mm",
    setup: Annotated[str | None, typer.Option(help="Use only the shots of this setup.")] = None,
    rig: RigToWrite = None,
    accept: Accept = False,
    dry: Dry = False,
) -> None:
    """
    Find the effective spacing of the gates with falling balls.

    Mount gate A exactly above gate B: use a plumb line (a string with a weight). Drop a heavy
    ball from rest ten times from the same height. The rig file, or the setup of the drops, must
    describe this ball as the body. To try this calibration without gates, make a recording
    from the port virtual://drop-test, a fall from 500 mm.
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
        Path,
        typer.Argument(
            help="Recording in which the short rod passes the gates.", show_default=False
        ),
    ],
    long_recording: Annotated[
        Path,
        typer.Argument(
            help="Recording in which the long rod passes the gates. You may give the same "
            "file for both rods.",
            show_default=False,
        ),
    ],
    short: Annotated[
        str, typer.Option(help='Length of the short rod, such as "40 mm".', show_default=False)
    ],
    long: Annotated[
        str, typer.Option(help='Length of the long rod, such as "140 mm".', show_default=False)
    ],
    length_tolerance: Annotated[
        str, typer.Option(help="Tolerance (±) of the length of each rod.")
    ] = "0.05 mm",
    short_setup: Annotated[
        str | None,
        typer.Option(help="Use only the shots of this setup for the short rod."),
    ] = None,
    long_setup: Annotated[
        str | None,
        typer.Option(help="Use only the shots of this setup for the long rod."),
    ] = None,
    rig: RigToWrite = None,
    accept: Accept = False,
    dry: Dry = False,
) -> None:
    """
    Find the effective spacing of the gates with two rods.

    The rods must have flat ends and known lengths, and must be shorter than the spacing. Push
    or drop each rod ten times straight through both gates. Height, gravity and clock have no
    effect on the result. In the rig file, window.slowest must be below the speed of your hand.
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
    """Print the result of a calibration; write it to the rig file if it is not doubtful."""
    from chrono.calibrating.calibration import write_result
    from chrono.reports.calibration_text import (
        calibration_doubt,
        calibration_evidence,
        calibration_lines,
    )

    print("\n".join(calibration_lines(result)))
    doubt = calibration_doubt(result)
    if doubt and not accept:
        print(
            f"nothing was written: {doubt}; to write the result anyway, add --accept",
            file=sys.stderr,
        )
        raise typer.Exit(1)
    if rig is None or dry:
        reason = (
            "the option --dry-run only prints the result"
            if dry
            else "to write the result, add --rig with the name of the rig file"
        )
        print(f"nothing was written: {reason}", file=sys.stderr)
        return
    copy = write_result(result, rig, calibration_evidence(result))
    print(
        f"the result is now in {plain(str(rig))}; the old file was copied to "
        f"{plain(copy.name)}",
        file=sys.stderr,
    )
