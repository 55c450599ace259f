"""Write the texts that falls, flights, stops and energies have in common.

If speeds are in m/s or km/h, lengths are in metres and forces in newtons. If speeds are in ft/s
or mph, lengths are in feet and forces in pounds-force. Objects for JSON always have SI units.
"""

import math
import re
from collections.abc import Sequence
from dataclasses import dataclass
from textwrap import wrap
from typing import Any

from chrono.measuring.body_in_air import DIAMETER, MASS, TERMINAL
from chrono.measuring.launch import Launch, RefusedLaunch
from chrono.measuring.propagation import Estimate, Quantity
from chrono.reports.setup_words import count_text, setup_text
from chrono.safe_text import plain
from chrono.units import (
    ICE_POINT_K,
    SPEED_UNITS,
    STANDARD_GRAVITY_MPS2,
    format_measured,
    format_value,
    significant_decimals,
)

COLUMNS = 60
"""Width of sentences, equal to the width of a narrow terminal and of the pictures."""

LETTERS = "abcdefghijklmnopqrstuvwxyz"

_TOGETHER = re.compile(r"(?<=[\d±]) (?=[±%\d]|[^\W\d_])")
"""Spaces at which a line must not break: they are inside a value with its ± and unit."""

_METRIC = {
    "length": ("m", 1.0),
    "force": ("N", 1.0),
    "energy": ("J", 1.0),
    "momentum": ("N·s", 1.0),
    "mass": ("g", 1e-3),
    "size": ("mm", 1e-3),
}
_FEET = {
    "length": ("ft", 0.3048),
    "force": ("lbf", 4.4482216152605),
    "energy": ("ft·lbf", 1.3558179483314),
    "momentum": ("lbf·s", 4.4482216152605),
    "mass": ("oz", 0.028349523125),
    "size": ("in", 0.0254),
}
"""Units of each kind of quantity, with their SI values (exact: NIST SP 811, appendix B)."""

_EVERYWHERE = {
    "time": ("s", 1.0),
    "acceleration": ("g", STANDARD_GRAVITY_MPS2),
    "angle": ("°", math.pi / 180),
    "part": ("%", 0.01),
    "number": ("", 1.0),
    "per length": ("1/m", 1.0),
}


_DIVIDED = ("m", "s", "N", "J", "N·s")
_PREFIXES = "mµn"
SMALL, NOTHING = 1e-3, 1e-12
"""A value below the first number times its unit is shown in a smaller unit, such as mm for m.
A value below the second number counts as zero."""

MOST_DIGITS = 1e-6
"""A relative ± below this is not shown: no scale or ruler gives so many digits."""

MOST_DECIMALS = 6
"""A ± with more decimals than this is shown in a smaller unit, if a smaller unit exists."""

MANY_TIMES, LEAST_PART = 10.0, 1e-5
"""A ratio above the first number is shown as a multiple. A ratio below the second number is
shown as "less than"."""

MILLION, LONG = 1e6, 1e8
"""An acceleration above a million g is shown in millions of g. Any other value above the second
number is shown in millions of its unit, so that no number has more than nine digits."""

LEAST_MACH = 1e-3
"""A lower Mach number is only shown as "below" this value."""


