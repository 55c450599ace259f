"""Define the sections of a rig, and the unit, limits and default of each quantity.

In a rig file, a quantity is written as text with a unit, and its key is the `alias` in this
module. In a recording, a quantity is an SI number, and its key is the name of the attribute.
"""

import datetime
import math
import unicodedata
from collections.abc import Mapping
from enum import Enum, auto
from typing import Annotated, Literal, Self

from pydantic import (
    AfterValidator,
    BaseModel,
    BeforeValidator,
    ConfigDict,
    Field,
    PlainSerializer,
    PlainValidator,
    PrivateAttr,
    ValidationInfo,
    model_validator,
)
from pydantic_core import PydanticCustomError

from chrono.errors import UnitError
from chrono.rigs.line_kinds import FRAMED, LINE_KINDS, PLAIN, LineKind, kind_names
from chrono.units import ICE_POINT_K, KINDS, parse_quantity, quote

Shape = Literal["round", "flat"]
"""Shape of a body's ends: round like a ball, or flat like a rod that is cut square."""

_QUOTE = "'"
_UNPRINTABLE = {"Cc", "Cf", "Cs", "Zl", "Zp"}


def _quantity(unit: str, low: float, high: float, limits: str) -> BeforeValidator:
    """Make the function that reads a quantity; `limits` states `low` and `high` in words."""
    kind, example = KINDS[unit]

    def read(value: object, info: ValidationInfo) -> float:
        from_file = bool((info.context or {}).get("file"))
        if from_file != isinstance(value, str):
            raise _trouble(
                f"is {shown(value)}, but must be {kind} with its unit",
                f'write {kind} with its unit, in quotes, such as "{example}"',
            )
        try:
            number = parse_quantity(value, unit) if isinstance(value, str) else _number(value)
        except UnitError as error:
            raise _trouble(f"is {shown(value)}, but must be {kind}", error.hint) from error
        if not low <= number <= high:
            raise _trouble(f"is {shown(value)}, but must be {limits}", f"write {kind} {limits}")
        return number

    return BeforeValidator(read)


def _number(value: object) -> float:
    if isinstance(value, bool) or not isinstance(value, int | float):
        raise _trouble(
            f"is {shown(value)}, but must be a number", "write a number for this key"
        )
    try:
        return float(value)
    except OverflowError:
        return math.inf


def _trouble(reason: str, hint: str, key: str = "") -> PydanticCustomError:
    """Make an error. A message shows the text of the error after the name of the wrong key."""
    return PydanticCustomError("rig", "{reason}", {"reason": reason, "hint": hint, "key": key})


def shown(value: object) -> str:
    """Return a value as text for a message; only a value that is a text gets quotes."""
    return quote(value) if isinstance(value, str) else quote(value)[1:-1]


def _harmless(text: str) -> str:
    if _UNPRINTABLE & {unicodedata.category(character) for character in text}:
        raise _trouble(
            f"is {quote(text)}, but must not contain control characters",
            "use printable characters only",
        )
    return text


def _degrees(value: object) -> object:
    """Replace an infinite value by None (no limit), because JSON has no infinity."""
    return None if value == math.inf else value


def _iso_date(value: object) -> object:
    return value.isoformat() if isinstance(value, datetime.date) else value


Length = Annotated[float, _quantity("m", 1e-3, 100.0, "between 1 mm and 100 m")]
Tolerance = Annotated[float, _quantity("m", 0.0, 10.0, "between 0 mm and 10 m")]
Distance = Annotated[float, _quantity("m", 0.0, 10e3, "between 0 m and 10 km")]
Altitude = Annotated[float, _quantity("m", -500.0, 9000.0, "between -500 m and 9000 m")]
Delay = Annotated[float, _quantity("s", 0.0, 1.0, "between 0 s and 1 s")]
LaunchTime = Annotated[float, _quantity("s", 1e-3, 10.0, "between 1 ms and 10 s")]
Difference = Annotated[float, _quantity("s", -1.0, 1.0, "between -1 s and 1 s")]
Tick = Annotated[float, _quantity("s", 1e-10, 0.1, "between 0.1 ns and 0.1 s")]
Angle = Annotated[float, _quantity("rad", 0.0, math.radians(10), "between 0 deg and 10 deg")]
SLOPE_WORDS = {"level": "0 deg", "down": "90 deg", "up": "-90 deg"}
"""Words that the user may write for the most common slopes."""


def _slope_word(value: object) -> object:
    """Replace a slope word (level, down or up) by its angle; keep every other value."""
    return SLOPE_WORDS.get(value.strip().lower(), value) if isinstance(value, str) else value


