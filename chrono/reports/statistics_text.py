"""Write the statistics of setups: a short table, details below it, and values for JSON."""

import math
from collections.abc import Sequence
from typing import Any

from chrono.measuring.energy_results import Motion
from chrono.measuring.scatter import LEAST_FOR_SHAPE, Drift, Scatter
from chrono.measuring.series_statistics import Series
from chrono.reports.launch_text import UserUnits, filled
from chrono.reports.setup_words import shown_digits, three_digits, two_digits
from chrono.safe_text import plain
from chrono.units import format_speed, format_value, speed_in

NAME_COLUMNS = 18
NOT_NORMAL = 0.05
LABEL_COLUMNS = 11
"""Width of the label before a detail, in columns."""

Row = tuple[str, Series]
Detail = tuple[str, tuple[str, ...]]
"""A label, and the sentences that belong to this label."""


def table_lines(rows: Sequence[Row], unit: str) -> list[str]:
    """Return a table of setups: number n of shots, mean, standard deviation s, median."""
    cells = [("setup", "n", f"mean, {unit}", "s", "median")]
    cells += [(plain(name), *_cells(series, unit)) for name, series in rows]
    widths = [max(len(row[i]) for row in cells) for i in range(1, 5)]
    lines = []
    for name, *values in cells:
        columns = "  ".join(f"{v:>{w}}" for v, w in zip(values, widths, strict=True))
        long = len(name) > NAME_COLUMNS
        lines += [*filled(name), f"{'':{NAME_COLUMNS + 2}}  {columns}"] if long else []
        lines += [] if long else [f"  {name:<{NAME_COLUMNS}}  {columns}"]
    return [line.rstrip() for line in lines]


def _cells(series: Series, unit: str) -> tuple[str, str, str, str]:
    mean = format_speed(series.mean_mps, series.U95_mean_mps, unit).removesuffix(f" {unit}")
    if series.n < 2:
        return str(series.n), mean, "", ""
    shown = shown_digits(series, unit)
    s = three_digits(speed_in(unit, series.s_mps))
    return str(series.n), mean, s, shown(series.median_mps)


def detail(label: str, *texts: str) -> list[Detail]:
    """Return a list with one label and its sentences; the caller can join several lists."""
    return [(label, texts)]


def detail_lines(details: Sequence[Detail]) -> list[str]:
    """Return labels with their sentences as lines; each sentence begins on a new line."""
    found = []
    for label, texts in details:
        lines = [line for text in texts for line in filled(text, LABEL_COLUMNS + 4)]
        found += [f"    {label:<{LABEL_COLUMNS}}{lines[0].lstrip()}", *lines[1:]]
    return found


def mean_details(series: Series, unit: str) -> list[Detail]:
    """
    Return the mean speed with the random part and the shared part of its ±.

    For a single shot, return only the speed.
    """
    speed = format_speed(series.mean_mps, series.U95_mean_mps, unit)
    if series.n < 2:
        return detail("speed", speed)
    random, shared = (
        format_value(speed_in(unit, part), speed_in(unit, part))
        for part in (series.U95_random_mean_mps, series.U95_shared_mean_mps)
    )
    return detail("mean", speed, f"± {random} random, ± {shared} shared by all shots")


def scatter_details(series: Series, scatter: Scatter | None, unit: str) -> list[Detail]:
    """
    Return range, s, drift and distribution of the speeds, and the suspicious shots.

    For a single shot, the list is empty.
    """
    if scatter is None:
        return []
    return [
        *range_details(series, scatter.slowest, scatter.fastest, unit),
        *detail("s", *_spread_texts(series, scatter, unit)),
        *drift_details(scatter.drift, unit),
        *suspicious_details(scatter.suspicious),
        *detail("shape", shape_text(scatter.normal_p, series.n)),
    ]


def range_details(series: Series, slowest: int, fastest: int, unit: str) -> list[Detail]:
    """Return the range of speeds, and the slowest and the fastest shot with their numbers."""
    shown = shown_digits(series, unit)
    return detail(
        "range",
        f"{shown(series.range_mps)} {unit}",
        f"from {shown(series.min_mps)} (shot {slowest}) "
        f"to {shown(series.max_mps)} (shot {fastest})",
    )


def _spread_texts(series: Series, scatter: Scatter, unit: str) -> tuple[str, str]:
    def at(value_mps: float) -> str:
        return two_digits(speed_in(unit, value_mps))

    span = f"({at(scatter.s_low_mps)} … {at(scatter.s_high_mps)})"
    s = f"{three_digits(speed_in(unit, series.s_mps))} {unit} {span}"
    gates = f"gates: s {at(scatter.instrument_s_mps)}"
    if scatter.launcher_high_mps == 0:
        return s, f"{gates}; this s is larger than the scatter of the shots"
    low, high = at(scatter.launcher_low_mps), at(scatter.launcher_high_mps)
    return s, f"{gates}; launcher alone: s = {at(scatter.launcher_s_mps)} ({low} … {high})"


