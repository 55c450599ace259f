"""Write the values of a rig with their names and units, and report doubtful values."""

import math
from collections.abc import Sequence
from typing import Any

from chrono.reports.budget_text import tick_text
from chrono.reports.setup_words import count_text
from chrono.rigs.rig_model import Body, Rig, RigDoubt, fewest_ticks
from chrono.safe_text import plain
from chrono.session.pooled_samples import RigBasis, RigsTaken
from chrono.units import ICE_POINT_K, four_digits, to_digits


def doubt_text(doubt: RigDoubt, rig: Rig) -> str:
    """Return why a value of the rig is not plausible, and what the user can do."""
    match doubt:
        case RigDoubt.BEHIND_MOUTH:
            return (
                f"site.muzzle_distance is {rig.site.muzzle_distance_m:g} m, but the gates are "
                f"{rig.spacing_m:g} m apart. Gate A would be behind the launcher's mouth, so "
                "there is no speed at the mouth. Measure the distance from the mouth to the "
                "point midway between the gates"
            )
        case RigDoubt.BLOCKS_BOTH:
            return (
                f"body.length is {rig.body.length_m * 1e3:g} mm, and gates.spacing is "
                f"{rig.spacing_m * 1e3:g} mm. The body blocks both gates at once, so a second "
                "body behind it cannot be detected. Place the gates farther apart"
            )
        case RigDoubt.FEW_TICKS:
            return (
                f"at window.fastest ({rig.window.fastest_mps:g} m/s), a transit lasts only "
                f"{fewest_ticks(rig):.2g} ticks. The ± of this speed is many per cent. Move "
                "the gates farther apart, or make window.fastest smaller"
            )


SHOWN_RECORDINGS = 3
_BASIS_WORDS = {
    RigBasis.ALONE: "",
    RigBasis.IDENTITY: " (same identity)",
    RigBasis.DESCRIPTION: " (assumed, because the rigs have the same description)",
    RigBasis.GIVEN: "",
}


def rigs_taken_text(rigs: RigsTaken) -> str:
    """Return in one sentence which recordings belong to the same rig."""
    count = len(rigs.places)
    if count == 1:
        return "Rigs: there is one recording, so there is one rig."
    if rigs.given and len(rigs.recordings) == 1:
        return (
            f"Rigs: the program assumes one rig for all {count} recordings, as you requested."
        )
    if rigs.given:
        return f"Rigs: each of the {count} recordings has a different rig, as you requested."
    if len(rigs.recordings) == 1:
        (basis,) = rigs.basis
        taken = f"one rig for all {count} recordings{_BASIS_WORDS[basis]}"
        return f"Rigs: {taken}. If each recording has its own rig, use --rigs each."
    if all(basis is RigBasis.ALONE for basis in rigs.basis):
        return (
            f"Rigs: {count} different rigs for the {count} recordings. "
            "If all recordings have the same rig, use --rigs one."
        )
    each = "; ".join(
        f"{_recordings_text(names)}{_BASIS_WORDS[basis]}"
        for names, basis in zip(
            rigs.recordings[:SHOWN_RECORDINGS], rigs.basis[:SHOWN_RECORDINGS], strict=True
        )
    )
    more = len(rigs.recordings) - SHOWN_RECORDINGS
    each += f"; {count_text(more, 'more rig')}" if more > 0 else ""
    taken = f"The recordings have {len(rigs.recordings)} different rigs"
    return f"{taken}: {each}. If all recordings have the same rig, use --rigs one."


def _recordings_text(names: Sequence[str]) -> str:
    shown = ", ".join(plain(name) for name in names[:SHOWN_RECORDINGS])
    more = len(names) - SHOWN_RECORDINGS
    return shown + (f" and {more} more" if more > 0 else "")


def rigs_taken_data(rigs: RigsTaken) -> list[dict[str, Any]]:
    """Return the recordings of each rig, and why the program assigns them to this rig."""
    return [
        {"recordings": list(names), "basis": basis.name.lower()}
        for names, basis in zip(rigs.recordings, rigs.basis, strict=True)
    ]


Rows = list[tuple[str, str]]


