"""A body flies through two light beams: exact motion and geometry, many shots at once.

Physics: the centre moves on a straight path, level or tilted, with dv/dt = g − κv² (quadratic
drag, and gravity along the path for a dropped body). A beam is a strip as wide as its slit
along the gates' axis and as thin as a line across it; a ball `round` covers it over a chord,
a rod `flat` over its silhouette, end faces included. Left out: the path's own sag, spin, and
light that passes round the body. Knows nothing of how speeds are measured.

Axes: x from gate A to gate B, zero midway between them; y along the beams; z across both.
Time is zero when the centre passes x = 0. Arrays have one row per shot; then gate (A, B),
then edge (leading, trailing). The next stations: `gate_comparator` (light → transitions),
`gate_board` (transitions → counter values), `gate_lines` (counter values → recording).

>>> rng = np.random.default_rng(1)
>>> rigs = draw_rigs(rng, 1000, spacing_m=0.3, off_centre_m=5e-3)
>>> shot = fly(rigs, SQUASH, rng.uniform(20, 60, 1000), drag_coefficient=0.47)
>>> covering_times(shot, 0.0).shape
(1000, 2, 2)
"""

from __future__ import annotations

from dataclasses import dataclass, fields, replace
from typing import Any

import numpy as np
from numpy.typing import ArrayLike, NDArray

Array = NDArray[np.float64]
TOWARDS = np.array([-1.0, 1.0])  # a leading end is ahead of the centre, a trailing one behind


@dataclass(frozen=True)
class Body:
    """What flies: `round` (a ball) or `flat` (a rod or cylinder with flat ends)."""

    mass_kg: float
    diameter_m: float
    length_m: float
    shape: str = "round"


SQUASH = Body(24e-3, 40e-3, 40e-3)
TABLE_TENNIS = Body(2.7e-3, 40e-3, 40e-3)
FOAM = Body(12e-3, 70e-3, 70e-3)


def rod(length_m: float, diameter_m: float = 10e-3, mass_kg: float = 20e-3) -> Body:
    """A rod with flat ends."""
    return Body(mass_kg, diameter_m, length_m, "flat")


@dataclass(frozen=True)
class Rigs:
    """The truth of N shots' rigs and paths; row i of every array belongs to shot i.

    Attributes
    ----------
    beam_x_m : (N, 2)  where each beam's middle stands on the axis
    slit_m : (N, 2)  width of each beam along the axis
    threshold : (N, 2)  covered fraction at which each comparator trips
    hysteresis : (N, 2)  difference of its two thresholds, in the same fraction
    response_s : (N, 2)  time constant of each sensor
    delay_s : (N, 2, 2)  delay of each comparator at its leading and trailing edge
    rate_error : (N,)  the counter runs at nominal frequency × (1 + rate_error)
    direction : (N, 3)  unit vector of the path
    off_centre_m : (N, 2)  z of the centre minus z of the beam when the centre is at its x
    lean : (N, 3)  unit vector of a rod's axis; only `flat` bodies use it
    """

    beam_x_m: Array
    slit_m: Array
    threshold: Array
    hysteresis: Array
    response_s: Array
    delay_s: Array
    rate_error: Array
    direction: Array
    off_centre_m: Array
    lean: Array

    def __len__(self) -> int:
        return len(self.rate_error)

    @property
    def spacing_m(self) -> Array:
        """True distance of the beams' middles, (N,)."""
        return self.beam_x_m[:, 1] - self.beam_x_m[:, 0]

    def repeated(self, shots: int) -> Rigs:
        """Each rig `shots` times over; give the shots paths of their own by `with_paths`."""
        return Rigs(
            **{f.name: np.repeat(getattr(self, f.name), shots, 0) for f in fields(self)}
        )

    def with_paths(
        self,
        rng: np.random.Generator,
        *,
        tilt_limit_rad: float | None = None,
        off_centre_m: float | None = None,
    ) -> Rigs:
        """The same rigs with the paths' tilt, the offsets or both drawn anew for every row."""
        changes: dict[str, Any] = {}
        if tilt_limit_rad is not None:
            changes["direction"] = changes["lean"] = draw_directions(
                rng, len(self), tilt_limit_rad
            )
        if off_centre_m is not None:
            changes["off_centre_m"] = around(rng, off_centre_m, (len(self), 2))
        return replace(self, **changes)


def around(rng: np.random.Generator, half_width: ArrayLike, shape: Any) -> Array:
    """Rectangular draws within ± `half_width`."""
    return np.asarray(half_width) * rng.uniform(-1.0, 1.0, shape)


def draw_directions(rng: np.random.Generator, n: int, limit_rad: float) -> Array:
    """Unit vectors tilted from x by an angle uniform in 0 … limit, towards any side; (n, 3)."""
    return directions(rng.uniform(0.0, limit_rad, n), rng.uniform(0.0, 2 * np.pi, n))


