"""The command `whatif`: measure a recording again with an assumed rig."""

from enum import StrEnum
from typing import TYPE_CHECKING, Annotated

import typer

from chrono.commands.command_options import (
    AsJson,
    HostClock,
    OtherRig,
    RecordingFile,
    end,
    print_json,
    read_one,
)
from chrono.commands.output_streams import text_columns
from chrono.errors import OptionError

if TYPE_CHECKING:
    from chrono.session.speed_models import Assumptions

LONGEST_STEP_S = 0.1
"""Longest step of a counter that a rig file may have [s]."""


class EdgePair(StrEnum):
    """The pair of edges that gives the transit: both leading edges or both trailing edges."""

    LEADING = "leading"
    TRAILING = "trailing"


def whatif(
    file: RecordingFile,
    tick: Annotated[
        str | None,
        typer.Option(
            "--as-if-tick",
            help='Assume a counter with longer steps (ticks), such as "4 us".',
        ),
    ] = None,
    phase: Annotated[
        float,
        typer.Option(
            help="Let the ticks of the assumed counter start later, by this part of one tick "
            "(at least 0, less than 1)."
        ),
    ] = 0.0,
    spacing: Annotated[
        str | None,
        typer.Option(
            "--as-if-spacing", help='Assume this wrong spacing of the gates, such as "305 mm".'
        ),
    ] = None,
    clock: Annotated[
        str | None,
        typer.Option(
            "--as-if-clock",
            help='Assume that the counter\'s rate has this error. For example, "+500 ppm" '
            "means that the counter is too fast.",
        ),
    ] = None,
    edges: Annotated[
        EdgePair | None,
        typer.Option(
            "--as-if-edges",
            help="Use only the two leading edges, or only the two trailing edges.",
        ),
    ] = None,
    short: Annotated[
        bool,
        typer.Option(
            "--short",
            help="Show a short result for a projector: only the setups and two histograms.",
        ),
    ] = False,
    rig: OtherRig = None,
    clock_from_host: HostClock = False,
    as_json: AsJson = False,
) -> None:
    """
    Show how the speeds would change with another rig.

    The command measures the recorded lines a second time, with a counter of longer steps or
    another rig. You may use several --as-if options together. The recording stays unchanged.
    """
    from chrono.reports.what_if_text import what_if_data, what_if_short, what_if_text
    from chrono.teaching.what_if import what_if

    if short and as_json:
        raise OptionError(
            "--short and --json cannot be used together",
            where="--short",
            hint="leave out --short or --json",
        )
    as_if = _supposed(tick, phase, spacing, clock, edges)
    recorded, findings = read_one(file, rig, clock_from_host)
    found = what_if(recorded, as_if)
    if not found.compared.any():
        findings.lines.append(
            f"{file}: no shot is counted in both cases (as recorded, and as assumed)"
        )
    if as_json:
        print_json(what_if_data(found))
    else:
        print((what_if_short if short else what_if_text)(found, text_columns()))
    end(findings)


def _supposed(
    tick: str | None,
    phase: float,
    spacing: str | None,
    clock: str | None,
    edges: EdgePair | None,
) -> "Assumptions":
    """Return the assumptions about the rig that the user gave."""
    from chrono.processor.shot_records import EdgesUsed
    from chrono.session.speed_models import Assumptions
    from chrono.teaching.what_if import PAIRS
    from chrono.units import parse_quantity

    if not (tick or spacing or clock or edges):
        raise OptionError(
            "an assumption is missing",
            hint="give at least one of these options: --as-if-tick, --as-if-spacing, "
            "--as-if-clock or --as-if-edges",
        )
    if phase and not tick:
        raise OptionError(
            "this option works only together with --as-if-tick",
            where="--phase",
            hint="give --as-if-tick too",
        )
    if not 0 <= phase < 1:
        raise OptionError(
            f"the start of the ticks cannot be moved by this part of one tick: {phase:g}",
            where="--phase",
            hint="give a number that is at least 0 and less than 1",
        )
    return Assumptions(
        _step_of(tick) if tick else None,
        phase,
        parse_quantity(spacing, "m", "--as-if-spacing") if spacing else None,
        _error_of(clock) if clock else 0.0,
        PAIRS[edges] if edges else EdgesUsed.BOTH,
    )


def _step_of(text: str) -> float:
    from chrono.units import parse_quantity

    step_s = parse_quantity(text, "s", "--as-if-tick")
    if not 0 < step_s <= LONGEST_STEP_S:
        raise OptionError(
            f"a counter cannot have steps of this length: {text.strip()}",
            where="--as-if-tick",
            hint="give a time above 0 and up to 0.1 s",
        )
    return step_s


def _error_of(text: str) -> float:
    """Convert a text with a unit to the relative error of a counter."""
    from chrono.units import parse_quantity

    error = parse_quantity(text, "", "--as-if-clock")
    if text.strip()[-1:].isdigit() or not 0 < abs(error) <= 0.2:
        raise OptionError(
            f"this error of a counter's rate is not possible: {text.strip()}",
            where="--as-if-clock",
            hint='give an error of at most 20 % with its unit, such as "+500 ppm"',
        )
    return error