@dataclass(frozen=True)
class UserUnits:
    """
    The units in which the user sees values.

    Attributes
    ----------
    speed : str
        One of `chrono.units.SPEED_UNITS`. It also decides the units of lengths and forces.
    """

    speed: str = "m/s"

    def of(self, kind: str) -> tuple[str, float]:
        """Return the unit for a quantity such as a length, and the size of this unit in SI."""
        if kind == "speed":
            return self.speed, SPEED_UNITS[self.speed]
        system = _METRIC if self.speed in ("m/s", "km/h") else _FEET
        return (system | _EVERYWHERE)[kind]

    def fitting(self, kind: str, value: float, U95: float = 0.0) -> tuple[str, float]:  # noqa: N803
        """
        Return a suitable unit for a value with its ±, and the size of this unit in SI.

        A small value gets a small metric unit, such as mm, even if the user chose feet.
        """
        unit, size = self.of(kind)
        if kind == "part" and abs(value) >= MANY_TIMES:
            unit, size = "times as much", 1.0
        if abs(value) >= (MILLION if kind == "acceleration" else LONG) * size:
            return f"million {unit}", MILLION * size
        is_small = NOTHING < abs(value) < size * SMALL
        is_fine = U95 > 0 and significant_decimals(U95 / size) > MOST_DECIMALS
        if is_small or is_fine:
            unit, size = _METRIC.get(kind, (unit, size))
            is_fine = U95 > 0 and significant_decimals(U95 / size) > MOST_DECIMALS
        if unit in _DIVIDED and (is_small or is_fine):
            power = max(math.ceil(-math.log10(abs(value) / size) / 3), int(is_fine), 0)
            return _divided(unit, size, power)
        return unit, size

    def show(self, kind: str, value: float, U95: float = 0.0) -> str:  # noqa: N803
        """Return a value with its ± in the user's unit."""
        unit, size = self.fitting(kind, value, U95 if math.isfinite(U95) else 0.0)
        if math.isinf(value):
            return "none"
        if kind == "part" and value + U95 < LEAST_PART:
            return f"less than {100 * LEAST_PART:g} {unit}"
        if 0 < U95 < MOST_DIGITS * abs(value):
            return self.show(kind, float(f"{value:.6g}"))
        shown = format_measured(value / size, U95 / size, unit)
        return shown.rstrip().replace(" °", "°")

    def above(self, kind: str, value: float, U95: float) -> str:  # noqa: N803
        """Return the upper end of the interval value ± U95, rounded up (finite)."""
        unit, size = self.fitting(kind, value + U95)
        end, decimals = (value + U95) / size, significant_decimals(U95 / size)
        if U95 <= 0:
            decimals = 3 - math.floor(math.log10(end))
        rounded = math.ceil(end * 10**decimals - 1e-9) / 10**decimals
        return f"{rounded:.{max(decimals, 0)}f} {unit}"

    def estimate(self, kind: str, found: Estimate) -> str:
        """Return an estimated value with its ±, or with a note if the ± is not known."""
        text = self.show(kind, found.value, found.U95)
        unknown = math.isinf(found.U95) and math.isfinite(found.value)
        return f"{text} (± not known)" if unknown else text


def _divided(unit: str, size: float, power: int) -> tuple[str, float]:
    """Return a smaller unit (with milli, micro or nano), and its value in SI units."""
    power = min(power, len(_PREFIXES))
    return (_PREFIXES[power - 1] + unit, size * 1e-3**power) if power else (unit, size)


def mach_text(mach: float) -> str:
    """Return a Mach number as text, such as ``Mach 0.12``."""
    return f"Mach {mach:.3g}" if mach >= LEAST_MACH else f"Mach below {LEAST_MACH}"


def estimate_data(found: Estimate) -> dict[str, float | None]:
    """Return an estimated value and its uncertainty as an object for JSON, in SI units."""
    values = {
        "value": found.value,
        "U95": found.U95,
        "u_random": found.u_random,
        "u_shared": found.u_shared,
    }
    return {k: v if math.isfinite(v) else None for k, v in values.items()}


def launch_data(launch: Launch) -> dict[str, Any]:
    """Return the input values of a computed launch as an object for JSON, in SI units."""
    body = {q.name: q for q in launch.body.quantities}
    masses = {
        "mass_kg": body[MASS].value if MASS in body else None,
        "diameter_m": body[DIAMETER].value if DIAMETER in body else None,
    }
    return {
        "setup": launch.name or None,
        "shots": launch.n,
        "speed_mps": launch.mean_mps if launch.speed else None,
        **masses,
        "air_density_kgpm3": launch.site.density_kgpm3,
        "gravity_mps2": launch.site.gravity_mps2,
    }


def head_lines(what: str, launches: Sequence[Launch], units: UserUnits) -> list[str]:
    """Return lines with the title, the body (if all launches use the same), and the air."""
    bodies = {launch_body_text(launch, units) for launch in launches}
    body = bodies.pop() if len(bodies) == 1 else "the setups have different bodies"
    return [*filled(f"{what}: {body}" if body else what, 0), *filled(air_line(launches[0]))]


def unlike_bodies_line(name: str, bodies: int) -> str:
    """Return why the program does not know the body of a setup's next shot."""
    return (
        f"{setup_text(name)}: the shots have {bodies} different bodies, so the program takes "
        "the body of the next shot only from --mass and --diameter"
    )


def own_body(
    launch: Launch, launches: Sequence[Launch], units: UserUnits
) -> list[tuple[str, str]]:
    """Return a row that names the body of a launch; no row if all bodies are equal."""
    one = len({launch_body_text(each, units) for each in launches}) == 1
    return [] if one else [("body", launch_body_text(launch, units))]


