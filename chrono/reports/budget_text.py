"""Write error budgets, advice and plans for a rig, as text and as objects for JSON."""

import math
from textwrap import wrap
from typing import Any

from chrono.measuring.error_budget import Budget, Contribution
from chrono.measuring.improvements import Advice, Improvement, Way
from chrono.measuring.measurement_plan import (
    CLOCKS,
    DIGITS,
    SPACINGS_M,
    TICKS_S,
    ErrorCurve,
    Plan,
    PlanOption,
    SpeedBudget,
)
from chrono.measuring.monte_carlo import MonteCarlo, validate
from chrono.processor.shot_records import EdgesUsed
from chrono.reports.setup_words import two_digits
from chrono.rigs.rig_model import Rig
from chrono.safe_text import plain
from chrono.units import format_value, speed_in, to_digits

WAYS = {
    Way.STEEL_RULE: "measure the gate spacing with a steel rule, ± {mm:g} mm",
    Way.RULE_AND_LENS: "measure the gate spacing with a steel rule and a lens, ± {mm:g} mm",
    Way.CALLIPER: "measure the gate spacing with a calliper, ± {mm:g} mm",
    Way.SPACER: "measure the gate spacing with an exact metal spacer, ± {mm:g} mm",
    Way.DROP_AGAIN: "drop a ball from a larger, better measured height: chrono calibrate drop",
    Way.FARTHER_GATES: "place the gates {mm:g} mm apart",
    Way.SHARPER_BEAMS: "use slits for narrow beams: trip position exact to ± {mm:.2g} mm",
    Way.STRAIGHTER_PATH: "align gates and launcher to within {degrees:.2g}°",
    Way.TRUER_AIM: "aim at most {mm:.2g} mm off the beams' middle; set off_centre in the rig",
    Way.BOTH_PAIRS: "let the board send trailing edges too: drag then causes no error",
    Way.HEAVIER_BODY: "use a heavier body or closer gates: the air slows the body less",
    Way.KNOWN_SLOPE: "measure the path's slope; set slope and slope_tolerance in the rig",
    Way.FASTER_BODY: "use a faster body: it gains less speed between the gates",
    Way.CRYSTAL_OR_BEATS: "use a crystal, or measure the clock: chrono calibrate clock",
    Way.BEATS: "measure the board's clock: chrono calibrate clock",
    Way.CRYSTAL: "use a board whose clock has a quartz crystal",
    Way.STANDARD: "compare the counter with a very accurate clock",
    Way.EXCHANGE: "exchange the sensors to measure their delays: chrono calibrate swap",
    Way.INPUT_CAPTURE: "use the board's timer (input capture): ticks of 62.5 ns",
    Way.LESS_JITTER: "halve the jitter with a comparator or a faster sensor",
}


def advice_text(advice: Advice) -> str:
    """Return in words one thing that the user can do to make the uncertainty smaller."""
    degrees, mm = math.degrees(advice.reach), advice.reach * 1e3
    return WAYS[advice.way].format(mm=mm, degrees=degrees)


BAR_CELLS = 6
MANY_DOF = 1000
"""From this many degrees of freedom on, ∞ is shown. Student's t is then within 0.1 % of the
factor of the normal distribution."""

_SHOWN_UNITS = {
    "m": ((1e-3, "mm"),),
    "s": ((1e-3, "ms"), (1e-6, "us"), (1e-9, "ns")),
    "": ((1e-2, "%"), (1e-6, "ppm")),
}
"""Units in which inputs are shown. The key is the SI unit; the largest unit comes first."""


def budget_text(found: SpeedBudget) -> str:
    """Return the error budget of a speed as plain text of at most 80 columns."""
    budget, unit = found.budget, found.rig.speed_unit
    lines = [
        _title(found),
        "",
        *_table(budget, unit),
        "",
        *_result_lines(budget, unit),
        *_trial_lines(budget, found.trials, unit),
        "",
        *_advice_lines(budget, found.improvements, unit),
        *window_lines(found.rig, found.speed_mps),
    ]
    return "\n".join(lines)