def drift_details(drift: Drift | None, unit: str) -> list[Detail]:
    """Return the drift of the speed during a session; no drift for too few shots."""
    if drift is None:
        return []
    return detail(
        "drift", f"{drift_text(drift, unit)}{'' if drift.seen else ': no drift seen'}"
    )


def drift_text(drift: Drift, unit: str) -> str:
    """Return the drift of the speed per ten shots, with its ±."""
    half = 10 * speed_in(unit, (drift.high_mps - drift.low_mps) / 2)
    slope = format_value(10 * speed_in(unit, drift.slope_mps), half)
    sign = "" if slope.startswith("-") else "+"
    return f"{sign}{slope} ± {format_value(half, half)} {unit} per ten shots"


def suspicious_details(shots: Sequence[int]) -> list[Detail]:
    """Return the shots that do not fit the other shots, with the advice to check them."""
    return detail("suspicious", which_shots(shots)) if shots else []


def which_shots(shots: Sequence[int]) -> str:
    """Return a sentence that asks the user to check suspicious shots, which are counted."""
    which = ", ".join(str(number) for number in shots)
    if len(shots) == 1:
        return f"please check shot {which}; this shot is counted"
    return f"please check shots {which}; these shots are counted"


def shape_text(p: float, n: int) -> str:
    """Return whether the speeds fit a normal distribution (Anderson-Darling test)."""
    if n < LEAST_FOR_SHAPE:
        return (
            f"too few shots to judge their distribution, at least {LEAST_FOR_SHAPE} are needed"
        )
    if math.isnan(p):
        return "all speeds are the same"
    if p >= NOT_NORMAL:
        return f"the speeds fit a bell curve (normal distribution, p = {p:.2g})"
    return (
        f"the speeds do not fit a bell curve (normal distribution, p = {p:.2g}), so the "
        "intervals are only approximate"
    )


def motion_details(motion: Motion, unit: str) -> list[Detail]:
    """Return the energy, momentum and Mach number of a body at the mean speed."""
    units = UserUnits(unit)
    mass = units.show("mass", motion.mass_kg)
    energy = units.estimate("energy", motion.energy)
    momentum = units.estimate("momentum", motion.momentum)
    return detail("motion", f"{energy}, {momentum} with {mass}", f"Mach {motion.mach:.3f}")


def scatter_data(scatter: Scatter | None) -> dict[str, Any]:
    """Return the scatter of a setup's speeds as a dict for JSON; unknown values are None."""
    keys = {
        "s_low_mps": "s_low_mps",
        "s_high_mps": "s_high_mps",
        "instrument_s_mps": "instrument_s_mps",
        "launcher_s_mps": "launcher_s_mps",
        "launcher_s_low_mps": "launcher_low_mps",
        "launcher_s_high_mps": "launcher_high_mps",
        "slowest_shot": "slowest",
        "fastest_shot": "fastest",
        "normal_p": "normal_p",
    }
    found = {key: getattr(scatter, name, None) for key, name in keys.items()}
    suspicious = list(scatter.suspicious) if scatter else []
    return {
        **finite(found),
        "suspicious_shots": suspicious,
        **drift_data(scatter.drift if scatter else None),
    }


def drift_data(drift: Drift | None) -> dict[str, Any]:
    """Return the drift of the speed [m/s per shot] as keys of an object for JSON."""
    return {
        "drift_mps_per_shot": drift.slope_mps if drift else None,
        "drift_low_mps_per_shot": drift.low_mps if drift else None,
        "drift_high_mps_per_shot": drift.high_mps if drift else None,
    }


def motion_data(motion: Motion | None) -> dict[str, Any]:
    """Return mass, energy, momentum and Mach number as keys of an object for JSON, in SI."""
    return {
        "mass_kg": motion.mass_kg if motion else None,
        "energy_j": motion.energy.value if motion else None,
        "U95_energy_j": motion.energy.U95 if motion else None,
        "momentum_Ns": motion.momentum.value if motion else None,
        "U95_momentum_Ns": motion.momentum.U95 if motion else None,
        "mach": motion.mach if motion else None,
    }


def series_data(series: Series) -> dict[str, Any]:
    """Return the statistics of shots for JSON; undefined and infinite values are None."""
    names = (
        "mean_mps",
        "u_mean_mps",
        "U95_mean_mps",
        "k",
        "dof",
        "u_random_mean_mps",
        "random_dof",
        "U95_random_mean_mps",
        "u_shared_mean_mps",
        "U95_shared_mean_mps",
        "s_mps",
        "median_mps",
        "min_mps",
        "max_mps",
        "range_mps",
    )
    return finite({"counted": series.n, **{name: getattr(series, name) for name in names}})


def finite(values: dict[str, Any]) -> dict[str, Any]:
    """Return values with None in place of NaN and infinity."""
    return {
        k: None if isinstance(v, float) and not math.isfinite(v) else v
        for k, v in values.items()
    }