def directions(tilt_rad: ArrayLike, side_rad: ArrayLike = 0.0) -> Array:
    """Unit vectors at an angle from x; side 0 tilts along the beams (y), π/2 across (z)."""
    tilt, side = np.broadcast_arrays(np.atleast_1d(tilt_rad), side_rad)
    across = np.sin(tilt)
    return np.stack([np.cos(tilt), across * np.cos(side), across * np.sin(side)], -1)


def draw_rigs(
    rng: np.random.Generator,
    n: int,
    *,
    spacing_m: float = 0.3,
    spacing_tolerance_m: float = 0.5e-3,
    trip_tolerance_m: float = 0.2e-3,
    tilt_limit_rad: float = np.radians(1.0),
    latency_mismatch_s: float = 1e-6,
    own_latency_each_edge: bool = False,
    delay_s: tuple[float, float] = (1e-6, 1.5e-6),
    off_centre_m: float = 5e-3,
    rate_tolerance: float = 5e-3,
    slit_m: ArrayLike = 2e-3,
    threshold: ArrayLike = 0.5,
    hysteresis: ArrayLike = 0.0,
    response_s: ArrayLike = 0.0,
) -> Rigs:
    """N rigs, each with one path, every tolerance drawn rectangular within its limits.

    A gate trips within ± `trip_tolerance_m` of the place that `threshold` means: its own
    threshold is drawn, so its leading edge moves one way and its trailing edge the other.
    The difference of the two gates' delays lies within ± `latency_mismatch_s`, one draw for
    both edges, or one for each. Arguments that are ArrayLike broadcast to (N, 2).

    Raises
    ------
    ValueError
        If a drawn threshold would lie outside its beam.
    """
    slit = np.broadcast_to(np.asarray(slit_m, float), (n, 2))
    trip = np.divide(
        around(rng, trip_tolerance_m, (n, 2)), slit, out=np.zeros((n, 2)), where=slit > 0
    )
    own = threshold + trip
    half_hysteresis = np.asarray(hysteresis) / 2
    if np.any(own - half_hysteresis <= 0) or np.any(own + half_hysteresis >= 1):
        raise ValueError("a gate would trip outside its beam: narrower trip or wider slit")
    half = (spacing_m + around(rng, spacing_tolerance_m, n)) / 2
    mismatch = around(rng, latency_mismatch_s, (n, 2 if own_latency_each_edge else 1)) / 2
    path = draw_directions(rng, n, tilt_limit_rad)
    return Rigs(
        beam_x_m=np.stack([-half, half], -1),
        slit_m=slit,
        threshold=own,
        hysteresis=np.broadcast_to(np.asarray(hysteresis, float), (n, 2)),
        response_s=np.broadcast_to(np.asarray(response_s, float), (n, 2)),
        delay_s=np.stack([delay_s - mismatch, delay_s + mismatch], 1),
        rate_error=around(rng, rate_tolerance, n),
        direction=path,
        off_centre_m=around(rng, off_centre_m, (n, 2)),
        lean=path,
    )


@dataclass(frozen=True)
class Flight:
    """N bodies on their way: the truth about their motion.

    Attributes
    ----------
    speed_mps : (N,)  speed of the centre when it is midway between the gates: the truth
    kappa_per_m, gravity_mps2 : (N,)  of dv/dt = gravity − kappa·v²
    """

    rigs: Rigs
    body: Body
    speed_mps: Array
    kappa_per_m: Array
    gravity_mps2: Array

    def __len__(self) -> int:
        return len(self.rigs)

    @property
    def front_speed_mps(self) -> Array:
        """Speed when the foremost point is midway between the gates, (N,)."""
        return speed_at(-self.body.length_m / 2, *self.motion)

    @property
    def back_speed_mps(self) -> Array:
        """Speed when the hindmost point is midway between the gates, (N,)."""
        return speed_at(self.body.length_m / 2, *self.motion)

    @property
    def motion(self) -> tuple[Array, Array, Array]:
        """Speed at zero, kappa and gravity, as `speed_at` and `time_at` take them."""
        return self.speed_mps, self.kappa_per_m, self.gravity_mps2


def fly(
    rigs: Rigs,
    body: Body,
    speed_mps: ArrayLike,
    *,
    drag_coefficient: ArrayLike = 0.0,
    air_density_kgpm3: ArrayLike = 1.2,
    gravity_mps2: ArrayLike = 0.0,
) -> Flight:
    """Send a body through every rig; ArrayLike arguments are scalars or (N,)."""
    face = np.pi * body.diameter_m**2 / 4
    kappa = np.asarray(air_density_kgpm3) * drag_coefficient * face / (2 * body.mass_kg)
    motion = np.broadcast_arrays(speed_mps, kappa, gravity_mps2, np.empty(len(rigs)))[:3]
    return Flight(rigs, body, *(np.array(each, float) for each in motion))


