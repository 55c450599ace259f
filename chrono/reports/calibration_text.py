"""Write calibration results for the user: counter rate, delays of sensors, gate spacing."""

from chrono.calibrating.calibration import Calibration, ClockCalibration
from chrono.calibrating.drop_calibration import DropDoubt, DropResult
from chrono.calibrating.rods_calibration import RodDoubt, RodResult, extra_text
from chrono.calibrating.swap_calibration import SwapDoubt, SwapNote, SwapResult
from chrono.measuring.calibration_uncertainty import CombinedUncertainty
from chrono.reports.clock_text import clock_report
from chrono.reports.setup_words import count_text
from chrono.units import format_value

SWAP_NOTES = {
    SwapNote.SCATTER_CHANGED: (
        "after the sensors were exchanged, the scatter changed: check that you launched in the "
        "same way"
    ),
    SwapNote.DRIFT_BEFORE: (
        "the transit times drift before the exchange of the sensors, so the launcher is not "
        "steady"
    ),
    SwapNote.DRIFT_AFTER: (
        "the transit times drift after the exchange of the sensors, so the launcher is not "
        "steady"
    ),
    SwapNote.SPEED_CHANGED: (
        "the speed changed after the exchange of the sensors; the result is corrected for this "
        "change; check that you aimed in the same way"
    ),
}

NARROWED_BY = {
    "drag coefficient": "use a heavier ball for a smaller ±",
    "added mass of air": "use a heavier ball for a smaller ±",
    "height of the fall": "to get a smaller ±, use a larger height or measure it better",
    "scatter of the drops": (
        "to get a smaller ±, make more drops, and release the ball in the same way each time"
    ),
}
"""Advice for the largest contribution to the ± of a spacing by drops."""


def calibration_lines(result: Calibration) -> tuple[str, ...]:
    """Return the result of a calibration as lines of text for the user."""
    match result:
        case ClockCalibration():
            return clock_report(result.estimate)
        case SwapResult():
            return swap_report(result)
        case DropResult():
            return drop_report(result)
        case RodResult():
            return rod_report(result)


def calibration_doubt(result: Calibration) -> str:
    """Return the reason not to save a result in the rig file; empty if all is right."""
    match result:
        case SwapResult():
            return swap_doubt(result)
        case ClockCalibration():
            return clock_calibration_doubt(result)
        case DropResult():
            return drop_doubt(result)
        case RodResult():
            return rod_doubt(result)
    return ""


def calibration_evidence(result: Calibration) -> str:
    """Return the method and the result of a calibration as one text for the rig file."""
    match result:
        case ClockCalibration():
            how = "beats compared with the computer's clock"
        case SwapResult():
            how = "sensors exchanged"
        case DropResult():
            how = f"balls dropped from {result.setup.height_m * 1e3:.1f} mm"
        case RodResult():
            how = "two rods"
    return f"{how}: " + "; ".join(calibration_lines(result))


def swap_report(result: SwapResult) -> tuple[str, ...]:
    """Return the difference between the delays of both gates as lines of text for the user."""
    value_us, u95_us = result.difference_s * 1e6, result.uncertainty.U95 * 1e6
    method = (
        "each shot's speed comes from its blocking times"
        if result.by_blocking
        else "mean transits"
    )
    doubt = swap_doubt(result)
    return (
        f"gate B reacts {format_value(abs(value_us), u95_us)} ± "
        f"{format_value(u95_us, u95_us)} us {'later' if value_us >= 0 else 'sooner'} "
        "than gate A (95 % coverage)",
        f"result of {count_text(result.before, 'shot')} before the exchange of the sensors and "
        f"{result.after} after the exchange ({method})",
        *([doubt] if doubt else []),
        *(SWAP_NOTES[note] for note in result.notes),
    )


