"""Read and write quantities with units; inside the program all numbers are in SI units.

A text such as ``"300 mm"`` may have any unit that the library pint knows. A unit must be of the
wanted kind: for example, an angle is not accepted as a ratio.
"""

import math
import re
from decimal import Decimal
from functools import cache
from typing import TYPE_CHECKING

from chrono.errors import UnitError

if TYPE_CHECKING:
    import pint

SPEED_UNITS = {"m/s": 1.0, "km/h": 1000 / 3600, "ft/s": 0.3048, "mph": 1609.344 / 3600}
"""Units in which speeds are shown, with their size in m/s (exact: NIST SP 811 appendix B)."""

KINDS = {
    "m": ("a length", "300 mm"),
    "s": ("a time", "0.2 us"),
    "rad": ("an angle", "1 deg"),
    "Hz": ("a frequency", "16 MHz"),
    "kg": ("a mass", "24 g"),
    "K": ("a temperature", "18 degC"),
    "Pa": ("a pressure", "1005 hPa"),
    "m/s": ("a speed", "45 m/s"),
    "m/s^2": ("an acceleration", "50 g"),
    "m^3": ("a volume", "0.5 L"),
    "N": ("a force", "12 N"),
    "J": ("an energy", "20 J"),
    "": ("a ratio", "50 ppm"),
}
"""For each SI unit: the kind of quantity, and an example for the user."""

EVERYDAY_UNITS = {
    "m": ("m", 1.0),
    "cm": ("m", 1e-2),
    "mm": ("m", 1e-3),
    "s": ("s", 1.0),
    "ms": ("s", 1e-3),
    "us": ("s", 1e-6),
    "µs": ("s", 1e-6),
    "ns": ("s", 1e-9),
    "deg": ("rad", math.pi / 180),
    "MHz": ("Hz", 1e6),
    "kg": ("kg", 1.0),
    "g": ("kg", 1e-3),
    "hPa": ("Pa", 1e2),
    "m/s": ("m/s", 1.0),
    "ppm": ("", 1e-6),
    "%": ("", 1e-2),
}
"""SI unit and factor for each common unit."""

ABSENT_TEXT = "—"
"""The program shows this sign in place of a missing number."""

STANDARD_GRAVITY_MPS2 = 9.80665
"""The value of g that is used for decelerations (CGPM 1901; exact)."""

ICE_POINT_K = 273.15
"""The temperature 0 °C in kelvin (exact: BIPM SI Brochure 2.3.1)."""

_BARE = re.compile(
    r"\s*[+-]?[0-9.]+(e[+-]?[0-9]+)?(\s*(±|\+-|\+/-)\s*[0-9.]+(e[+-]?[0-9]+)?)?\s*"
)
"""A number, or a number with its ±, without a unit."""

_NUMBER = re.compile(r"\s*([+-]?(?:\d+\.?\d*|\.\d+)(?:[eE][+-]?\d+)?)\s*(.*?)\s*", re.ASCII)
_FACTOR = r"[A-Za-zµμ°Ω_%]+(?:\^-?[1-9])?"
_UNIT = re.compile(rf"{_FACTOR}(?: ?[*/·] ?{_FACTOR})*")
_LONGEST_UNIT = 40
_PLUS_MINUS = re.compile(r"±|\+/-|\+-")


def parse_quantity(text: str, unit: str, where: str = "") -> float:
    """
    Read a number with its unit.

    Parameters
    ----------
    text : str
        A quantity such as ``"300 mm"``, ``"18 degC"``, ``"50 ppm"``.
    unit : str
        The wanted SI unit, a key of `KINDS`; ``""`` for a ratio.
    where : str, optional
        The place of the text, such as an option; the error message shows it.

    Returns
    -------
    float
        The value in `unit`.

    Raises
    ------
    UnitError
        A number or a unit is missing, the unit is unknown, or the quantity is of another kind.
    """
    number, unit_text = _split(text, unit, where)
    value = _converted(number, unit_text, unit) if unit_text else number
    if value is None or not math.isfinite(value):
        raise _refusal(text, unit, where)
    return value


def with_unit(text: str, unit: str) -> str:
    """Return the text of a quantity; add `unit` if the text has no unit."""
    return f"{text} {unit}" if _BARE.fullmatch(text) else text


def parse_measured(text: str, unit: str, where: str = "") -> tuple[float, float | None]:
    """
    Read a quantity with or without a ±, such as ``"45.1 ± 0.3 m/s"``.

    Parameters
    ----------
    text : str
        A quantity (see `parse_quantity`); ``+-`` and ``+/-`` also mean ``±``.
    unit, where : str
        See `parse_quantity`.

    Returns
    -------
    value : float
        The value in `unit`.
    U95 : float or None
        The number after the ±, a half-width at 95 %. None without a ±.

    Raises
    ------
    UnitError
        See `parse_quantity`.
    """
    parts = _PLUS_MINUS.split(text, maxsplit=1)
    if len(parts) == 1:
        return parse_quantity(text, unit, where), None
    first, second = (part.strip() for part in parts)
    split = _NUMBER.fullmatch(second)
    if split is None:
        raise _refusal(text, unit, where, "with its uncertainty ")
    number = _NUMBER.fullmatch(first)
    if number is not None and not number[2]:
        first = f"{first} {split[2]}"
    half_width = parse_quantity(second, unit, where)
    if half_width < 0:
        raise _refusal(text, unit, where, "with its uncertainty ")
    return parse_quantity(first, unit, where), half_width


