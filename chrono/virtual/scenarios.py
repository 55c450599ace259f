"""The scenarios that the virtual board can play.

In all scenarios a school workshop measures the speed of balls. This module also writes the rig
file of a scenario. Numbers are in SI units. The speeds and their spreads are invented but
plausible. Nobody measured these values.
"""

from dataclasses import dataclass, replace
from urllib.parse import parse_qsl, urlencode, urlsplit

from chrono.errors import PortError
from chrono.rigs.line_kinds import INTERVAL
from chrono.virtual.scenario_parts import (
    FELT_WAD,
    PICO_CLOCK,
    SKETCH_CLOCK,
    SQUASH_BALL,
    STEEL_BALL,
    Board,
    Companion,
    Drop,
    Lamp,
    LooseBeam,
    PlayedSetup,
    Scenario,
    StatedGates,
)

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
