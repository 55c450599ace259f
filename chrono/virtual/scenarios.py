"""The scenarios that the virtual board can play.

In all scenarios a school workshop measures the speed of balls. This module also writes the rig
file of a scenario. Numbers are in SI units. The speeds and their spreads are invented but
plausible. Nobody measured these values.
"""

from dataclasses import dataclass, field, replace
from math import acosh, exp, expm1, sqrt
from urllib.parse import parse_qsl, urlencode, urlsplit

from chrono.errors import PortError
from chrono.rigs.line_kinds import FRAMED, INTERVAL, PLAIN, LineKind


@dataclass(frozen=True)
class FlyingBody:
    """
    A body that flies through the gates.

    Attributes
    ----------
    name : str
    mass_kg, diameter_m, length_m : float
        Mass [kg], size across the path and along the path [m].
    drag_per_m : float
        Relative loss of speed per metre of path, ½·ρ·c·A/m [1/m].
    """

    name: str
    mass_kg: float
    diameter_m: float
    length_m: float
    drag_per_m: float


@dataclass(frozen=True)
class PlayedSetup:
    """Launch conditions: the speed midway between the gates [m/s] and its relative spread."""

    name: str
    speed_mps: float
    relative_spread: float
    conditions: tuple[tuple[str, str], ...] = ()


@dataclass(frozen=True)
class Companion:
    """
    A body, such as a felt wad, that may follow the main body through the gates.

    Attributes
    ----------
    body : FlyingBody
    speed_ratio, ratio_spread : float
        Speed of the companion at the muzzle divided by the speed of the main body: mean and
        standard deviation.
    probability : float
        Probability that the companion reaches the gates.
    """

    body: FlyingBody
    speed_ratio: float
    ratio_spread: float
    probability: float


@dataclass(frozen=True)
class Lamp:
    """A lamp that flickers at one gate for `burst_s` seconds in every `every_s` seconds."""

    gate: int
    frequency_hz: float
    duty: float
    every_s: float
    burst_s: float


@dataclass(frozen=True)
class LooseBeam:
    """
    A light source that swings out of alignment and back, once in every `period_s` seconds.

    If the beam misses the sensor's direction by the angle a, the sensor gets the part
    exp(−(a/b)²) of the full light (Gaussian beam). The angle b is a constant of the beam: at
    this angle, the sensor gets about 37 % of the light. `swing` is the largest a/b.
    """

    gate: int
    swing: float
    period_s: float


CLEAR_V, DARK_V = 1.03, 0.02
"""Signal of a sensor in an aligned beam, and its signal while a body is in the beam [V]."""

LOWER_V, UPPER_V = 0.463, 0.577
"""Lower and upper threshold of the comparators [V] (source: firmware_notes/gate.md)."""


@dataclass(frozen=True)
class StatedGates:
    """The values that a rig file states for its two gates, in m, degrees, s and m/s."""

    spacing_m: float = 0.3
    spacing_tolerance_m: float = 0.0005
    trip_tolerance_m: float = 0.0002
    tilt_limit_deg: float = 1.0
    latency_mismatch_s: float = 0.2e-6
    slope_deg: float = 0.0
    slope_tolerance_deg: float = 2.0
    muzzle_distance_m: float = 1.0
    slowest_mps: float = 2.0
    fastest_mps: float = 200.0


@dataclass(frozen=True)
class Board:
    """
    The properties of a board that sends lines.

    Attributes
    ----------
    name, firmware : str
        Name and firmware in the hello line of the board.
    lines : LineKind
        Kind of lines that the board sends.
    frequency_hz : float
        Counter units per second; 1e6 for plain and interval lines.
    step : int
        Step of the timestamps in counter units.
    counter_bits : int
    counter_start : int
        Counter value when the play begins.
    rate_tolerance : float
        Half-width of the relative error of the frequency.
    jitter_s : float
        Standard deviation of one timestamp [s].
    separation_s : float
        If two edges are closer than this, the board cannot time both [s].
    bits_per_s : float
        Speed of the serial line.
    queue_lines : int
        Number of lines that may wait for the serial line before edges are lost.
    has_analog : bool
        True if the board measures the levels of its sensors.
    """

    name: str = "gates-328p"
    firmware: str = "1.0"
    lines: LineKind = FRAMED
    frequency_hz: float = 16e6
    step: int = 1
    counter_bits: int = 32
    counter_start: int = 0
    rate_tolerance: float = 50e-6
    jitter_s: float = 0.1e-6
    separation_s: float = 4.2e-6
    bits_per_s: float = 250_000.0
    queue_lines: int = 64
    has_analog: bool = False

    @property
    def tick_s(self) -> float:
        """Smallest step between two timestamps [s]."""
        return self.step / self.frequency_hz