Slope = Annotated[
    float,
    _quantity(
        "rad",
        -math.pi / 2 * (1 + 1e-12),
        math.pi / 2 * (1 + 1e-12),
        'between -90 deg (straight up) and 90 deg (straight down), or "level", "down", "up"',
    ),
    BeforeValidator(_slope_word),
]
SlopeTolerance = Annotated[
    float, _quantity("rad", 0.0, math.radians(45), "between 0 deg and 45 deg")
]
Latitude = Annotated[
    float, _quantity("rad", -math.pi / 2, math.pi / 2, "between -90 deg and 90 deg")
]
Frequency = Annotated[float, _quantity("Hz", 1e3, 1e10, "between 1 kHz and 10 GHz")]
Mass = Annotated[float, _quantity("kg", 1e-6, 1000.0, "between 1 mg and 1000 kg")]
Speed = Annotated[float, _quantity("m/s", 1e-3, 1e5, "between 1 mm/s and 100 km/s")]
Temperature = Annotated[float, _quantity("K", 173.15, 373.15, "between -100 degC and 100 degC")]
Pressure = Annotated[float, _quantity("Pa", 1e3, 1.2e5, "between 10 hPa and 1200 hPa")]
Fraction = Annotated[float, _quantity("", 0.0, 1.0, "between 0 % and 100 %")]
RateTolerance = Annotated[float, _quantity("", 0.0, 0.2, "between 0 ppm and 20 %")]
RateError = Annotated[float, _quantity("", -0.2, 0.2, "between -20 % and 20 %")]
Name = Annotated[str, Field(min_length=1, max_length=80), AfterValidator(_harmless)]
Identity = Annotated[str, Field(max_length=80), AfterValidator(_harmless)]
Evidence = Annotated[str, Field(max_length=1000), AfterValidator(_harmless)]
Degrees = Annotated[float | None, Field(ge=1, allow_inf_nan=False), BeforeValidator(_degrees)]
Date = Annotated[
    str, Field(pattern=r"^(\d{4}-\d\d-\d\d([T ][0-9:.+Z-]+)?)?$"), BeforeValidator(_iso_date)
]


def _line_kind(value: object) -> LineKind:
    """Return the `LineKind` for the name that a rig file or a recording states."""
    kind = LINE_KINDS.get(value) if isinstance(value, str) else value
    if isinstance(kind, LineKind):
        return kind
    raise _trouble(
        f"is {shown(value)}, but must be {kind_names('or', quote=_QUOTE)}",
        "write one of these names",
    )


Lines = Annotated[LineKind, PlainValidator(_line_kind), PlainSerializer(str)]
SpeedUnit = Literal["m/s", "km/h", "ft/s", "mph"]


class _Section(BaseModel):
    model_config = ConfigDict(frozen=True, extra="forbid", strict=True)


class Gates(_Section):
    """
    The two light gates.

    Attributes
    ----------
    spacing_m : float
        Distance between the two beams, along the axis of the gates [m].
    spacing_tolerance_m, trip_tolerance_m : float
        Half-width of the spacing, and half-width of the place in its beam where each gate
        trips [m].
    tilt_limit_rad : float
        Largest angle between the body's path and the gates' axis [rad].
    latency_mismatch_s : float
        Half-width of the difference between the delays of the two sensors [s].
    off_centre_m : float
        Largest distance between the centre of a body and the middle of each beam [m], for round
        bodies that are timed by one pair of edges.
    slope_rad, slope_tolerance_rad : float
        Angle of the path below the horizontal (negative if the path goes up), and its
        half-width [rad].
    """

    spacing_m: Length = Field(alias="spacing")
    spacing_tolerance_m: Tolerance = Field(0.5e-3, alias="spacing_tolerance")
    trip_tolerance_m: Tolerance = Field(0.2e-3, alias="trip_tolerance")
    tilt_limit_rad: Angle = Field(math.radians(1), alias="tilt_limit")
    latency_mismatch_s: Delay = Field(2e-6, alias="latency_mismatch")
    off_centre_m: Tolerance = Field(5e-3, alias="off_centre")
    slope_rad: Slope = Field(0.0, alias="slope")
    slope_tolerance_rad: SlopeTolerance = Field(math.radians(2), alias="slope_tolerance")

    @model_validator(mode="after")
    def _tolerances_are_small(self) -> Self:
        for key, value in (
            ("spacing_tolerance", self.spacing_tolerance_m),
            ("trip_tolerance", self.trip_tolerance_m),
        ):
            if value > self.spacing_m / 4:
                raise _trouble(
                    f"is {value * 1e3:g} mm, but must be at most a quarter of the spacing",
                    "place the gates farther apart, or measure more exactly and write a "
                    "smaller ±",
                    key,
                )
        return self