def swap_doubt(result: SwapResult) -> str:
    """Return the reason not to trust the difference of the delays; empty if all is right."""
    stated = f"± {result.stated_s * 1e6:.3g} us"
    match result.doubt:
        case None:
            return ""
        case SwapDoubt.FAR_BEYOND:
            return (
                f"the difference is far larger than {stated}, the value in the rig: check that "
                "you did not move the gates, the launcher or the aim"
            )
        case SwapDoubt.TOO_WIDE:
            reason = "the transit times scatter: launch each shot in the same way"
            if result.by_blocking:
                reason = (
                    "the blocking times scatter more than the speeds; perhaps the "
                    "bodies cross the beams at different heights: aim better"
                )
            return (
                f"the ± of this result is larger than {stated}, the value in the rig; "
                f"{reason}, or take more shots"
            )
        case SwapDoubt.NO_DIFFERENCE:
            return (
                "no difference was found: either the delays of both sensors are equal within "
                "the ± of this result, or the sensors were not exchanged"
            )


def clock_calibration_doubt(result: ClockCalibration) -> str:
    """Return the reason not to save the rate of a counter; empty if all is right."""
    stated_ppm = result.stated * 1e6
    if result.is_far:
        return (
            "the counter runs too fast or too slow, by more than the "
            f"± {stated_ppm:.0f} ppm in the rig: check clock.frequency of this board; also "
            "check that nobody changed the computer's clock"
        )
    if result.is_wide:
        return (
            f"the ± of this result is larger than the ± {stated_ppm:.0f} ppm in the rig: "
            "record for a longer time"
        )
    return ""


def drop_doubt(result: DropResult) -> str:
    """Return the reason not to save a spacing measured with drops; empty if all is right."""
    match result.doubt:
        case None:
            return ""
        case DropDoubt.DIFFERS:
            return "the spacing that the drops give does not agree with the stated spacing"
        case DropDoubt.NO_FALL:
            return (
                "between the gates, the balls did not gain speed like falling balls: check "
                "that this is a recording of drops, and that gate A is above gate B"
            )
        case DropDoubt.TOO_WIDE:
            return (
                f"the drops give the spacing with ± {result.uncertainty.U95 * 1e3:.1f} mm, but "
                f"the ± in the rig is smaller ({result.stated_U95_m * 1e3:.1f} mm); "
                f"{NARROWED_BY.get(_largest(result.uncertainty)[0], 'the drops do not help')}"
            )


def drop_report(result: DropResult) -> tuple[str, ...]:
    """
    Return a gate spacing that was measured with dropped balls, as lines for the user.

    The first line says whether the measured spacing agrees with the stated spacing.
    """
    stated_mm, found_mm = result.setup.spacing_m * 1e3, result.spacing_m * 1e3
    u95_mm, away = result.uncertainty.U95 * 1e3, result.deviation_m * 1e3
    ratio = abs(result.deviation_m) / result.deviation_uncertainty.U95
    verdict = "agrees with" if result.agrees else "differs from"
    largest, line = _largest(result.uncertainty)
    advice = NARROWED_BY.get(largest)
    return (
        f"the measured spacing {verdict} the stated {stated_mm:.1f} mm: the difference "
        f"is {away:+.1f} mm ({ratio:.1f} times its ±)",
        f"effective spacing {format_value(found_mm, u95_mm)} ± "
        f"{format_value(u95_mm, u95_mm)} mm (95 % coverage) from {result.drops} drops, "
        f"mean transit {result.mean_transit_s * 1e3:.3f} ms",
        f"{line}: {advice}" if advice else line,
        # Transits alone cannot show a wrong height.
        f"an error of 1 mm in the height changes the spacing by {result.by_height:.2f} mm; "
        f"height errors up to {result.unseen_height_m * 1e3:.0f} mm stay hidden in this "
        "result: check that the height is correct within the ± that you give",
        *_blocking_lines(result),
    )