@dataclass(frozen=True)
class Drop:
    """
    A body that is dropped from rest through the gates; gate A is above gate B.

    Attributes
    ----------
    height_m, height_tolerance_m : float
        Height from the beam of gate A to the body's lower edge, as stated, and its half-width
        [m].
    spread_m : float
        Standard deviation of the height from drop to drop [m].
    """

    height_m: float
    height_tolerance_m: float = 0.001
    spread_m: float = 0.0003


SQUASH_BALL = FlyingBody("squash ball", 0.024, 0.040, 0.040, drag_per_m=0.0148)
"""Size and mass follow the rules of squash; the drag is that of a smooth sphere, c = 0.47."""
STEEL_BALL = FlyingBody("steel ball", 0.0642, 0.025, 0.025, drag_per_m=0.0018)
"""A 25 mm ball from a ball bearing. It has the drag of a smooth sphere at 3.6 m/s, c = 0.39."""
FELT_WAD = FlyingBody("felt wad", 0.002, 0.040, 0.012, drag_per_m=0.20)

SKETCH_CLOCK = Board(
    name="sketch",
    lines=PLAIN,
    frequency_hz=1e6,
    step=4,
    rate_tolerance=5000e-6,
    jitter_s=1.9e-6,
    separation_s=0.0,
    bits_per_s=115_200.0,
)
"""A board with a simple program that uses `micros()`, in steps of 4 us."""

PICO_CLOCK = Board(
    name="gates-rp2040",
    frequency_hz=62.5e6,
    counter_bits=31,
    counter_start=2**31 - 62_500_000 * 20,
    jitter_s=0.02e-6,
    separation_s=64e-9,
    bits_per_s=6e6,
    queue_lines=4032,
)
"""A board that times edges in steps of 16 ns; its counter wraps every 34 s."""


