"""A plan of gates, ticks and clocks as text for a terminal, and as an object for JSON."""

from textwrap import wrap
from typing import Any

from chrono.measuring.plan import (
    CLOCKS,
    SPACINGS_M,
    TICKS_S,
    Curve,
    Option,
    error_curve,
    highest_speed,
    leading_group,
    plan_options,
    round_values,
)
from chrono.measuring.speed import SpeedModel
from chrono.plain import plain
from chrono.reports.budget import edges_timed, tick_text, window_lines
from chrono.rigs.file import Rig
from chrono.units import speed_in

BAR_CELLS = 48
COLUMNS = 80
STRETCH = 10
"""The curve goes beyond the rig's fastest by no more than this: nobody clocks that."""


def plan_text(rig: Rig, speed_mps: float, within: float) -> str:
    """
    Return which rigs clock a speed within a relative U95, as plain text within 80 columns.

    Parameters
    ----------
    rig : Rig
        Gives the tolerances that stay as they are, and is judged itself.
    speed_mps : float
        Speed to be clocked [m/s].
    within : float
        Wanted U95 over the speed, 0 … 1.

    Raises
    ------
    OptionError
        The wanted error is not between 0 and 1.
    """
    model = SpeedModel.from_rig(rig)
    options = plan_options(model, speed_mps, within, edges_timed(rig))
    unit = rig.speed_unit
    return "\n".join(
        [
            f"To clock {speed_in(unit, speed_mps):.4g} {unit} within {100 * within:g} % (U95):",
            "",
            *_option_lines(options),
            "",
            f"+ reaches it, with the other tolerances as in {plain(rig.name)}.",
            _clock_line(),
            "",
            *_rig_lines(rig, model, speed_mps, within),
            *window_lines(rig, speed_mps),
            "",
            *_curve_lines(_curve(rig, model, within), within, unit),
        ]
    )


def plan_data(rig: Rig, speed_mps: float, within: float) -> dict[str, Any]:
    """Return what `plan_text` shows as an object for JSON, in SI units."""
    model, edges = SpeedModel.from_rig(rig), edges_timed(rig)
    curve = _curve(rig, model, within)
    return {
        "speed_mps": speed_mps,
        "within": within,
        "options": [vars(option) for option in plan_options(model, speed_mps, within, edges)],
        "rig": {
            "name": rig.name,
            "U95_relative": model.U95(speed_mps, edges) / speed_mps,
            "highest_speed_mps": highest_speed(model, within, edges),
        },
        "curve": {
            "speed_mps": curve.speed_mps.tolist(),
            "U95_relative": curve.U95_relative.tolist(),
        },
    }


def _option_lines(options: tuple[Option, ...]) -> list[str]:
    by_choice = {(o.clock, o.spacing_m, o.tick_s): o for o in options}
    ticks = "".join(f"{tick_text(tick):>10}  " for tick in TICKS_S)
    lines = [
        f"{'':<17}   U95 if timestamps come in steps of",
        f"{'clock':<9}{'spacing':>8}{ticks}   largest share at {tick_text(TICKS_S[0])}",
    ]
    for clock in CLOCKS:
        for spacing_m in SPACINGS_M:
            row = [by_choice[clock, spacing_m, tick] for tick in TICKS_S]
            cells = "".join(f"{_option_cell(option):>12}" for option in row)
            lead = f"{row[0].leading}, {100 * row[0].leading_share:.0f} %"
            lines.append(f"{clock:<9}{f'{spacing_m * 1e3:g} mm':>8}{cells}   {lead}")
    return lines


def _option_cell(option: Option) -> str:
    return f"{_percent(option.U95_relative)} {'+' if option.reaches else ' '}"


def _clock_line() -> str:
    kinds = " and ".join(f"{name} ± {1e6 * part:g} ppm" for name, part in CLOCKS.items())
    return f"Clocks: {kinds}, not measured."


def _rig_lines(rig: Rig, model: SpeedModel, speed_mps: float, within: float) -> list[str]:
    unit, edges, goal = rig.speed_unit, edges_timed(rig), f"{100 * within:g} %"
    reached = _percent(model.U95(speed_mps, edges) / speed_mps)
    leading, share = leading_group(model, speed_mps, edges)
    highest = highest_speed(model, within, edges)
    if highest is None:
        reach = f"Its lengths and clock alone exceed {goal}, at any speed."
    elif highest >= rig.window.fastest_mps:
        ends = [speed_in(unit, v) for v in (rig.window.slowest_mps, rig.window.fastest_mps)]
        reach = (
            f"It keeps {goal} in all of its window, {ends[0]:.4g} … {ends[1]:.4g} {unit}, "
            f"and would up to {speed_in(unit, highest):.4g} {unit}."
        )
    else:
        reach = f"It keeps {goal} up to {speed_in(unit, highest):.4g} {unit}."
    return [
        f"{plain(rig.name)} ({model.spacing_m * 1e3:g} mm, steps of {tick_text(model.tick_s)}) "
        f"reaches {reached};",
        f"the largest share of the variance, {100 * share:.0f} %, is {leading}.",
        *wrap(reach, COLUMNS),
    ]


def _curve(rig: Rig, model: SpeedModel, within: float) -> Curve:
    """Return the curve over the rig's window, stretched to where the wanted error is met."""
    window, unit = rig.window, rig.speed_unit
    met = min(
        highest_speed(model, within, edges_timed(rig)) or 0.0, STRETCH * window.fastest_mps
    )
    ends = [speed_in(unit, v) for v in (window.slowest_mps, max(window.fastest_mps, met))]
    return error_curve(model, round_values(*ends) / speed_in(unit, 1.0), edges_timed(rig))


def _curve_lines(curve: Curve, within: float, unit: str) -> list[str]:
    """Draw U95 over speed as bars; `|` marks what is wanted."""
    largest = max(float(curve.U95_relative.max()), within)
    mark = round(within / largest * (BAR_CELLS - 1))
    lines = [f"{'speed':>10} {unit:<5}{'U95':>9}"]
    for speed_mps, relative in zip(curve.speed_mps, curve.U95_relative, strict=True):
        bar = list(("█" * round(relative / largest * BAR_CELLS)).ljust(BAR_CELLS))
        bar[mark] = "|"
        speed = f"{speed_in(unit, speed_mps):>10.4g}      "
        lines.append(f"{speed}{_percent(relative):>9}  {''.join(bar)}".rstrip())
    return lines


def _percent(ratio: float) -> str:
    return f"{100 * ratio:#.2g}".rstrip(".") + " %"