class Clock(_Section):
    """
    The counter with which the board measures time.

    Attributes
    ----------
    frequency_hz : float
        Nominal frequency of the counter [Hz]; a hello line overrides it.
    counter_bits : int
        Width of the counter in bits.
    rate_tolerance : float
        Half-width of the frequency's relative error.
    jitter_s : float
        Standard deviation of one timestamp [s].
    step_s : float or None
        Step of the timestamps if the lines do not count ticks [s]; None means 1 us.
    from_host : bool
        True if the program finds the rate of the counter by comparing the beats with the
        computer's clock.
    """

    frequency_hz: Frequency = Field(16e6, alias="frequency")
    counter_bits: int = Field(32, ge=8, le=62)
    rate_tolerance: RateTolerance = Field(5000e-6, alias="rate_tolerance")
    jitter_s: Delay = Field(0.1e-6, alias="jitter")
    step_s: Tick | None = Field(None, alias="tick")
    from_host: bool = False
    _lines: LineKind = PrivateAttr(FRAMED)

    @property
    def unit_s(self) -> float:
        """Duration of one unit of the counter values [s]."""
        return self._lines.unit_s or 1 / self.frequency_hz

    @property
    def tick_s(self) -> float:
        """Smallest possible difference between two timestamps [s]."""
        return self.step_s or self.unit_s


class Body(_Section):
    """
    The body that flies through the gates: its mass, its size and its shape.

    The mass is in kg. The diameter across the path and the length along the path are in m.
    """

    name: Name = "squash ball"
    mass_kg: Mass = Field(24e-3, alias="mass")
    diameter_m: Length = Field(40e-3, alias="diameter")
    length_m: Length = Field(40e-3, alias="length")
    shape: Shape = "round"


class Window(_Section):
    """
    The limits that decide which bodies count as a shot.

    Attributes
    ----------
    slowest_mps, fastest_mps : float
        Lowest and highest speed of a shot [m/s].
    quiet_s : float
        If a gate trips again within this time, it is still the same passage [s].
    launch_s : float
        Bodies that follow within this time belong to the same launch [s].
    """

    slowest_mps: Speed = Field(2.0, alias="slowest")
    fastest_mps: Speed = Field(200.0, alias="fastest")
    quiet_s: Delay = Field(0.2e-3, alias="quiet")
    launch_s: LaunchTime = Field(0.25, alias="launch")

    @model_validator(mode="after")
    def _slowest_is_below_fastest(self) -> Self:
        if self.slowest_mps >= self.fastest_mps:
            raise _trouble(
                f"is {self.slowest_mps:g} m/s, but must be below window.fastest, which is "
                f"{self.fastest_mps:g} m/s",
                "make window.slowest smaller than window.fastest",
                "slowest",
            )
        return self


class Site(_Section):
    """
    The place of the gates. The program uses these values to compute air drag and local gravity.

    All values are in SI units. The humidity is a number from 0 to 1.
    """

    muzzle_distance_m: Distance = Field(1.0, alias="muzzle_distance")
    latitude_rad: Latitude = Field(math.radians(50), alias="latitude")
    altitude_m: Altitude = Field(100.0, alias="altitude")
    temperature_k: Temperature = Field(18 + ICE_POINT_K, alias="temperature")
    pressure_pa: Pressure = Field(100500.0, alias="pressure")
    humidity: Fraction = Field(0.6, alias="humidity")


class _Result(_Section):
    """The values that every calibration result has: degrees of freedom, date and evidence."""

    dof: Degrees = None
    date: Date = ""
    evidence: Evidence = ""

    @property
    def degrees_of_freedom(self) -> float:
        """Degrees of freedom of the standard uncertainty; infinity if there is no limit."""
        return math.inf if self.dof is None else self.dof


class ClockResult(_Result):
    """
    Relative error of the counter's frequency, and the standard uncertainty u of this error.

    If the relative error is ε, the frequency is f = f_nominal·(1 + ε).
    """

    rate_error: RateError = Field(alias="value")
    rate_error_u: RateTolerance = Field(alias="u")


class LatencyResult(_Result):
    """Delay of gate B minus delay of gate A, and the u of this difference [s]."""

    difference_s: Difference = Field(alias="value")
    difference_u_s: Delay = Field(alias="u")


class SpacingResult(_Result):
    """
    Calibrated spacing of the gates, and the standard uncertainty of the spacing [m].

    If `covers_trip` is true, the value is the distance between the places where the gates trip.
    """

    spacing_m: Length = Field(alias="value")
    spacing_u_m: Tolerance = Field(alias="u")
    covers_trip: bool = False


class Calibration(_Section):
    """Results of calibrations. Each result is optional and replaces a tolerance."""

    clock: ClockResult | None = None
    latency: LatencyResult | None = None
    spacing: SpacingResult | None = None

    @property
    def rate_error(self) -> float:
        """Relative error of the counter's frequency; 0 if the counter was not calibrated."""
        return self.clock.rate_error if self.clock else 0.0

    @property
    def latency_difference_s(self) -> float:
        """Delay of gate B minus delay of gate A [s]; 0 if the delays were not calibrated."""
        return self.latency.difference_s if self.latency else 0.0