def speed_at(
    path_m: ArrayLike, speed_mps: Array, kappa_per_m: Array, gravity_mps2: Array
) -> Array:
    """Speed after `path_m` of path from where it is `speed_mps` (exact).

    From d(v²)/ds = 2(g − κv²): v² = v₀² + (g − κv₀²)·E with E = (1 − e^(−2κs))/κ.
    """
    eased = _eased_path(path_m, kappa_per_m)
    return np.sqrt(speed_mps**2 + (gravity_mps2 - kappa_per_m * speed_mps**2) * eased)


def time_at(
    path_m: ArrayLike, speed_mps: Array, kappa_per_m: Array, gravity_mps2: Array
) -> Array:
    """Time over `path_m` of path from where the speed is `speed_mps` (exact), g ≥ 0.

    ∫dv/(g − κv²) is artanh(q·r)/q with q = √(gκ) and r = E/(v₀ + v − κv₀E), which also holds
    where g, κ or both vanish (there it is r itself).
    """
    eased = _eased_path(path_m, kappa_per_m)
    end = speed_at(path_m, speed_mps, kappa_per_m, gravity_mps2)
    plain = eased / (speed_mps + end - kappa_per_m * speed_mps * eased)
    root = np.sqrt(gravity_mps2 * kappa_per_m)
    bent = np.arctanh(root * plain) / np.where(root > 0, root, 1.0)
    return np.where(root > 0, bent, plain)


def _eased_path(path_m: ArrayLike, kappa_per_m: Array) -> Array:
    kappa = np.where(kappa_per_m > 0, kappa_per_m, 1.0)
    return np.where(
        kappa_per_m > 0, -np.expm1(-2 * kappa * path_m) / kappa, 2 * np.asarray(path_m)
    )


def covering_times(flight: Flight, in_beam_m: ArrayLike) -> Array:
    """When the body's leading and trailing ends pass a place in the beams.

    Parameters
    ----------
    flight : Flight of N shots
    in_beam_m : (N, 2, 2) or broadcast to it
        Place along the axis from each beam's middle, for each edge.

    Returns
    -------
    (N, 2, 2) array
        Seconds; nan where the body misses the beam.
    """
    return time_at(
        ends_path_m(flight, in_beam_m), *(each[:, None, None] for each in flight.motion)
    )


def ends_path_m(flight: Flight, in_beam_m: ArrayLike) -> Array:
    """Path of the centre (0 at x = 0) when the body's ends reach a place in the beams."""
    rigs = flight.rigs
    path = rigs.direction[:, None, None, ::2]  # in the plane across the beams: x and z
    beam = rigs.beam_x_m[:, :, None] + np.asarray(in_beam_m)
    beam = np.broadcast_to(beam, (len(flight), 2, 2))
    across = rigs.beam_x_m * rigs.direction[:, 2:] / rigs.direction[:, :1] - rigs.off_centre_m
    place = np.stack([beam, np.broadcast_to(across[:, :, None], beam.shape)], -1)
    ends = _ball_ends if flight.body.shape == "round" else _rod_ends
    return ends(flight, place, path)


def _ball_ends(flight: Flight, place: Array, path: Array) -> Array:
    """Where a circle that moves along `path` begins and ends to hold `place`: its chord."""
    shrink = np.hypot(path[..., 0], path[..., 1])
    nearest = np.sum(place * path, -1) / shrink**2
    off = (place[..., 0] * path[..., 1] - place[..., 1] * path[..., 0]) / shrink
    squared = (flight.body.diameter_m / 2) ** 2 - off**2
    chord = np.sqrt(np.where(squared > 0, squared, np.nan))
    return nearest + TOWARDS * chord / shrink


def _rod_ends(flight: Flight, place: Array, path: Array) -> Array:
    """The same for a rod's silhouette: a rectangle with half an ellipse at either end."""
    axis = flight.rigs.lean[:, None, None, :]
    shown = np.hypot(axis[..., 0], axis[..., 2])
    along, radius = axis[..., ::2] / shown[..., None], flight.body.diameter_m / 2
    forward = np.sum(path * along, -1)
    drift = path[..., 0] * along[..., 1] - path[..., 1] * along[..., 0]
    height = place[..., 0] * along[..., 1] - place[..., 1] * along[..., 0]
    centre = np.sum(place * along, -1)
    ends = centre / forward
    for _ in range(12):  # a leaning end face is met at a height that hangs on the answer
        off = (height - drift * ends) / radius
        bulge = (
            radius * np.abs(axis[..., 1]) * np.sqrt(np.where(off**2 < 1, 1 - off**2, np.nan))
        )
        ends = (centre + TOWARDS * (flight.body.length_m * shown / 2 + bulge)) / forward
    return ends
