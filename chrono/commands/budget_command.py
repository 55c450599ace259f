"""The commands `budget` and `plan`: compute the error of a speed before the first shot."""

from pathlib import Path
from typing import Annotated

import typer

from chrono.commands.command_options import AsJson, Speed, part_of, print_json, rig_of, speed_of


def budget(
    rig: Annotated[Path, typer.Option(help="The rig file.", show_default=False)],
    speed: Speed,
    as_json: AsJson = False,
) -> None:
    """
    Show how much each error adds to the uncertainty of a speed.

    Each line shows an input, its value in the rig and the distribution of its error. In a
    rectangular distribution, all values within the ± are equally likely. In a normal
    distribution, u is the standard uncertainty. "tilt" means that all angles up to the limit
    are possible. "triangular" is the error that the counter's step causes in one transit.
    "two-pair" is the error that the counter's step causes in the mean of two transits. U95 is
    the half-width of the 95 % interval.
    """
    from chrono.measuring.measurement_plan import budget_of_speed
    from chrono.reports.budget_text import budget_data, budget_text
    from chrono.rigs.rig_file import load_rig

    measured_with = load_rig(rig)
    found = budget_of_speed(measured_with, speed_of(speed, measured_with.speed_unit))
    if as_json:
        print_json(budget_data(found))
    else:
        print(budget_text(found))


def plan(
    speed: Speed,
    within: Annotated[
        str,
        typer.Option(
            help="The largest uncertainty (U95) that you allow, as a part of the speed, "
            'such as "0.5 %".',
            show_default=False,
        ),
    ],
    rig: Annotated[
        Path | None, typer.Option(help="Rig file to use instead of the default rig.")
    ] = None,
    as_json: AsJson = False,
) -> None:
    """
    Show which gates, ticks and clocks give a small enough error.

    The table shows U95 as a percentage of the speed. All values except spacing, counter step
    and clock come from the rig.
    """
    from chrono.measuring.measurement_plan import plan_for
    from chrono.reports.budget_text import plan_data, plan_text
    from chrono.rigs.rig_file import default_rig

    judged = rig_of(rig) or default_rig()
    found = plan_for(judged, speed_of(speed, judged.speed_unit), part_of(within))
    if as_json:
        print_json(plan_data(found))
    else:
        print(plan_text(found))