class Rig(_Section):
    """
    The complete description of a rig.

    Attributes
    ----------
    name : str
        The user's name for the rig.
    identity : str
        Text that identifies these two gates; empty if the file has no identity. See
        `is_same_rig`.
    speed_unit : str
        Unit in which speeds are shown, one of `chrono.units.SPEED_UNITS`.
    lines : LineKind
        The kind of lines that the board sends.
    gates, clock, body, window, site, calibration
        The sections of the file.
    """

    name: Name = "light gates"
    identity: Identity = ""
    speed_unit: SpeedUnit = "m/s"
    lines: Lines = FRAMED
    gates: Gates
    clock: Clock = Field(default_factory=lambda: Clock.model_validate({}))
    body: Body = Field(default_factory=lambda: Body.model_validate({}))
    window: Window = Field(default_factory=lambda: Window.model_validate({}))
    site: Site = Field(default_factory=lambda: Site.model_validate({}))
    calibration: Calibration = Field(default_factory=Calibration)

    @model_validator(mode="after")
    def _lines_and_tick_agree(self) -> Self:
        if self.lines.counts_ticks and self.clock.step_s is not None:
            raise _trouble(
                f'must not be set if lines = "{self.lines}", because the program '
                "then computes the time step as 1/frequency",
                f'remove clock.tick, or write lines = "{PLAIN}"',
                "clock.tick",
            )
        self.clock._lines = self.lines
        return self

    @model_validator(mode="after")
    def _counter_holds_a_shot(self, info: ValidationInfo) -> Self:
        trouble = self.counter_trouble()
        if trouble and (info.context or {}).get("file"):
            reason, hint = trouble
            found = f"is {self.clock.counter_bits}: a counter with this number of bits {reason}"
            raise _trouble(found, hint, "clock.counter_bits")
        return self

    def counter_trouble(self) -> tuple[str, str] | None:
        """If the counter has too few bits for a slow body, return the reason and what to do."""
        wrap_s = 2**self.clock.counter_bits * self.clock.unit_s
        way_m = self.gates.spacing_m + self.body.length_m
        shot_s = way_m / self.window.slowest_mps
        if self.lines.is_interval or wrap_s >= shot_s:
            return None
        needed = math.ceil(math.log2(shot_s / self.clock.unit_s))
        step_mps = 10 ** (math.floor(math.log10(way_m / wrap_s)) - 2)
        slowest_mps = math.ceil(way_m / wrap_s / step_mps) * step_mps  # never below
        return (
            f"wraps to 0 every {wrap_s * 1e3:.3g} ms, but the slowest body needs "
            f"{shot_s * 1e3:.3g} ms to pass both gates",
            f"use a counter with {needed} bits or more, or set window.slowest to "
            f"{slowest_mps:.6g} m/s or more",
        )

    @property
    def spacing_m(self) -> float:
        """
        Distance between the gates that the program uses to compute speeds [m].

        A calibrated value replaces the value that the user stated.
        """
        calibrated = self.calibration.spacing
        return calibrated.spacing_m if calibrated else self.gates.spacing_m


FEW_TICKS = 10
"""Smallest good number of counter steps in a transit. With fewer steps, the ± is large (common
practice, no source)."""


class RigDoubt(Enum):
    """A reason why a rig is not plausible."""

    BEHIND_MOUTH = auto()
    """Gate A would be at the launcher's mouth or behind it."""
    BLOCKS_BOTH = auto()
    """The body is at least as long as the distance between the gates."""
    FEW_TICKS = auto()
    """The fastest body passes both gates within a few steps of the counter."""


def rig_doubts(rig: Rig) -> tuple[RigDoubt, ...]:
    """Return all reasons why a rig is not plausible."""
    found = {
        RigDoubt.BEHIND_MOUTH: stands_behind_mouth(rig),
        RigDoubt.BLOCKS_BOTH: rig.body.length_m >= rig.spacing_m,
        RigDoubt.FEW_TICKS: fewest_ticks(rig) < FEW_TICKS,
    }
    return tuple(doubt for doubt, holds in found.items() if holds)


def with_body(rig: Rig, own: Mapping[str, float]) -> Rig:
    """Return a copy of the rig with the values of the body that a setup states, in SI units."""
    return rig.model_copy(update={"body": rig.body.model_copy(update=dict(own))})


def stands_behind_mouth(rig: Rig) -> bool:
    """Check if gate A would be at the launcher's mouth or behind the mouth."""
    return rig.site.muzzle_distance_m <= rig.spacing_m / 2


def fewest_ticks(rig: Rig) -> float:
    """Return the number of counter steps in the transit of the fastest body."""
    return rig.spacing_m / rig.window.fastest_mps / rig.clock.tick_s