def refused_words(results: Sequence[object]) -> list[str]:
    """Return that no launch has a result, for the end of a command; otherwise nothing."""
    is_refused = [isinstance(result, RefusedLaunch) for result in results]
    return ["no setup has a result"] if all(is_refused) else []


def launch_body_text(launch: Launch, units: UserUnits) -> str:
    """Return mass, size and drag of the launched body, each with its ± (95 %)."""
    body, parts = launch.body, []
    if body.mass:
        parts.append(units.show("mass", body.mass.value, body.mass.U95))
    if body.diameter:
        parts.append(units.show("size", body.diameter.value, body.diameter.U95))
    if body.terminal is None and body.drag_is_known:
        parts.append("smooth sphere" if body.sphere else _drag_text(body.drag))
    elif body.terminal is not None:
        speed = body.terminal.value
        shown = units.show("speed", speed, body.terminal.U95)
        word = "no air" if math.isinf(speed) else f"{TERMINAL} {shown}"
        parts.append(word)
    return ", ".join(parts)


def _drag_text(drag: Quantity) -> str:
    return f"drag {format_measured(drag.value, drag.U95, '')}".rstrip()


def air_line(launch: Launch) -> str:
    """Return the state of the air and the gravity as one line of text."""
    site = launch.site
    return (
        f"air {site.density_kgpm3:.4g} kg/m³ ({site.temperature_k - ICE_POINT_K:.3g} °C, "
        f"{site.pressure_pa / 100:.4g} hPa, {100 * site.humidity:.3g} %), "
        f"gravity {site.gravity_mps2:.4f} m/s²"
    )


def name_of(launch: Launch) -> str:
    """Return the name of the setup of a launch, and the number of its shots."""
    shots = count_text(launch.n, "shot")
    return f"{setup_text(launch.name)} ({shots})" if launch.n else "one body"


def table(rows: Sequence[tuple[str, str]], indent: int = 2) -> list[str]:
    """Return names and values as lines of a table; all values begin in the same column."""
    width = max((len(name) for name, _ in rows), default=0)
    return [f"{'':>{indent}}{name:<{width}}  {value}" for name, value in rows]


def leading_line(found: Estimate, what: str) -> str:
    """Return a line with the largest contributions to the variance of an estimated value."""
    parts = sorted(found.uncertainty.contributions, key=lambda c: c.u_out, reverse=True)
    total = found.uncertainty.u
    if not parts or not total or not math.isfinite(total):
        return ""
    shares = [(plain(p.name), 100 * (p.u_out / total) ** 2) for p in parts[:3]]
    words = ", ".join(f"{name} {share:.0f} %" for name, share in shares if share >= 0.5)
    return f"causes of the ± of the {what} (shares of u²): {words}"


def parts_text(found: Estimate, kind: str, units: UserUnits) -> str:
    """Return the random part of u, and the part that is the same for all shots (shared)."""
    unit, size = units.fitting(kind, max(found.u_random, found.u_shared))
    random, shared = found.u_random / size, found.u_shared / size
    if not found.u_random:
        return f"u from errors shared by all shots {format_value(shared, shared)} {unit}"
    return (
        f"u from random errors {format_value(random, random)} {unit}, "
        f"from errors shared by all shots {format_value(shared, shared)} {unit}"
    )


def filled(text: str, indent: int = 2) -> list[str]:
    """Return a sentence as lines of at most `COLUMNS` characters."""
    pad = " " * indent
    whole = _TOGETHER.sub("\N{NO-BREAK SPACE}", text)
    lines = wrap(whole, COLUMNS, initial_indent=pad, subsequent_indent=pad)
    return [line.replace("\N{NO-BREAK SPACE}", " ") for line in lines]


def letters_for(results: Sequence[object]) -> list[str]:
    """Return a letter for the curve of each result; a single result gets no letter."""
    count = len(results)
    return [LETTERS[i % len(LETTERS)] if count > 1 else "" for i in range(count)]


def refused_lines(refused: RefusedLaunch, letter: str) -> list[str]:
    """Return lines that explain why the program has no result for a launch."""
    return filled(f"{lettered(letter, name_of(refused.launch))}: {refused.reason}", 0)


def lettered(letter: str, text: str) -> str:
    """Put the letter of a curve in front of a text; `letter` may be empty."""
    return f"{letter}: {text}" if letter else text


def refused_data(refused: RefusedLaunch) -> dict[str, Any]:
    """Return an object for JSON that states why a launch has no result."""
    return {**launch_data(refused.launch), "refused": refused.reason}
