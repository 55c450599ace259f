"""A plan of gates, ticks and clocks as text for a terminal, and as an object for JSON."""

from textwrap import wrap
from typing import Any

from chrono.measuring.measurement_plan import (
    CLOCKS,
    SPACINGS_M,
    TICKS_S,
    ErrorCurve,
    Plan,
    PlanOption,
)
from chrono.reports.budget_text import tick_text, window_lines
from chrono.safe_text import plain
from chrono.units import speed_in

BAR_CELLS = 48
COLUMNS = 80


def plan_text(plan: Plan) -> str:
    """Return which rigs clock a speed as wanted, as plain text within 80 columns."""
    rig, unit = plan.rig, plan.rig.speed_unit
    return "\n".join(
        [
            f"To clock {speed_in(unit, plan.speed_mps):.4g} {unit} "
            f"within {100 * plan.within:g} % (U95):",
            "",
            *_option_lines(plan.options),
            "",
            f"+ reaches it, with the other tolerances as in {plain(rig.name)}.",
            _clock_line(),
            "",
            *_rig_lines(plan),
            *window_lines(rig, plan.speed_mps),
            "",
            *_curve_lines(plan.curve, plan.within, unit),
        ]
    )


def plan_data(plan: Plan) -> dict[str, Any]:
    """Return what `plan_text` shows as an object for JSON, in SI units."""
    return {
        "speed_mps": plan.speed_mps,
        "within": plan.within,
        "options": [vars(option) for option in plan.options],
        "rig": {
            "name": plan.rig.name,
            "U95_relative": plan.U95_relative,
            "highest_speed_mps": plan.highest_mps,
        },
        "curve": {
            "speed_mps": plan.curve.speed_mps.tolist(),
            "U95_relative": plan.curve.U95_relative.tolist(),
        },
    }


def _option_lines(options: tuple[PlanOption, ...]) -> list[str]:
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


def _option_cell(option: PlanOption) -> str:
    return f"{_percent(option.U95_relative)} {'+' if option.reaches else ' '}"


def _clock_line() -> str:
    kinds = " and ".join(f"{name} ± {1e6 * part:g} ppm" for name, part in CLOCKS.items())
    return f"Clocks: {kinds}, not measured."


def _rig_lines(plan: Plan) -> list[str]:
    rig, model, highest = plan.rig, plan.model, plan.highest_mps
    unit, goal = rig.speed_unit, f"{100 * plan.within:g} %"
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
        f"reaches {_percent(plan.U95_relative)};",
        f"the largest share of the variance, {100 * plan.leading_share:.0f} %, "
        f"is {plan.leading}.",
        *wrap(reach, COLUMNS),
    ]


def _curve_lines(curve: ErrorCurve, within: float, unit: str) -> list[str]:
    """Draw U95 over speed as bars; `|` marks what is wanted."""
    largest = max(float(curve.U95_relative.max()), within)
    mark = round(within / largest * (BAR_CELLS - 1))
    lines = [f"{'speed':>10} {unit:<5}{'U95':>9}  | is {100 * within:g} %"]
    for speed_mps, relative in zip(curve.speed_mps, curve.U95_relative, strict=True):
        bar = list(("█" * round(relative / largest * BAR_CELLS)).ljust(BAR_CELLS))
        bar[mark] = "|"
        speed = f"{speed_in(unit, speed_mps):>10.4g}      "
        lines.append(f"{speed}{_percent(relative):>9}  {''.join(bar)}".rstrip())
    return lines


def _percent(ratio: float) -> str:
    return f"{100 * ratio:#.2g}".rstrip(".") + " %"