@dataclass(frozen=True)
class Scenario:
    """
    One scenario that the virtual board can play.

    Attributes
    ----------
    name, summary : str
        Name in the address, and a summary of one line for lists.
    setups : tuple of PlayedSetup
        Setups, which are played in turn with `block` shots each.
    pause_s : (float, float)
        Range of the time between shots, with uniform probability [s].
    bounce_probability : float
        Probability that the comparator chatters at an edge.
    missed_probability : float
        Probability that the board misses an edge.
    drop : Drop, optional
        Drop of the body, if the body is dropped and not launched.
    spacing_off_m : float
        Error of the gates' distance, in addition to the rig's tolerance [m].
    gates_of : str
        Scenario that has exactly the same gates and clock for the same seed; may be empty.
    launches_of : str
        Scenario that has exactly the same launches for the same seed; may be empty.
    exchanged : bool
        True if the two sensors, with their delays, were exchanged.
    """

    name: str
    summary: str
    setups: tuple[PlayedSetup, ...]
    block: int = 10
    pause_s: tuple[float, float] = (2.0, 4.0)
    body: FlyingBody = SQUASH_BALL
    companion: Companion | None = None
    lamps: tuple[Lamp, ...] = ()
    loose_beam: LooseBeam | None = None
    bounce_probability: float = 0.0
    missed_probability: float = 0.0
    drop: Drop | None = None
    spacing_off_m: float = 0.0
    gates_of: str = ""
    launches_of: str = ""
    exchanged: bool = False
    gates: StatedGates = field(default_factory=StatedGates)
    board: Board = field(default_factory=Board)

    def setup_of(self, shot: int) -> PlayedSetup:
        """Return the launch setup of the shot with this index; the first shot has index 0."""
        return self.setups[shot // self.block % len(self.setups)]


Interval = tuple[float, float]
"""Start and end of an interval [s]."""


@dataclass(frozen=True)
class VirtualFlight:
    """
    A body that flies through the gates; its drag grows with the square of the speed.

    Attributes
    ----------
    body : FlyingBody
    speed_mps : float
        True speed of the body's middle at the point midway between the gates [m/s].
    midway_s : float
        Board time at which the body's middle is at this point [s].
    """

    body: FlyingBody
    speed_mps: float
    midway_s: float

    def time_at(self, position_m: float) -> float:
        """
        Return the time when the middle of the body is at a position [s].

        The position is 0 midway between the gates. From dv/dt = −κ·v² with the drag κ and the
        speed v₀ at x = 0: t(x) = (exp(κ·x) − 1)/(κ·v₀).
        """
        kappa = self.body.drag_per_m
        return self.midway_s + expm1(kappa * position_m) / (kappa * self.speed_mps)

    def blocks(self, gate_position_m: float) -> Interval:
        """Return the times when the body starts and stops to block a gate [s]."""
        half_m = self.body.length_m / 2.0
        return self.time_at(gate_position_m - half_m), self.time_at(gate_position_m + half_m)


@dataclass(frozen=True)
class VirtualFall(VirtualFlight):
    """
    A body that falls from rest through the gates; gate A is above gate B.

    Attributes
    ----------
    release_m : float
        Position of the body's middle at the release, from midway; negative if above [m].
    acceleration_mps2 : float
        Acceleration of the body while it is slow [m/s²].
    """

    release_m: float
    acceleration_mps2: float

    def time_at(self, position_m: float) -> float:
        """Return the time when the middle of the body is at a position [s]."""
        return self.midway_s + self._falling_s(position_m) - self._falling_s(0.0)

    def _falling_s(self, position_m: float) -> float:
        """
        Return the time that the body needs to fall from the release to a position [s].

        For the height h, the drag κ and the acceleration a: arcosh(exp(κ·h))/√(κ·a).
        """
        kappa = self.body.drag_per_m
        fallen_m = max(position_m - self.release_m, 0.0)
        return acosh(exp(kappa * fallen_m)) / sqrt(kappa * self.acceleration_mps2)


SCHEME = "virtual"


TWO_BANDS = PlayedSetup("two bands", 22.0, 0.02, (("launcher", "sling"), ("bands", "2")))
THREE_BANDS = PlayedSetup("three bands", 27.0, 0.02, (("launcher", "sling"), ("bands", "3")))
AIR_LOW = PlayedSetup("2 bar", 35.0, 0.012, (("launcher", "air"), ("pressure", "2 bar")))
AIR_HIGH = PlayedSetup("3 bar", 45.0, 0.012, (("launcher", "air"), ("pressure", "3 bar")))
RAMP = PlayedSetup("ramp", 1.2, 0.03, (("launcher", "ramp"), ("height", "10 cm")))
DROPS = PlayedSetup(
    "drops", 3.6, 0.0, (("height above gate A", "500 mm"), ("ball", "steel, 25 mm"))
)
SLOW_SENSORS = StatedGates(latency_mismatch_s=5e-6)
WAD_FOLLOWS = Companion(FELT_WAD, speed_ratio=0.8, ratio_spread=0.05, probability=0.9)

SCENARIOS: dict[str, Scenario] = {
    s.name: s
    for s in (
        Scenario("two-bands", "elastic sling with two bands, about 22 m/s", (TWO_BANDS,)),
        Scenario("three-bands", "elastic sling with three bands, about 27 m/s", (THREE_BANDS,)),
        Scenario(
            "air-low",
            "air launcher at 2 bar, about 35 m/s; a felt wad follows the ball",
            (AIR_LOW,),
            companion=WAD_FOLLOWS,
        ),
        Scenario(
            "air-high",
            "air launcher at 3 bar, about 45 m/s; a felt wad follows the ball",
            (AIR_HIGH,),
            companion=WAD_FOLLOWS,
        ),
        Scenario(
            "class-afternoon",
            "two and three bands in turn, ten shots each; the counter wraps during the play",
            (TWO_BANDS, THREE_BANDS),
            board=Board(counter_start=2**32 - 16_000_000 * 20),
        ),
        Scenario(
            "noisy-hall",
            "air launcher with wads; chattering gates, missed edges, a lamp at 100 Hz",
            (AIR_LOW, AIR_HIGH),
            companion=WAD_FOLLOWS,
            lamps=(Lamp(0, 100.0, 0.15, every_s=25.0, burst_s=2.0),),
            bounce_probability=0.3,
            missed_probability=0.01,
        ),
        Scenario(
            "loose-beam",
            "two bands; the emitter of gate B swings to and fro so you can practise aligning",
            (TWO_BANDS,),
            pause_s=(8.0, 12.0),
            loose_beam=LooseBeam(1, swing=1.5, period_s=16.0),
            board=Board(has_analog=True),
        ),
        Scenario(
            "plain-board",
            "two bands, gates 100 mm apart; a plain sketch sends times in steps of 4 us",
            (TWO_BANDS,),
            gates=StatedGates(spacing_m=0.1),
            board=SKETCH_CLOCK,
        ),
        Scenario(
            "fine-board",
            "the same shots as plain-board, timed in steps of 62.5 ns by both pairs of edges",
            (TWO_BANDS,),
            gates=StatedGates(spacing_m=0.1),
            gates_of="plain-board",
            launches_of="plain-board",
        ),
        Scenario(
            "pico-board",
            "the same shots as plain-board, timed by an RP2040 in steps of 16 ns",
            (TWO_BANDS,),
            gates=StatedGates(spacing_m=0.1),
            board=PICO_CLOCK,
            gates_of="plain-board",
            launches_of="plain-board",
        ),
        Scenario(
            "interval-board",
            "two bands; the board sends only the transit, in steps of 4 us",
            (TWO_BANDS,),
            board=replace(SKETCH_CLOCK, lines=INTERVAL),
        ),
        Scenario(
            "slow-roll",
            "a ball that rolls off a ramp, about 1.2 m/s",
            (RAMP,),
            body=replace(SQUASH_BALL, drag_per_m=0.02),
            gates=StatedGates(muzzle_distance_m=0.3, slowest_mps=0.3),
        ),
        Scenario(
            "coarse",
            "three bands; the board counts whole milliseconds, so a transit has few ticks",
            (THREE_BANDS,),
            board=replace(SKETCH_CLOCK, step=1000),
        ),
        Scenario(
            "drop-test",
            "a steel ball dropped from 500 mm; the gates are farther apart than stated",
            (DROPS,),
            body=STEEL_BALL,
            drop=Drop(0.5),
            spacing_off_m=0.0015,
            gates=StatedGates(tilt_limit_deg=0.3, slope_deg=90.0, slope_tolerance_deg=0.5),
        ),
        Scenario(
            "swap-before",
            "two bands; the delays of the two sensors differ by up to 5 us",
            (TWO_BANDS,),
            gates=SLOW_SENSORS,
        ),
        Scenario(
            "swap-after",
            "the same gates as in swap-before, but the two sensors are exchanged",
            (TWO_BANDS,),
            gates=SLOW_SENSORS,
            gates_of="swap-before",
            exchanged=True,
        ),
    )
}


def rig_text(scenario: Scenario) -> str:
    """Return the text of a rig file that describes the scenario's gates, clock and body."""
    gates, board, body = scenario.gates, scenario.board, scenario.body
    clock = (
        f'frequency = "{board.frequency_hz / 1e6:g} MHz"'
        if board.lines.counts_ticks
        else f'tick = "{board.tick_s * 1e6:g} us"'
    )
    return f"""\
name = "virtual gates: {scenario.name}"
speed_unit = "m/s"
lines = "{board.lines}"

[gates]
spacing = "{gates.spacing_m * 1e3:g} mm"
spacing_tolerance = "{gates.spacing_tolerance_m * 1e3:g} mm"
trip_tolerance = "{gates.trip_tolerance_m * 1e3:g} mm"
tilt_limit = "{gates.tilt_limit_deg:g} deg"
latency_mismatch = "{gates.latency_mismatch_s * 1e6:g} us"
slope = "{gates.slope_deg:g} deg"
slope_tolerance = "{gates.slope_tolerance_deg:g} deg"

[clock]
{clock}
counter_bits = {board.counter_bits}
rate_tolerance = "{board.rate_tolerance * 1e6:g} ppm"
jitter = "{board.jitter_s * 1e6:g} us"

[body]
name = "{body.name}"
mass = "{body.mass_kg * 1e3:g} g"
diameter = "{body.diameter_m * 1e3:g} mm"
length = "{body.length_m * 1e3:g} mm"

[window]
slowest = "{gates.slowest_mps:g} m/s"
fastest = "{gates.fastest_mps:g} m/s"

[site]
muzzle_distance = "{gates.muzzle_distance_m:g} m"
"""


@dataclass(frozen=True)
class Play:
    """
    The scenario and the options that a ``virtual://`` address requests.

    Attributes
    ----------
    scenario : Scenario
    seed : int
        The same seed gives the same lines.
    shots : int or None
        Number of shots. After them, the board continues without shots. None means no end.
    speedup : float
        Factor by which shots come more often; the board's clock does not change.
    """

    scenario: Scenario
    seed: int = 1
    shots: int | None = None
    speedup: float = 1.0

    @property
    def url(self) -> str:
        """The ``virtual://`` address that requests this scenario with these options."""
        plain = Play(self.scenario)
        said = {k: getattr(self, k) for k in OPTIONS if getattr(self, k) != getattr(plain, k)}
        query = f"?{urlencode(said)}" if said else ""
        return f"{SCHEME}://{self.scenario.name}{query}"


def parse_play(url: str) -> Play:
    """
    Read an address such as ``virtual://two-bands?seed=7&shots=20&speedup=5``.

    Raises
    ------
    PortError
        If a scenario or option is unknown, or if a value is impossible.
    """
    try:
        parts = urlsplit(url)
    except ValueError as exc:
        raise _play_error(url, f"this address is not valid: {exc}", _SCENARIOS_HINT) from exc
    scenario = SCENARIOS.get(parts.netloc)
    if parts.scheme != SCHEME or scenario is None or parts.path not in ("", "/"):
        name = parts.netloc + parts.path
        raise _play_error(url, f"there is no scenario {name!a}", _SCENARIOS_HINT)
    options = parse_qsl(parts.query, keep_blank_values=True)
    values = {key: _option(url, key, text) for key, text in options}
    return Play(scenario, **values)  # type: ignore[arg-type]


_SCENARIOS_HINT = f"use one of these scenarios: {', '.join(SCENARIOS)}"


def _whole(text: str) -> int:
    value = int(text)
    if value < 0:
        raise ValueError(text)
    return value


def _factor(text: str) -> float:
    value = float(text)
    if not 0.1 <= value <= 1000.0:
        raise ValueError(text)
    return value


OPTIONS = {
    "seed": (_whole, "a whole number, 0 or more"),
    "shots": (_whole, "a whole number, 0 or more"),
    "speedup": (_factor, "a number from 0.1 to 1000"),
}


def _option(url: str, key: str, text: str) -> int | float:
    if key not in OPTIONS:
        raise _play_error(
            url,
            f"there is no option {key!a}",
            f"use one of these options: {', '.join(OPTIONS)}",
        )
    read, wanted = OPTIONS[key]
    try:
        return read(text)
    except ValueError as exc:
        hint = f"the value must be {wanted}, such as {key}=7"
        raise _play_error(url, f"{key} cannot be {text[:40]!a}", hint) from exc


def _play_error(url: str, message: str, hint: str) -> PortError:
    return PortError(message, where=ascii(url[:200])[1:-1], hint=hint)
