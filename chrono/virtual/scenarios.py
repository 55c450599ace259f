"""What the virtual board can be asked to play: named launches, bodies, boards and rooms.

All of them are a school workshop clocking squash balls. A scenario also gives the rig
text that goes with it. Numbers are SI; the speeds and spreads are plausible inventions,
not measurements.
"""

from dataclasses import dataclass, field, replace
from typing import Literal
from urllib.parse import parse_qsl, urlencode, urlsplit

from chrono.errors import PortError

SCHEME = "virtual"


@dataclass(frozen=True)
class FlyingBody:
    """
    Something that flies through the gates.

    Attributes
    ----------
    name : str
    mass_kg, diameter_m, length_m : float
        Mass [kg], size across and along the path [m].
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
    """Launch conditions: speed midway between the gates [m/s] and its relative spread."""

    name: str
    speed_mps: float
    relative_spread: float
    conditions: tuple[tuple[str, str], ...] = ()


@dataclass(frozen=True)
class Companion:
    """
    A carrier that leaves the muzzle with the body and may follow it through the gates.

    Attributes
    ----------
    body : FlyingBody
    speed_ratio, ratio_spread : float
        Its speed at the muzzle relative to the main body's, mean and standard deviation.
    probability : float
        How often it reaches the gates.
    """

    body: FlyingBody
    speed_ratio: float
    ratio_spread: float
    probability: float


@dataclass(frozen=True)
class Lamp:
    """A lamp that trips one gate periodically, for `burst_s` in every `every_s` [s]."""

    gate: int
    frequency_hz: float
    duty: float
    every_s: float
    burst_s: float


@dataclass(frozen=True)
class StatedGates:
    """The two gates: what the rig states of them. Lengths [m], angle [rad], times [s]."""

    spacing_m: float = 0.3
    spacing_tolerance_m: float = 0.0005
    trip_tolerance_m: float = 0.0002
    tilt_limit_deg: float = 1.0
    latency_mismatch_s: float = 0.2e-6
    muzzle_distance_m: float = 1.0
    slowest_mps: float = 2.0
    fastest_mps: float = 200.0


@dataclass(frozen=True)
class Board:
    """
    The board's clock and line.

    Attributes
    ----------
    name, firmware : str
        As in its hello line.
    lines : {"framed", "plain", "interval"}
        What it sends.
    frequency_hz : float
        Counter units per second; 1e6 for plain and interval lines.
    step : int
        Counter units by which its timestamps advance.
    counter_bits : int
    counter_start : int
        Counter value when the play begins.
    rate_tolerance : float
        Half-width of the relative error of the frequency.
    jitter_s : float
        Standard deviation of one timestamp [s].
    separation_s : float
        Two edges closer than this cannot both be timed [s].
    bits_per_s : float
        Speed of its serial line.
    queue_lines : int
        Lines that may wait for the serial line before edges are lost.
    """

    name: str = "gates-328p"
    firmware: str = "1.0"
    lines: Literal["framed", "plain", "interval"] = "framed"
    frequency_hz: float = 16e6
    step: int = 1
    counter_bits: int = 32
    counter_start: int = 0
    rate_tolerance: float = 50e-6
    jitter_s: float = 0.1e-6
    separation_s: float = 4.2e-6
    bits_per_s: float = 250_000.0
    queue_lines: int = 64

    @property
    def tick_s(self) -> float:
        """Step of a timestamp [s]."""
        return self.step / self.frequency_hz


@dataclass(frozen=True)
class Drop:
    """
    A body dropped from rest through gates that stand one above the other, A on top.

    Attributes
    ----------
    height_m, height_tolerance_m : float
        From the beam of gate A up to the body's lower edge as stated, and its half-width [m].
    spread_m : float
        Standard deviation of the height from drop to drop [m].
    """

    height_m: float
    height_tolerance_m: float = 0.001
    spread_m: float = 0.0003


SQUASH_BALL = FlyingBody("squash ball", 0.024, 0.040, 0.040, drag_per_m=0.0148)
"""Size and mass as in the rules of squash; drag of a smooth sphere, c = 0.47."""
STEEL_BALL = FlyingBody("steel ball", 0.0642, 0.025, 0.025, drag_per_m=0.0018)
"""A ball of a bearing, 25 mm; drag of a smooth sphere at 3.6 m/s, c = 0.39."""
FELT_WAD = FlyingBody("felt wad", 0.002, 0.040, 0.012, drag_per_m=0.20)

SKETCH_CLOCK = Board(
    name="sketch",
    lines="plain",
    frequency_hz=1e6,
    step=4,
    rate_tolerance=5000e-6,
    jitter_s=1.9e-6,
    separation_s=0.0,
    bits_per_s=115_200.0,
)
"""A plain sketch on `micros()`: steps of 4 us, a ceramic resonator, interrupts in its way."""


@dataclass(frozen=True)
class Scenario:
    """
    One play for the virtual board.

    Attributes
    ----------
    name, summary : str
        As it is called for, and one line for lists.
    setups : tuple of PlayedSetup
        Taken in turn, `block` shots each.
    pause_s : (float, float)
        Time between shots is uniform in this range [s].
    bounce_probability : float
        How often the comparator chatters at an edge.
    missed_probability : float
        How often the board misses an edge.
    drop : Drop, optional
        The body is dropped, not launched.
    spacing_off_m : float
        By how much the gates stand farther apart than the rig's tolerance explains [m].
    gates_of : str
        Scenario whose very gates and clock these are, for the same seed; empty for its own.
    exchanged : bool
        Whether the two sensors were exchanged, each with its delay.
    """

    name: str
    summary: str
    setups: tuple[PlayedSetup, ...]
    block: int = 10
    pause_s: tuple[float, float] = (2.0, 4.0)
    body: FlyingBody = SQUASH_BALL
    companion: Companion | None = None
    lamps: tuple[Lamp, ...] = ()
    bounce_probability: float = 0.0
    missed_probability: float = 0.0
    drop: Drop | None = None
    spacing_off_m: float = 0.0
    gates_of: str = ""
    exchanged: bool = False
    gates: StatedGates = field(default_factory=StatedGates)
    board: Board = field(default_factory=Board)

    def setup_of(self, shot: int) -> PlayedSetup:
        """Return the setup of the shot with this index, from 0."""
        return self.setups[shot // self.block % len(self.setups)]


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
            "air launcher at 2 bar, about 35 m/s, a felt wad follows",
            (AIR_LOW,),
            companion=WAD_FOLLOWS,
        ),
        Scenario(
            "air-high",
            "air launcher at 3 bar, about 45 m/s, a felt wad follows",
            (AIR_HIGH,),
            companion=WAD_FOLLOWS,
        ),
        Scenario(
            "class-afternoon",
            "two and three bands in turn, ten shots each; the counter wraps on the way",
            (TWO_BANDS, THREE_BANDS),
            board=Board(counter_start=2**32 - 16_000_000 * 20),
        ),
        Scenario(
            "noisy-hall",
            "air launcher with wads, chattering gates, missed edges, a lamp at 100 Hz",
            (AIR_LOW, AIR_HIGH),
            companion=WAD_FOLLOWS,
            lamps=(Lamp(0, 100.0, 0.15, every_s=25.0, burst_s=2.0),),
            bounce_probability=0.3,
            missed_probability=0.01,
        ),
        Scenario(
            "plain-board",
            "two bands, gates 100 mm apart, a plain sketch in steps of 4 us",
            (TWO_BANDS,),
            gates=StatedGates(spacing_m=0.1),
            board=SKETCH_CLOCK,
        ),
        Scenario(
            "interval-board",
            "two bands, a sketch that sends only the transit in steps of 4 us",
            (TWO_BANDS,),
            board=replace(SKETCH_CLOCK, lines="interval"),
        ),
        Scenario(
            "slow-roll",
            "a ball rolling off a ramp, about 1.2 m/s",
            (RAMP,),
            body=replace(SQUASH_BALL, drag_per_m=0.02),
            gates=StatedGates(muzzle_distance_m=0.3, slowest_mps=0.3),
        ),
        Scenario(
            "coarse",
            "three bands, a plain sketch on whole milliseconds: few ticks in a transit",
            (THREE_BANDS,),
            board=replace(SKETCH_CLOCK, step=1000),
        ),
        Scenario(
            "drop-test",
            "a steel ball dropped from 500 mm; the gates stand 1.5 mm wider than stated",
            (DROPS,),
            body=STEEL_BALL,
            drop=Drop(0.5),
            spacing_off_m=0.0015,
            gates=StatedGates(tilt_limit_deg=0.3),
        ),
        Scenario(
            "swap-before",
            "two bands, gates whose sensors' delays differ by up to 5 us",
            (TWO_BANDS,),
            gates=SLOW_SENSORS,
        ),
        Scenario(
            "swap-after",
            "the gates of swap-before, their sensors exchanged",
            (TWO_BANDS,),
            gates=SLOW_SENSORS,
            gates_of="swap-before",
            exchanged=True,
        ),
    )
}


def noise_free(scenario: Scenario) -> Scenario:
    """Return the scenario with exact gates and clock: only the counter's step is left."""
    gates = replace(
        scenario.gates,
        spacing_tolerance_m=0.0,
        trip_tolerance_m=0.0,
        tilt_limit_deg=0.0,
        latency_mismatch_s=0.0,
    )
    board = replace(scenario.board, rate_tolerance=0.0, jitter_s=0.0)
    return replace(
        scenario,
        gates=gates,
        board=board,
        bounce_probability=0.0,
        missed_probability=0.0,
        spacing_off_m=0.0,
    )