def rig_rows(rig: Rig) -> Rows:
    """Return rows with the values that a rig states for gates and clock, with their limits."""
    gates, clock = rig.gates, rig.clock
    jitter = f"standard deviation {tick_text(clock.jitter_s)}" if clock.jitter_s else "none"
    rows = [
        ("gate spacing", f"{_mm(gates.spacing_m)} ± {_mm(gates.spacing_tolerance_m)}"),
        ("position in the beam where a gate trips", f"± {_mm(gates.trip_tolerance_m)}"),
        ("tilt of the path", f"0 … {math.degrees(gates.tilt_limit_rad):.3g}°"),
        ("difference of the sensors' delays", f"± {time_text(gates.latency_mismatch_s)}"),
        ("tick of the counter", tick_text(clock.tick_s)),
        ("counter's rate", f"± {four_digits(clock.rate_tolerance * 1e6)} ppm"),
        ("jitter of one timestamp", jitter),
    ]
    if rig.body.shape == "round":
        rows.insert(
            4, ("body's distance from the beam's middle", f"± {_mm(gates.off_centre_m)}")
        )
    if rig.lines.counts_ticks:
        width = f"{clock.counter_bits} bits at {clock.frequency_hz / 1e6:.6g} MHz"
        rows.insert(-2, ("counter", width))
    return rows


def body_text(body: Body, overrides: dict[str, float] | None = None) -> str:
    """Return name, mass and size of a body; `overrides` replace the values of the rig."""
    said = {**body.model_dump(include={"mass_kg", "diameter_m", "length_m"})}
    said.update(overrides or {})
    return (
        f"{plain(body.name)}, {said['mass_kg'] * 1e3:.4g} g, {_mm(said['diameter_m'])} across, "
        f"{_mm(said['length_m'])} long, {body.shape}"
    )


def site_text(rig: Rig) -> str:
    """Return the distance of the gates from the launcher's mouth, and the state of the air."""
    site = rig.site
    return (
        f"{_mm(site.muzzle_distance_m)} from the launcher's mouth; "
        f"{site.temperature_k - ICE_POINT_K:.3g} °C, {site.pressure_pa / 100:.5g} hPa, "
        f"{site.humidity * 100:.3g} % humidity, {site.altitude_m:.4g} m above the sea"
    )


def calibration_rows(rig: Rig) -> Rows:
    """Return one row for each calibration of a rig; the row says if the result is missing."""
    found = rig.calibration
    rows = []
    for name, result, value in (
        ("counter's rate", found.clock, _rate(rig)),
        ("sensors' delays", found.latency, _latency(rig)),
        ("gate spacing", found.spacing, _spacing(rig)),
    ):
        if result is None:
            rows.append((name, "not calibrated; the stated limits are used"))
            continue
        dof = "" if result.dof is None else f", {to_digits(result.dof, 3)} degrees of freedom"
        evidence = f" ({result.evidence})" if result.evidence else ""
        date = result.date or "date not given"
        rows.append((name, f"{value}{dof}, {date}{evidence}"))
    return rows


def time_text(time_s: float) -> str:
    """Return a time as text in a suitable unit; a time of zero becomes ``0 us``."""
    return tick_text(time_s) if time_s else "0 us"


def _rate(rig: Rig) -> str:
    result = rig.calibration.clock
    if result is None:
        return ""
    sign = "+" if result.rate_error >= 0 else ""
    rate, u = four_digits(result.rate_error * 1e6), to_digits(result.rate_error_u * 1e6, 2)
    return f"{sign}{rate} ppm, u = {u} ppm"


def _latency(rig: Rig) -> str:
    result = rig.calibration.latency
    if result is None:
        return ""
    late_us, u_us = result.difference_s * 1e6, result.difference_u_s * 1e6
    word = "later" if late_us >= 0 else "sooner"
    late, u = four_digits(abs(late_us)), to_digits(u_us, 2)
    return f"gate B reacts {late} us {word} than gate A, u = {u} us"


def _spacing(rig: Rig) -> str:
    result = rig.calibration.spacing
    if result is None:
        return ""
    covers = " (this u includes the trip positions)" if result.covers_trip else ""
    return f"{_mm(result.spacing_m)}, u = {result.spacing_u_m * 1e3:.2g} mm{covers}"


def _mm(length_m: float) -> str:
    return f"{length_m * 1e3:.6g} mm"
