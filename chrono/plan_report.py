"""A plan of gates, ticks and clocks as text for a terminal, and as an object for JSON."""

from typing import Any

from chrono.plain import plain
from chrono.processor.plan import (
    CLOCKS,
    SPACINGS_M,
    TICKS_S,
    Curve,
    Option,
    error_curve,
    highest_speed,
    plan_options,
)
from chrono.processor.speed import SpeedModel
from chrono.rig import Rig
from chrono.units import speed_in

BAR_CELLS = 48
CURVE_POINTS = 12


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
    options = plan_options(model, speed_mps, within)
    unit = rig.speed_unit
    return "\n".join(
        [
            f"To clock {speed_in(unit, speed_mps):.4g} {unit} within {100 * within:g} % (U95):",
            "",
            *_option_lines(options),
            "",
            f"+ reaches it, with the other tolerances as in {plain(rig.name)}.",
            "",
            *_rig_lines(rig, model, speed_mps, within),
            "",
            *_curve_lines(_curve(rig, model, within), within, unit),
        ]
    )


def plan_data(rig: Rig, speed_mps: float, within: float) -> dict[str, Any]:
    """Return what `plan_text` shows as an object for JSON, in SI units."""
    model = SpeedModel.from_rig(rig)
    curve = _curve(rig, model, within)
    return {
        "speed_mps": speed_mps,
        "within": within,
        "options": [vars(option) for option in plan_options(model, speed_mps, within)],
        "rig": {
            "name": rig.name,
            "U95_relative": model.U95(speed_mps) / speed_mps,
            "highest_speed_mps": highest_speed(model, within),
        },
        "curve": {
            "speed_mps": curve.speed_mps.tolist(),
            "U95_relative": curve.U95_relative.tolist(),
        },
    }


def _option_lines(options: tuple[Option, ...]) -> list[str]:
    by_choice = {(o.clock, o.spacing_m, o.tick_s): o for o in options}
    ticks = "".join(f"{_tick(tick):>12}" for tick in TICKS_S)
    lines = [f"{'clock':<9}{'spacing':>8}{ticks}   largest share"]
    for clock in CLOCKS:
        for spacing_m in SPACINGS_M:
            row = [by_choice[clock, spacing_m, tick] for tick in TICKS_S]
            cells = "".join(f"{_option_cell(option):>12}" for option in row)
            lead = f"{row[0].leading}, {100 * row[0].leading_share:.0f} %"
            lines.append(f"{clock:<9}{f'{spacing_m * 1e3:g} mm':>8}{cells}   {lead}")
    return lines


def _tick(tick_s: float) -> str:
    return f"{tick_s * 1e9:g} ns" if tick_s < 1e-6 else f"{tick_s * 1e6:g} us"


def _option_cell(option: Option) -> str:
    return f"{_percent(option.U95_relative)} {'+' if option.reaches else ' '}"


def _rig_lines(rig: Rig, model: SpeedModel, speed_mps: float, within: float) -> list[str]:
    unit = rig.speed_unit
    reached = _percent(model.U95(speed_mps) / speed_mps)
    highest = highest_speed(model, within)
    if highest is None:
        reach = f"its lengths and clock alone exceed {100 * within:g} %, at any speed"
    else:
        reach = f"{100 * within:g} % is kept up to {speed_in(unit, highest):.4g} {unit}"
    return [f"{plain(rig.name)} ({model.spacing_m * 1e3:g} mm): {reached} there;", f"{reach}."]


def _curve(rig: Rig, model: SpeedModel, within: float) -> Curve:
    """Return the curve over the rig's window, stretched to the highest speed it can clock."""
    fastest = max(rig.window.fastest_mps, highest_speed(model, within) or 0.0)
    return error_curve(model, rig.window.slowest_mps, fastest, CURVE_POINTS)


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