def rig_text(scenario: Scenario) -> str:
    """Return the rig file that describes the scenario's gates, clock and body."""
    gates, board, body = scenario.gates, scenario.board, scenario.body
    clock = (
        f'frequency = "{board.frequency_hz / 1e6:g} MHz"'
        if board.lines == "framed"
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
    What a ``virtual://`` address asks for.

    Attributes
    ----------
    scenario : Scenario
    seed : int
        The same seed gives the same lines.
    shots : int or None
        The board goes on without shots after so many; None for no end.
    speedup : float
        Shots come so many times as often; the board's clock stays true.
    """

    scenario: Scenario
    seed: int = 1
    shots: int | None = None
    speedup: float = 1.0

    @property
    def url(self) -> str:
        """The address that asks for this play."""
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
        For an unknown scenario or option, or an impossible value.
    """
    try:
        parts = urlsplit(url)
    except ValueError as exc:
        raise _play_error(url, f"this address cannot be used: {exc}", _SCENARIOS_HINT) from exc
    scenario = SCENARIOS.get(parts.netloc)
    if parts.scheme != SCHEME or scenario is None or parts.path not in ("", "/"):
        name = parts.netloc + parts.path
        raise _play_error(url, f"there is no scenario {name!a}", _SCENARIOS_HINT)
    options = parse_qsl(parts.query, keep_blank_values=True)
    values = {key: _option(url, key, text) for key, text in options}
    return Play(scenario, **values)  # type: ignore[arg-type]


_SCENARIOS_HINT = f"use one of {', '.join(SCENARIOS)}"


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
    "seed": (_whole, "a whole number from 0"),
    "shots": (_whole, "a whole number from 0"),
    "speedup": (_factor, "a number from 0.1 to 1000"),
}


def _option(url: str, key: str, text: str) -> int | float:
    if key not in OPTIONS:
        raise _play_error(url, f"there is no option {key!a}", f"use {', '.join(OPTIONS)}")
    read, wanted = OPTIONS[key]
    try:
        return read(text)
    except ValueError as exc:
        hint = f"give {wanted}, such as {key}=7"
        raise _play_error(url, f"{key} is {text[:40]!a}", hint) from exc


def _play_error(url: str, message: str, hint: str) -> PortError:
    return PortError(message, where=ascii(url[:200])[1:-1], hint=hint)