def budget_data(found: SpeedBudget) -> dict[str, Any]:
    """Return the values that `budget_text` shows, as an object for JSON in SI units."""
    budget = found.budget
    return {
        "rig": found.rig.name,
        "speed_mps": budget.speed_mps,
        "transit_s": found.transit_s,
        "edges_used": found.edges_used.name.lower(),
        "contributions": [_contribution_data(budget, c) for c in budget.contributions],
        "u_mps": budget.u_mps,
        "u_random_mps": budget.u_random_mps,
        "u_shared_mps": budget.u_shared_mps,
        "effective_dof": _finite(budget.dof),
        "k": _finite(budget.k),
        "U95_mps": budget.U95_mps,
        "U95_first_order_mps": budget.U95_first_order_mps,
        "one_tick_limits_mps": [budget.lowest_mps, _finite(budget.highest_mps)],
        "monte_carlo": _trials_data(budget, found.trials),
        "improvements": [_improvement_data(i) for i in found.improvements],
    }


def window_lines(rig: Rig, speed_mps: float) -> list[str]:
    """Return a warning if the rig does not allow this speed; otherwise, return no lines."""
    window, unit = rig.window, rig.speed_unit
    if window.slowest_mps <= speed_mps <= window.fastest_mps:
        return []
    ends = [speed_in(unit, v) for v in (window.slowest_mps, window.fastest_mps)]
    flag = "too-slow" if speed_mps < window.slowest_mps else "too-fast"
    return [
        "",
        f"A shot with this speed gets the flag {flag} and is not counted:",
        f"the rig's window allows speeds of {ends[0]:.4g} … {ends[1]:.4g} {unit}.",
    ]


def _title(found: SpeedBudget) -> str:
    rig, budget, model = found.rig, found.budget, found.model
    unit = rig.speed_unit
    speed = format_value(speed_in(unit, budget.speed_mps), _U95(budget, unit))
    return (
        f"Error budget of {speed} {unit} with {plain(rig.name)}\n"
        f"{model.spacing_m * 1e3:.6g} mm in {to_digits(found.transit_s * 1e6, 6)} us, "
        f"{to_digits(found.transit_s / model.tick_s, 6)} ticks of {tick_text(model.tick_s)}, "
        f"{'two pairs' if found.edges_used == EdgesUsed.BOTH else 'one pair'} of edges"
    )


def tick_text(tick_s: float) -> str:
    """Return the duration of a tick as text in a suitable unit, such as ``62.5 ns``."""
    scale, unit = next(u for u in _SHOWN_UNITS["s"] if tick_s >= 0.999 * u[0] or u[1] == "ns")
    return f"{tick_s / scale:.4g} {unit}"


def _table(budget: Budget, unit: str) -> list[str]:
    header = _row("input", "stated", "distribution", "sensitivity", f"u [{unit}]", "share", "")
    rows = [_contribution_row(budget, c, unit) for c in budget.noticeable]
    sums = [
        _row(
            name,
            "",
            "",
            "",
            two_digits(speed_in(unit, u)),
            _percent((u / budget.u_mps) ** 2),
            "",
        )
        for name, u in (
            ("random part", budget.u_random_mps),
            ("shared part", budget.u_shared_mps),
            ("combined", budget.u_mps),
        )
    ]
    return [header, "─" * 80, *rows, "─" * 80, *sums]


def _contribution_row(budget: Budget, contribution: Contribution, unit: str) -> str:
    scale, shown = _shown_unit(contribution)
    share = budget.share(contribution)
    return _row(
        contribution.name,
        stated_text(contribution),
        contribution.input.distribution,
        f"{speed_in(unit, abs(contribution.sensitivity)) * scale:.3g}/{shown}",
        two_digits(speed_in(unit, contribution.u_out)),
        _percent(share),
        "█" * round(share * BAR_CELLS),
    )


def stated_text(contribution: Contribution) -> str:
    """
    Return the half-width of an input as text, such as ``± 0.5 mm``.

    If the half-width is infinite, return the standard uncertainty u of the input.
    """
    quantity = contribution.input
    if quantity.distribution == "tilt":
        return f"0…{math.degrees(quantity.half_width):.3g}°"
    scale, shown = _shown_unit(contribution)
    if math.isinf(quantity.half_width):
        return f"u {quantity.u / scale:.3g} {shown}"
    return f"± {quantity.half_width / scale:.4g} {shown}"


def _shown_unit(contribution: Contribution) -> tuple[float, str]:
    """Choose a unit in which an input is at least 0.1; return its scale and name."""
    quantity = contribution.input
    units = _SHOWN_UNITS[quantity.unit]
    if quantity.distribution == "tilt":
        return units[0]
    size = quantity.u if math.isinf(quantity.half_width) else quantity.half_width
    return next((unit for unit in units if size >= 0.999 * unit[0] / 10), units[-1])


