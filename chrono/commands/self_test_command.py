"""The self-test of `check`: the board sends pulses to its inputs or sensors."""

import sys
from datetime import date
from pathlib import Path

import typer

from chrono.calibrating.calibration import rig_changes
from chrono.calibrating.pulse_lines import read_pulse_lines
from chrono.calibrating.pulses import PulseTest, delay_of, pulse_test
from chrono.commands.command_options import print_json, rig_of
from chrono.errors import OptionError
from chrono.reports.self_test_text import (
    pulse_data,
    pulse_doubt,
    pulse_evidence,
    pulse_report,
)
from chrono.rigs.rig_file import update_rig
from chrono.safe_text import plain
from chrono.season.recording_finder import may_be_recordings


def refuse_without(self_test: bool) -> None:
    """Raise an error if the user gives ``--light`` without ``--self-test``."""
    if not self_test:
        raise OptionError(
            "--light works only with --self-test", where="--light", hint="add --self-test"
        )


def check_inputs(
    targets: list[str],
    rig: Path | None,
    light: bool,
    seconds: float,
    baud: int,
    as_json: bool,
) -> None:
    """Start a board's self-test, print the result, and write it to the rig file if wanted."""
    if len(targets) > 1 or may_be_recordings(targets[0]):
        raise OptionError(
            "a self-test works only with one port, not with recordings",
            where="--self-test",
            hint="name the board's port",
        )
    rig_of(rig)  # report a wrong rig file before the test
    print(
        f"testing the board at {plain(targets[0])}; the test of the board's clock "
        f"takes {seconds:g} s",
        file=sys.stderr,
    )
    test = pulse_test(*read_pulse_lines(targets[0], baud, seconds))
    doubt = pulse_doubt(test, light=light)
    if as_json:
        print_json(pulse_data(test, doubt))
    else:
        print("\n".join(pulse_report(test, light=light)))
    if doubt:
        print(f"nothing was written: {doubt}" if rig else doubt, file=sys.stderr)
        raise typer.Exit(1)
    if rig:
        _write(test, rig, light)


def _write(test: PulseTest, rig: Path, light: bool) -> None:
    if not light:
        print(
            "nothing was written: only a test with --light measures the sensors",
            file=sys.stderr,
        )
        return
    day = date.today().isoformat()
    copy = update_rig(rig, rig_changes(delay_of(test), pulse_evidence(test), day))
    print(
        f"the result is now in {plain(str(rig))}; the old file was copied to "
        f"{plain(copy.name)}",
        file=sys.stderr,
    )
