"""Find the improvement of a rig that reduces the uncertainty most.

The inputs of the error budget are divided into groups, such as gate spacing and tilt. This file
finds a way to reduce the uncertainty of each group.
"""

import math
from collections.abc import Callable
from dataclasses import dataclass, replace
from enum import Enum, auto

from chrono.measuring.error_budget import Contribution, Input, chords, rectangular, tilt
from chrono.measuring.speed import SpeedModel
from chrono.processor.shot_records import EdgesUsed

CRYSTAL_TOLERANCE = 50e-6
CERAMIC_TOLERANCE = 5000e-6
CAPTURE_TICK_S = 62.5e-9
MEASURED_CLOCK_TOLERANCE = 17e-6
"""Approximate error of the clock rate after ten minutes of beats. The host's clock causes
15 ppm, and the polling of the port causes the rest.
"""

GROUPS = (
    "gate spacing",
    "trip position",
    "tilt",
    "chords",
    "drag",
    "slope",
    "gravity",
    "buoyancy",
    "body length",
    "clock rate",
    "latency",
    "tick",
    "jitter",
)
"""Groups of inputs that one improvement reduces together. The names of the inputs begin with
the name of their group.
"""


class Way(Enum):
    """A way to reduce a rig's uncertainty."""

    STEEL_RULE = auto()
    RULE_AND_LENS = auto()
    CALLIPER = auto()
    SPACER = auto()
    DROP_AGAIN = auto()
    FARTHER_GATES = auto()
    SHARPER_BEAMS = auto()
    STRAIGHTER_PATH = auto()
    TRUER_AIM = auto()
    BOTH_PAIRS = auto()
    HEAVIER_BODY = auto()
    KNOWN_SLOPE = auto()
    FASTER_BODY = auto()
    CRYSTAL_OR_BEATS = auto()
    BEATS = auto()
    CRYSTAL = auto()
    STANDARD = auto()
    EXCHANGE = auto()
    INPUT_CAPTURE = auto()
    LESS_JITTER = auto()


@dataclass(frozen=True)
class Advice:
    """
    A way to reduce the uncertainty, and a target value for the user.

    `reach` is the target: a length [m] or an angle [rad]; NaN if there is no target.
    """

    way: Way
    reach: float = math.nan


_RULES = (
    (0.5e-3, Way.STEEL_RULE),
    (0.2e-3, Way.RULE_AND_LENS),
    (0.05e-3, Way.CALLIPER),
    (0.01e-3, Way.SPACER),
)
"""Half-width of the gate spacing for each way to measure the spacing [m] (common practice, no
source)."""


Change = Callable[[SpeedModel], tuple[Advice, SpeedModel]]
"""A function that takes a rig's model. It returns advice and the model after the change."""


@dataclass(frozen=True)
class Improvement:
    """
    A change to the rig and its effect.

    Attributes
    ----------
    group : str
        The group of inputs that the change affects, one of `GROUPS`.
    U95_halved_mps : float
        U95 at the same speed, with half the uncertainty for each input of the group [m/s].
    advice : Advice
        A concrete way to reduce the inputs of this group.
    U95_mps : float
        U95 at the same speed after this change [m/s].
    """

    group: str
    U95_halved_mps: float
    advice: Advice
    U95_mps: float


def input_group(contribution: Contribution) -> str:
    """Return the group of a contribution, or the contribution's name if there is no group."""
    name = contribution.name
    return next((group for group in GROUPS if name.startswith(group)), name)


def group_shares(contributions: tuple[Contribution, ...]) -> dict[str, float]:
    """Return each input group's share of the combined variance, the largest share first."""
    variance = dict.fromkeys(GROUPS, 0.0)
    for contribution in contributions:
        group = input_group(contribution)
        variance[group] = variance.get(group, 0.0) + contribution.u_out**2
    total = sum(variance.values())
    shares = {group: part / total if total else 0.0 for group, part in variance.items()}
    return dict(sorted(shares.items(), key=lambda item: -item[1]))