def _row(*cells: str) -> str:
    widths = (20, -10, 11, -12, -8, -7, BAR_CELLS)
    parts = [
        f"{text:>{-width}}" if width < 0 else f"{text:<{width}}"
        for text, width in zip(cells, widths, strict=True)
    ]
    return " ".join(parts).rstrip()


def _percent(share: float) -> str:
    return f"{100 * share:.1f} %"


def _U95(budget: Budget, unit: str) -> float:  # noqa: N802
    return speed_in(unit, budget.U95_mps)


def _result_lines(budget: Budget, unit: str) -> list[str]:
    U95 = _U95(budget, unit)  # noqa: N806
    first = speed_in(unit, budget.U95_first_order_mps)
    dof = "∞" if budget.dof > MANY_DOF else f"{budget.dof:.3g}"
    limits = [speed_in(unit, v) for v in (budget.lowest_mps, budget.highest_mps)]
    low, high = (f"{limit:.7g}" if math.isfinite(limit) else "∞" for limit in limits)
    return [
        f"U95            {two_digits(U95)} {unit} "
        f"({two_digits(100 * budget.U95_mps / budget.speed_mps)} %), "
        f"k = {budget.k:.3f}, from all errors together",
        f"simple formula {two_digits(first)} {unit} "
        f"(with Student's t for {dof} degrees of freedom)",
        f"only the tick  {low} … {high} {unit}, if nothing else causes an error",
    ]


def _trial_lines(budget: Budget, trials: MonteCarlo, unit: str) -> list[str]:
    low, high = (
        format_value(speed_in(unit, end), _U95(budget, unit) / 10)
        for end in (trials.low, trials.high)
    )
    settled = "" if trials.settled else ", not yet stable"
    return [
        f"random trials  95 % of {trials.trials} speeds are {low} … {high} {unit}{settled}",
        f"the trials     agree to {DIGITS} digits with {_confirmed(budget, trials)}",
    ]


def _confirmed(budget: Budget, trials: MonteCarlo) -> str:
    gap = budget.U95_first_order_mps / budget.U95_mps - 1
    wider = "more" if gap > 0 else "less"
    ours = validate(budget.speed_mps, budget.U95_mps, trials, DIGITS).agrees
    first = validate(budget.speed_mps, budget.U95_first_order_mps, trials, DIGITS).agrees
    return {
        (True, True): "U95 and also with the simple formula's ±",
        (True, False): f"U95; the simple formula gives {_percent(abs(gap))} {wider}",
        (False, True): "the simple formula's ±, but not with U95",
        (False, False): "neither U95 nor the simple formula's ±",
    }[ours, first]


def _advice_lines(budget: Budget, found: tuple[Improvement, ...], unit: str) -> list[str]:
    first = found[0] if found else None
    if first is None or first.U95_halved_mps > 0.98 * budget.U95_mps:
        return ["Even if you halve one input's uncertainty, U95 becomes at most 2 % smaller."]
    halved = two_digits(speed_in(unit, first.U95_halved_mps))
    helping = sorted((i for i in found if i.U95_mps < 0.98 * budget.U95_mps), key=_result)[:3]
    return [
        f"Improve {first.group} first: if you halve its u, U95 becomes {halved} {unit}.",
        "Possible changes, with the U95 after each change:",
        *(
            f"  {two_digits(speed_in(unit, i.U95_mps))} {unit}  {advice_text(i.advice)}"
            for i in helping
        ),
    ]


def _improvement_data(improvement: Improvement) -> dict[str, Any]:
    return {
        "group": improvement.group,
        "U95_halved_mps": improvement.U95_halved_mps,
        "text": advice_text(improvement.advice),
        "U95_mps": improvement.U95_mps,
    }


def _result(improvement: Improvement) -> float:
    return improvement.U95_mps


def _contribution_data(budget: Budget, contribution: Contribution) -> dict[str, Any]:
    quantity = contribution.input
    return {
        "name": quantity.name,
        "distribution": quantity.distribution,
        "half_width": _finite(quantity.half_width),
        "u": quantity.u,
        "unit": quantity.unit or "1",
        "dof": _finite(quantity.dof),
        "sensitivity": contribution.sensitivity,
        "u_mps": contribution.u_out,
        "share": budget.share(contribution),
        "nature": quantity.nature,
    }


def _trials_data(budget: Budget, trials: MonteCarlo) -> dict[str, Any]:
    return vars(trials) | {
        "digits": DIGITS,
        "U95_agrees": validate(budget.speed_mps, budget.U95_mps, trials, DIGITS).agrees,
        "first_order_agrees": validate(
            budget.speed_mps, budget.U95_first_order_mps, trials, DIGITS
        ).agrees,
    }


