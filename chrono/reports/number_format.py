"""Write numbers for a school class: units, decimal sign, no powers of ten."""

import math
from collections.abc import Iterable
from dataclasses import dataclass
from decimal import Decimal

from chrono.errors import OptionError
from chrono.units import SPEED_UNITS, significant_decimals

LENGTHS = {"mm": 1e-3, "cm": 1e-2, "m": 1.0, "in": 0.0254}
TIMES = {"us": 1e-6, "ms": 1e-3, "s": 1.0}
_SHOWN = {"us": "µs"}
_SMALL_TIMES = (("ms", 1e-3), ("µs", 1e-6), ("ns", 1e-9))


@dataclass(frozen=True)
class NumberFormat:
    """
    The units and the decimal sign (point or comma) that the program uses for numbers.

    Attributes
    ----------
    speed, length, time : str
        Names of units: keys of `SPEED_UNITS`, `LENGTHS` and `TIMES`.
    decimal_comma : bool
    """

    speed: str = "m/s"
    length: str = "mm"
    time: str = "ms"
    decimal_comma: bool = False

    def number(self, value: float, digits: int = 6) -> str:
        """Write a number with a given number of significant digits; keep zeros at the end."""
        if not math.isfinite(value):
            return "∞"
        exponent = math.floor(math.log10(abs(value))) if value else 0
        return self._signed(f"{value:.{max(digits - 1 - exponent, 0)}f}")

    def plainly(self, value: float) -> str:
        """Write a given value with at most six digits, without zeros at the end."""
        return self._signed(format(Decimal(f"{value:.6g}"), "f"))

    def to_uncertainty(self, value: float, uncertainty: float) -> str:
        """Round a value to the digits that its uncertainty allows, and return it as text."""
        decimals = significant_decimals(uncertainty)
        return self._signed(f"{round(value, decimals):.{max(decimals, 0)}f}")

    def in_speed(self, speed_mps: float) -> float:
        """Return a speed in the unit that the school class uses."""
        return speed_mps / SPEED_UNITS[self.speed]

    def in_length(self, length_m: float) -> float:
        """Return a length in the unit that the school class uses."""
        return length_m / LENGTHS[self.length]

    def in_time(self, time_s: float) -> float:
        """Return a time in the unit that the school class uses."""
        return time_s / TIMES[self.time]

    @property
    def time_unit(self) -> str:
        """The unit of times, as the program prints it."""
        return _SHOWN.get(self.time, self.time)

    def stated_length(self, length_m: float) -> str:
        """Write a given length with its unit."""
        return f"{self.plainly(self.in_length(length_m))} {self.length}"

    def stated_time(self, time_s: float) -> str:
        """Write a given short time in a suitable unit: ms, µs or ns."""
        unit, size = next((u for u in _SMALL_TIMES if time_s >= 0.999 * u[1]), _SMALL_TIMES[-1])
        return f"{self.plainly(time_s / size)} {unit}"

    def _signed(self, text: str) -> str:
        return text.replace(".", ",") if self.decimal_comma else text


def number_format_of(text: str, speed: str, decimal_comma: bool) -> NumberFormat:
    """
    Read the units that a school class uses, such as ``"km/h, cm, ms"``.

    Parameters
    ----------
    text : str
        At most one unit of speed, one of length and one of time. The text may be empty.
    speed : str
        Unit of speeds if `text` names no unit of speed.
    decimal_comma : bool

    Raises
    ------
    OptionError
        If a unit is unknown, or if two units are of the same kind.
    """
    chosen = {"speed": speed, "length": "mm", "time": "ms"}
    kinds = {"speed": SPEED_UNITS, "length": LENGTHS, "time": TIMES}
    named = set[str]()
    for unit in (part.strip().replace("µs", "us") for part in text.split(",") if part.strip()):
        kind = next((kind for kind, units in kinds.items() if unit in units), "")
        if not kind or kind in named:
            what = (
                f"{unit!r} is a second unit of {kind}, but you can give only one unit of a kind"
                if kind
                else f"{unit!r} is not a known unit"
            )
            raise OptionError(what, where="--units", hint=_hint(kinds.values()))
        named.add(kind)
        chosen[kind] = unit
    return NumberFormat(**chosen, decimal_comma=decimal_comma)


def _hint(units: Iterable[dict[str, float]]) -> str:
    listed = " and ".join("one of " + ", ".join(each) for each in units)
    return f"give units with commas between them: {listed}"
