"""What dropped balls told of the spacing, in words, and the keys of the rig that take it up."""

from chrono.calibrating.drop import DropResult
from chrono.measuring.combined import Combined, rig_changes
from chrono.units import format_value


def drop_report(result: DropResult) -> tuple[str, ...]:
    """Return the result as lines for the user, the verdict first."""
    stated_mm, found_mm = result.setup.spacing_m * 1e3, result.spacing_m * 1e3
    u95_mm, away = result.uncertainty.U95 * 1e3, result.deviation_m * 1e3
    ratio = abs(result.deviation_m) / result.deviation_uncertainty.U95
    verdict = "agrees with" if result.agrees else "differs from"
    lines = [
        f"the spacing found {verdict} the stated {stated_mm:.1f} mm: it differs by "
        f"{away:+.1f} mm, which is {ratio:.1f} times the uncertainty of that difference",
        f"effective spacing {format_value(found_mm, u95_mm)} ± "
        f"{format_value(u95_mm, u95_mm)} mm (95 % coverage) from {result.drops} drops, "
        f"mean transit {result.mean_transit_s * 1e3:.3f} ms",
        _largest_line(result.uncertainty),
        _height_line(result),
    ]
    return (*lines, *_blocking_lines(result))


def drop_changes(result: DropResult, date: str) -> dict[str, object]:
    """Return the keys of the rig file that take up the result, with day and evidence."""
    return rig_changes(
        "spacing",
        f"{result.spacing_m * 1e3:.4f} mm",
        f"{result.uncertainty.u * 1e3:.4f} mm",
        result.uncertainty.dof,
        date,
        f"balls dropped from {result.setup.height_m * 1e3:.1f} mm: "
        + "; ".join(drop_report(result)),
        covers_trip=True,
    )


def _height_line(result: DropResult) -> str:
    """Say how wrong a height may be without being seen: transits alone cannot tell it."""
    height = next(c for c in result.uncertainty.contributions if c.name == "height of the fall")
    slope = abs(height.sensitivity)
    unseen_mm = result.deviation_uncertainty.U95 / slope * 1e3
    return (
        f"1 mm of height moves the spacing by {slope:.2f} mm; a height wrong by up to "
        f"{unseen_mm:.0f} mm may pass here for one that agrees: measure it to the ± you stated"
    )


def _largest_line(uncertainty: Combined) -> str:
    largest = max(uncertainty.contributions, key=lambda part: part.u_out)
    share = (largest.u_out / uncertainty.u) ** 2
    line = (
        f"the largest contribution is the {largest.name}, {100 * share:.0f} % of the variance"
    )
    advice = {
        "drag coefficient": "a heavier ball narrows this",
        "added mass of air": "a heavier ball narrows this",
        "height of the fall": "a better measured or greater height narrows this",
        "scatter of the drops": "more drops, released more evenly, narrow this",
    }.get(largest.name)
    return f"{line}: {advice}" if advice else line


def _blocking_lines(result: DropResult) -> list[str]:
    height, spacing = result.height_seen, result.spacing_seen
    if height is None or spacing is None:
        return []
    lines = [
        f"the blocking times speak for a fall of {height.value_m * 1e3:.0f} ± "
        f"{2 * height.u_m * 1e3:.0f} mm (stated {result.setup.height_m * 1e3:.0f} mm) and a "
        f"spacing of {spacing.value_m * 1e3:.0f} ± {2 * spacing.u_m * 1e3:.0f} mm"
    ]
    if result.agrees:
        return lines
    wrong_height = height.contradicts(result.setup.height_m)
    wrong_spacing = spacing.contradicts(result.setup.spacing_m)
    return [*lines, _suspect(wrong_height, wrong_spacing)]


def _suspect(wrong_height: bool, wrong_spacing: bool) -> str:
    if wrong_height and wrong_spacing:
        return "height and spacing both look wrong: check the ball's size, then measure again"
    if wrong_height:
        return "the height looks wrong, not the spacing: measure the height again"
    if wrong_spacing:
        return "the spacing looks wrong, not the height: measure the spacing again"
    return "the blocking times cannot tell which is wrong: measure height and spacing again"