def improvements(
    model: SpeedModel,
    speed_mps: float,
    edges_used: int = EdgesUsed.BOTH,
    *,
    beats: bool = True,
) -> tuple[Improvement, ...]:
    """
    Return one `Improvement` for each group of inputs.

    The order is by `U95_halved_mps`: the group with the largest effect on U95 comes first.

    Parameters
    ----------
    model : SpeedModel
        The rig's model.
    speed_mps : float
        The speed for which the rig is improved [m/s].
    edges_used : int, optional
        An `EdgesUsed`.
    beats : bool, optional
        True if the board sends beats, so that its clock can be measured.
    """
    contributions = model.contributions(model.board_transit(speed_mps, edges_used), edges_used)
    groups = [group for group, share in group_shares(contributions).items() if share > 0]
    ways = _CHANGES if beats else _CHANGES | {"clock rate": _clock_without_beats}
    if edges_used == EdgesUsed.BOTH:
        ways = ways | {"drag": _heavier_body}
    found = [_improvement(model, group, ways[group], speed_mps, edges_used) for group in groups]
    return tuple(sorted(found, key=lambda i: i.U95_halved_mps))


def farther_gates(
    model: SpeedModel, speed_mps: float, edges_used: int = EdgesUsed.BOTH
) -> Improvement:
    """
    Return the improvement for a gate spacing that is twice as large.

    A larger gate spacing reduces the effect of all groups of inputs, except tilt and clock
    rate.
    """
    advice, changed = _farther_gates(model)
    U95_mps = changed.U95(speed_mps, edges_used)  # noqa: N806
    return Improvement("gate spacing", U95_mps, advice, U95_mps)


def _improvement(
    model: SpeedModel, group: str, change: Change, speed_mps: float, edges_used: int
) -> Improvement:
    halved = _halve(model, group).U95(speed_mps, edges_used)
    advice, changed = change(model)
    return Improvement(group, halved, advice, changed.U95(speed_mps, edges_used))


def _halve(model: SpeedModel, group: str) -> SpeedModel:
    match group:
        case "gate spacing":
            return replace(model, spacing=_half(model.spacing))
        case "trip position":
            return replace(model, trips=tuple(_half(trip) for trip in model.trips))
        case "tilt":
            return replace(model, tilt=_half(model.tilt))
        case "chords":
            chord = model.motion.chords
            return _with_motion(model, chords=_half(chord) if chord else None)
        case "drag":
            return replace(model, motion=model.motion.with_drag_known(0.5))
        case "slope" | "gravity" | "buoyancy":
            pulls = tuple(
                _half(pull) if pull.name == group else pull for pull in model.motion.pulls
            )
            return _with_motion(model, pulls=pulls)
        case "body length":
            return _with_motion(model, length=_half(model.motion.length))
        case "clock rate":
            return replace(model, rate=_half(model.rate))
        case "latency":
            return replace(model, latency=_half(model.latency))
        case "tick":
            return replace(model, tick_s=model.tick_s / 2)
        case _:
            return replace(model, jitter=_half(model.jitter))


def _with_motion(model: SpeedModel, **changes: object) -> SpeedModel:
    return replace(model, motion=replace(model.motion, **changes))  # type: ignore[arg-type]


def _half(quantity: Input) -> Input:
    if quantity.distribution == "tilt":
        return tilt(quantity.name, quantity.half_width / math.sqrt(2))
    if quantity.distribution == "chords":
        return _closer_chords(quantity, 1 / math.sqrt(2))
    return _scaled(quantity, 0.5)


def _better_spacing(model: SpeedModel) -> tuple[Advice, SpeedModel]:
    if not model.trips:
        # The spacing was measured with the gates. A ruler does not show where the gates trip.
        return Advice(Way.DROP_AGAIN), _halve(model, "gate spacing")
    half_width = model.spacing.u * math.sqrt(3)
    for reach, way in _RULES:
        if reach < 0.7 * half_width:
            spacing = rectangular(model.spacing.name, reach, unit="m")
            return Advice(way, reach), replace(model, spacing=spacing)
    return _farther_gates(model)


def _farther_gates(model: SpeedModel) -> tuple[Advice, SpeedModel]:
    spacing_m = float(f"{2 * model.spacing_m:.2g}")
    motion = replace(model.motion, spacing_m=spacing_m)
    changed = replace(model, spacing_m=spacing_m, motion=motion)
    return Advice(Way.FARTHER_GATES, spacing_m), changed


def _sharper_beams(model: SpeedModel) -> tuple[Advice, SpeedModel]:
    half_m = model.trips[0].half_width / 2
    return Advice(Way.SHARPER_BEAMS, half_m), _halve(model, "trip position")