def rod_report(result: RodResult) -> tuple[str, ...]:
    """Return a gate spacing that was measured with two rods, as lines for the user."""
    found_mm, u95_mm = result.spacing_m * 1e3, result.uncertainty.U95 * 1e3
    lengths = " and ".join(f"{length * 1e3:.2f} mm" for length in result.lengths_m)
    return (
        f"effective spacing {format_value(found_mm, u95_mm)} ± "
        f"{format_value(u95_mm, u95_mm)} mm (95 % coverage); "
        f"the stated spacing is {result.stated_m * 1e3:.1f} mm",
        f"from {result.passes[0]} and {result.passes[1]} passes of rods with lengths of "
        f"{lengths}",
        f"the measured lengths are {extra_text(result.extra_m)} than the stated lengths of the "
        "rods",
        _largest(result.uncertainty)[1],
    )


def rod_doubt(result: RodResult) -> str:
    """Return the reason not to save a spacing measured with rods; empty if all is right."""
    off, allowed = result.deviation_m * 1e3, result.allowed_m * 1e3
    fitting = [f"{length * 1e3:.1f} mm" for length in result.fitting_m]
    stated = [f"{length * 1e3:.1f} mm" for length in result.lengths_m]
    match result.doubt:
        case None:
            return ""
        case RodDoubt.FAR_OFF:
            return (
                f"the measured spacing is {abs(off):.1f} mm "
                f"{'larger' if off > 0 else 'smaller'} "
                "than the stated spacing, but the ± of both spacings together explain only "
                f"{allowed:.1f} mm. Possible causes: the long rod is {fitting[1]} long, not "
                f"{stated[1]}; the short rod is {fitting[0]} long, not {stated[0]}; or "
                "gates.spacing in the rig is wrong"
            )
        case RodDoubt.EXTRA:
            return (
                f"the measured lengths are {extra_text(result.extra_m)} than the stated "
                "lengths of the rods; check the lengths of both rods and the thresholds, and "
                "check that the ends are cut at a right angle"
            )
        case RodDoubt.BALLS:
            return (
                "both recordings describe round bodies, and the measured lengths agree with "
                "this: balls cannot measure the spacing; if you used rods, set body.shape = "
                '"flat" before you record'
            )


def _largest(uncertainty: CombinedUncertainty) -> tuple[str, str]:
    """Return the name and a description of the largest contribution to an uncertainty."""
    largest = max(uncertainty.contributions, key=lambda part: part.u_out)
    share = (largest.u_out / uncertainty.u) ** 2
    return largest.name, (
        f"the largest cause of the ± is the {largest.name}, {100 * share:.0f} % of u²"
    )


def _blocking_lines(result: DropResult) -> list[str]:
    height, spacing = result.height_seen, result.spacing_seen
    if height is None or spacing is None:
        return []
    lines = [
        f"from the blocking times, the height is {height.value_m * 1e3:.0f} ± "
        f"{2 * height.u_m * 1e3:.0f} mm (you stated {result.setup.height_m * 1e3:.0f} mm), and "
        f"the spacing is {spacing.value_m * 1e3:.0f} ± {2 * spacing.u_m * 1e3:.0f} mm"
    ]
    if result.doubt in (None, DropDoubt.TOO_WIDE):
        return lines
    wrong_height = height.contradicts(result.setup.height_m)
    wrong_spacing = spacing.contradicts(result.setup.spacing_m)
    return [*lines, _suspect(wrong_height, wrong_spacing)]


def _suspect(wrong_height: bool, wrong_spacing: bool) -> str:
    if wrong_height and wrong_spacing:
        return "the height and spacing look wrong: check the ball's size, then measure again"
    if wrong_height:
        return "the height looks wrong, not the spacing: measure the height again"
    if wrong_spacing:
        return "the spacing looks wrong, not the height: measure the spacing again"
    return (
        "the blocking times do not show what is wrong: measure the height of the fall and the "
        "spacing again"
    )