def _finite(value: float) -> float | None:
    return value if math.isfinite(value) else None


CURVE_CELLS = 48
COLUMNS = 80


def plan_text(plan: Plan) -> str:
    """Return a text of at most 80 columns: which rigs can measure a speed exactly enough?"""
    rig, unit = plan.rig, plan.rig.speed_unit
    return "\n".join(
        [
            f"To measure a speed of {speed_in(unit, plan.speed_mps):.4g} {unit} "
            f"with a U95 of at most {100 * plan.within:g} %:",
            "",
            *_option_lines(plan.options),
            "",
            "A + means that the U95 is at most the value in the first line of this text.",
            f"All other tolerances come from the rig: {plain(rig.name)}.",
            _clock_line(),
            "",
            *_rig_lines(plan),
            *window_lines(rig, plan.speed_mps),
            "",
            *_curve_lines(plan.curve, plan.within, unit),
        ]
    )


def plan_data(plan: Plan) -> dict[str, Any]:
    """Return the values that `plan_text` shows, as an object for JSON in SI units."""
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
        f"{'':<17}   U95 if the timestamps have steps of",
        f"{'clock':<9}{'spacing':>8}{ticks}   largest cause at {tick_text(TICKS_S[0])}",
    ]
    for clock in CLOCKS:
        for spacing_m in SPACINGS_M:
            row = [by_choice[clock, spacing_m, tick] for tick in TICKS_S]
            cells = "".join(f"{_option_cell(option):>12}" for option in row)
            lead = f"{row[0].leading}, {100 * row[0].leading_share:.0f} %"
            lines.append(f"{clock:<9}{f'{spacing_m * 1e3:g} mm':>8}{cells}   {lead}")
    return lines


def _option_cell(option: PlanOption) -> str:
    return f"{_rounded_percent(option.U95_relative)} {'+' if option.reaches else ' '}"


def _clock_line() -> str:
    kinds = " and ".join(f"{name} ± {1e6 * part:g} ppm" for name, part in CLOCKS.items())
    return f"Clocks: {kinds}, not calibrated."


def _rig_lines(plan: Plan) -> list[str]:
    rig, model, highest = plan.rig, plan.model, plan.highest_mps
    unit, goal = rig.speed_unit, f"{100 * plan.within:g} %"
    if highest is None:
        reach = (
            f"At every speed, the U95 is above {goal}, because of the tolerances of this rig's "
            f"lengths and clock."
        )
    elif highest >= rig.window.fastest_mps:
        ends = [speed_in(unit, v) for v in (rig.window.slowest_mps, rig.window.fastest_mps)]
        reach = (
            f"U95 is at most {goal} for all speeds that the rig allows ({ends[0]:.4g} … "
            f"{ends[1]:.4g} {unit}), and also for faster bodies up to "
            f"{speed_in(unit, highest):.4g} {unit}."
        )
    else:
        reach = (
            f"The U95 of this rig is at most {goal} for speeds up to "
            f"{speed_in(unit, highest):.4g} {unit}."
        )
    return [
        *wrap(
            f"The rig {plain(rig.name)} ({model.spacing_m * 1e3:g} mm, steps of "
            f"{tick_text(model.tick_s)}) has a U95 of {_rounded_percent(plan.U95_relative)}.",
            COLUMNS,
        ),
        f"The largest cause of the uncertainty: {plan.leading}, "
        f"{100 * plan.leading_share:.0f} % of u².",
        *wrap(reach, COLUMNS),
    ]


def _curve_lines(curve: ErrorCurve, within: float, unit: str) -> list[str]:
    """Draw a bar for the U95 at each speed; the sign `|` marks the limit `within`."""
    largest = max(float(curve.U95_relative.max()), within)
    mark = round(within / largest * (CURVE_CELLS - 1))
    lines = [f"{'speed':>10} {unit:<5}{'U95':>9}  the sign | marks {100 * within:g} %"]
    for speed_mps, relative in zip(curve.speed_mps, curve.U95_relative, strict=True):
        bar = list(("█" * round(relative / largest * CURVE_CELLS)).ljust(CURVE_CELLS))
        bar[mark] = "|"
        speed = f"{speed_in(unit, speed_mps):>10.4g}      "
        lines.append(f"{speed}{_rounded_percent(relative):>9}  {''.join(bar)}".rstrip())
    return lines


def _rounded_percent(ratio: float) -> str:
    return f"{100 * ratio:#.2g}".rstrip(".") + " %"