def _straighter_path(model: SpeedModel) -> tuple[Advice, SpeedModel]:
    half_rad = model.tilt.half_width / 2
    changed = replace(model, tilt=tilt(model.tilt.name, half_rad))
    return Advice(Way.STRAIGHTER_PATH, half_rad), changed


def _closer_chords(quantity: Input, part: float) -> Input:
    """Return the input for `part` times the largest distance of the ball from a beam."""
    off_centre_m = quantity.ratio * quantity.radius_m
    return chords(quantity.name, quantity.radius_m, part * off_centre_m)


def _truer_aim(model: SpeedModel) -> tuple[Advice, SpeedModel]:
    chord = model.motion.chords
    assert chord is not None, "this advice is for a round body that may pass off-centre"
    changed = _with_motion(model, chords=_closer_chords(chord, 0.5))
    return Advice(Way.TRUER_AIM, chord.ratio * chord.radius_m / 2), changed


def _both_pairs(model: SpeedModel) -> tuple[Advice, SpeedModel]:
    return Advice(Way.BOTH_PAIRS), replace(model, motion=model.motion.with_drag_known(0.0))


def _heavier_body(model: SpeedModel) -> tuple[Advice, SpeedModel]:
    return Advice(Way.HEAVIER_BODY), replace(model, motion=model.motion.with_drag_known(0.5))


def _known_slope(model: SpeedModel) -> tuple[Advice, SpeedModel]:
    return Advice(Way.KNOWN_SLOPE), _halve(model, "slope")


def _faster_body(group: str) -> Change:
    return lambda model: (Advice(Way.FASTER_BODY), _halve(model, group))


def _better_clock(model: SpeedModel) -> tuple[Advice, SpeedModel]:
    half_width = model.rate.u * math.sqrt(3)
    if half_width > 2 * CRYSTAL_TOLERANCE:
        return _with_clock(model, Way.CRYSTAL_OR_BEATS, CRYSTAL_TOLERANCE)
    if half_width > 1.5 * MEASURED_CLOCK_TOLERANCE:
        return _with_clock(model, Way.BEATS, MEASURED_CLOCK_TOLERANCE)
    return _by_standard(model)


def _clock_without_beats(model: SpeedModel) -> tuple[Advice, SpeedModel]:
    if model.rate.u * math.sqrt(3) > 2 * CRYSTAL_TOLERANCE:
        return _with_clock(model, Way.CRYSTAL, CRYSTAL_TOLERANCE)
    return _by_standard(model)


def _by_standard(model: SpeedModel) -> tuple[Advice, SpeedModel]:
    return _with_clock(model, Way.STANDARD, model.rate.u * math.sqrt(3) / 5)


def _with_clock(model: SpeedModel, way: Way, tolerance: float) -> tuple[Advice, SpeedModel]:
    return Advice(way), replace(model, rate=rectangular(model.rate.name, tolerance))


def _known_latency(model: SpeedModel) -> tuple[Advice, SpeedModel]:
    return Advice(Way.EXCHANGE), replace(model, latency=_scaled(model.latency, 0.2))


def _finer_tick(model: SpeedModel) -> tuple[Advice, SpeedModel]:
    if model.tick_s > CAPTURE_TICK_S:
        return Advice(Way.INPUT_CAPTURE), replace(model, tick_s=CAPTURE_TICK_S)
    return _farther_gates(model)


def _less_jitter(model: SpeedModel) -> tuple[Advice, SpeedModel]:
    return Advice(Way.LESS_JITTER), _halve(model, "jitter")


def _scaled(quantity: Input, factor: float) -> Input:
    return replace(quantity, half_width=quantity.half_width * factor, u=quantity.u * factor)


_CHANGES: dict[str, Change] = {
    "gate spacing": _better_spacing,
    "trip position": _sharper_beams,
    "tilt": _straighter_path,
    "chords": _truer_aim,
    "drag": _both_pairs,
    "slope": _known_slope,
    "gravity": _faster_body("gravity"),
    "buoyancy": _faster_body("buoyancy"),
    "body length": _faster_body("body length"),
    "clock rate": _better_clock,
    "latency": _known_latency,
    "tick": _finer_tick,
    "jitter": _less_jitter,
}