def parse_acceleration(text: str, where: str = "") -> float:
    """Read an acceleration [m/s²]; here ``g`` means 9.80665 m/s², not gram."""
    match = _NUMBER.fullmatch(text)
    if match is not None and match[2] == "g":
        return float(match[1]) * STANDARD_GRAVITY_MPS2
    return parse_quantity(text, "m/s^2", where)


def speed_in(unit: str, speed_mps: float) -> float:
    """Convert a speed from m/s to one of `SPEED_UNITS`."""
    return speed_mps / SPEED_UNITS[unit]


def format_speed(speed_mps: float, U95_mps: float, unit: str) -> str:  # noqa: N803
    """
    Write a speed with its expanded uncertainty, such as ``"45.12 ± 0.13 m/s"``.

    `significant_decimals` gives the number of digits. Without an uncertainty, the text has four
    significant digits. Without a speed, the text is a dash.
    """
    return format_measured(speed_in(unit, speed_mps), speed_in(unit, U95_mps), unit)


def format_measured(value: float, U95: float, unit: str) -> str:  # noqa: N803
    """Write a value and its expanded uncertainty, both given in `unit`; see `format_speed`."""
    if not math.isfinite(value):
        return ABSENT_TEXT
    if not math.isfinite(U95) or U95 <= 0:
        return f"{four_digits(value)} {unit}"
    return f"{format_value(value, U95)} ± {format_value(U95, U95)} {unit}"


def four_digits(value: float) -> str:
    """Write a value with at most four significant digits, and never with a power of ten."""
    return to_digits(value, 4)


def to_digits(value: float, digits: int) -> str:
    """Write a value with at most this many significant digits, never with a power of ten."""
    return format(Decimal(f"{value:.{digits}g}"), "f")


def format_value(value: float, uncertainty: float) -> str:
    """Write `value` with as many digits as its `uncertainty` justifies."""
    if not math.isfinite(value):
        return ABSENT_TEXT
    decimals = significant_decimals(uncertainty)
    shown = round(value, decimals) + 0.0  # no minus sign before a zero
    return f"{shown:.{max(decimals, 0)}f}"


def significant_decimals(uncertainty: float) -> int:
    """
    Return how many decimals to show; a negative number means: round to tens, hundreds, …

    The first three digits of the uncertainty decide. 100 to 354 give two digits, and 355 to
    949 give one digit. 950 to 999 are rounded up to 1000, with two digits. Source: Particle
    Data Group, Review of Particle Physics, Introduction 5.3.
    """
    if not math.isfinite(uncertainty) or uncertainty <= 0:
        return 3
    exponent = math.floor(math.log10(uncertainty))
    first_three = round(uncertainty / 10.0 ** (exponent - 2))
    if first_three < 355:
        return 1 - exponent
    return -exponent


def quote(text: object) -> str:
    """Return `text` in double quotes for an error message, shortened and safe to print."""
    shown = "".join(c if c.isprintable() else f"\\x{ord(c):02x}" for c in str(text))
    return f'"{shown}"' if len(shown) <= 60 else f'"{shown[:57]}…"'


def _split(text: str, unit: str, where: str) -> tuple[float, str]:
    match = _NUMBER.fullmatch(text)
    if match is None or len(match[2]) > _LONGEST_UNIT:
        raise _refusal(text, unit, where)
    if unit and not match[2]:
        raise _refusal(text, unit, where, "with its unit ")
    return float(match[1]), match[2]


def _converted(number: float, unit_text: str, unit: str) -> float | None:
    """Convert the number to `unit`; None if `unit_text` is unknown or of another kind."""
    if unit_text in EVERYDAY_UNITS:
        kind, factor = EVERYDAY_UNITS[unit_text]
        return number * factor if kind == unit else None
    if (unit_text, unit) == ("degC", "K"):
        return number + ICE_POINT_K
    return convert(number, unit_text, unit)


def convert(number: float, unit_text: str, unit: str) -> float | None:
    """Convert a number from `unit_text` to `unit` with pint; None if this is impossible."""
    if _UNIT.fullmatch(unit_text) is None:
        return None
    registry = _registry()
    try:
        quantity = registry.Quantity(number, registry.parse_units(unit_text)).to_base_units()
    except Exception:  # pint's parser raises many kinds of exceptions
        return None
    same_kind = quantity.units == registry.Quantity(1.0, unit).to_base_units().units
    return float(quantity.magnitude) if same_kind else None


def _refusal(text: str, unit: str, where: str, extra: str = "") -> UnitError:
    kind, example = KINDS[unit]
    hint = f'write {kind} with its unit, such as "{example}"'
    if "," in text:
        hint += ", with a decimal point, not a comma"
    message = f"{quote(text)} was given, but {kind} {extra}is needed"
    return UnitError(message, where=where, hint=hint)


@cache
def _registry() -> "pint.UnitRegistry[float]":
    import pint

    return pint.UnitRegistry()
