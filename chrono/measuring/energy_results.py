"""Compute energy and momentum of a shot or a setup, and compare them with the stored energy."""

import math
from collections.abc import Callable, Mapping
from dataclasses import dataclass

from chrono.arrays.array_types import Floats
from chrono.errors import OptionError
from chrono.measuring.body_in_air import DENSITY, MASS, deceleration_of, given_mass, site_of
from chrono.measuring.error_budget import coverage_factor, normal, rectangular
from chrono.measuring.launch import Launch, speed_value
from chrono.measuring.propagation import SPEED, Estimate, Quantity, known, propagate
from chrono.measuring.series_statistics import Series
from chrono.physics.stored_energy import (
    elastic_work,
    gas_work,
    kinetic_energy,
    tube_limit,
    tube_speed,
    tube_work,
)
from chrono.physics.trajectory import speed_along
from chrono.rigs.rig_model import Rig

DISTANCE = "distance to the mouth"


@dataclass(frozen=True)
class EnergyStore:
    """
    One or more upper limits of the energy that a launcher can store.

    Attributes
    ----------
    kind : {"elastic", "gas", "tube"}
    bounds : tuple of str
        Name of each limit.
    quantities : tuple of Quantity
        The quantities on which the limits depend.
    energies : callable
        Function that takes the quantities' values by name and returns the limits [J].
    """

    kind: str
    bounds: tuple[str, ...]
    quantities: tuple[Quantity, ...]
    energies: Callable[[Mapping[str, float]], tuple[float, ...]]


@dataclass(frozen=True)
class EnergyBound:
    """A limit of the stored energy: name, energy [J], and body's energy divided by it."""

    name: str
    energy: Estimate
    part: Estimate


@dataclass(frozen=True, eq=False)
class EnergyResult:
    """
    Expected energy and momentum of the next shot.

    Attributes
    ----------
    launch : Launch
    distance_m : float
        Distance from the launcher's mouth to the place where the speed was measured [m].
    speed, energy, momentum : Estimate
        Speed, energy and momentum at the launcher's mouth [m/s], [J], [N s].
    mach : float
        Mach number at the launcher's mouth.
    bounds : tuple of EnergyBound
        One `EnergyBound` for each limit of each store.
    limits : tuple of (str, Estimate)
        Names and values of the highest speeds that the tubes allow [m/s].
    """

    launch: Launch
    distance_m: float
    speed: Estimate
    energy: Estimate
    momentum: Estimate
    mach: float
    bounds: tuple[EnergyBound, ...]
    limits: tuple[tuple[str, Estimate], ...]

    @property
    def exceeded(self) -> tuple[str, ...]:
        """Names of the limits that the shots' mean energy exceeds by more than the ±."""
        parts = ((b.name, self.launch.of_shots(b.part)) for b in self.bounds)
        return tuple(name for name, part in parts if part.value - part.U95 > 1)


def elastic_store(
    draw_m: Floats,
    force_n: Floats,
    force_U95: float | None = None,  # noqa: N803
    draw_U95: float | None = None,  # noqa: N803
) -> EnergyStore:
    """
    Return the `EnergyStore` of an elastic band that is pulled back.

    Parameters
    ----------
    draw_m, force_n : ndarray of float64, shape (N,), N >= 2
        How far the band is pulled back (draw length, strictly increasing) [m], and force [N].
    force_U95, draw_U95 : float, optional
        Relative ± at 95 % that all forces, or all draw lengths, have in common.
    """
    work, between = elastic_work(draw_m, force_n)
    quantities = (
        known("force readings", 1.0, force_U95),
        known("draw readings", 1.0, draw_U95),
        Quantity("force between its readings", 0.0, rectangular("between", between, unit="J")),
    )

    def energies(values: Mapping[str, float]) -> tuple[float, ...]:
        scaled = work * values["force readings"] * values["draw readings"]
        return (scaled + values["force between its readings"],)

    return EnergyStore("elastic", ("work of drawing",), quantities, energies)


def gas_store(
    volume: Quantity, gauge: Quantity, ambient_pa: float, swept: Quantity | None = None
) -> EnergyStore:
    """Return the `EnergyStore` of compressed gas; its limits are isothermal and adiabatic."""
    quantities = (volume, gauge) if swept is None else (volume, gauge, swept)

    def energies(values: Mapping[str, float]) -> tuple[float, ...]:
        reach = math.inf if swept is None else values[swept.name]
        work = gas_work(values[volume.name], values[gauge.name], ambient_pa, reach)
        return work.isothermal_j, work.adiabatic_j

    return EnergyStore("gas", ("gas, isothermal", "gas, adiabatic"), quantities, energies)


def tube_store(
    bore: Quantity, length: Quantity, residual: Quantity, ambient_pa: float
) -> EnergyStore:
    """
    Return the `EnergyStore` of a tube with the air pumped out.

    Its limits are the energies from `tube_work` and from `tube_speed`, in this order.
    """

    def energies(values: Mapping[str, float]) -> tuple[float, ...]:
        sizes = values[bore.name], values[length.name]
        left, mass = values[residual.name], values[MASS]
        speed = tube_speed(mass, *sizes, ambient_pa, values[DENSITY], left)
        return tube_work(*sizes, ambient_pa, left), kinetic_energy(mass, speed)

    names = ("atmosphere times swept volume", "the same, air taken along")
    return EnergyStore("tube", names, (bore, length, residual), energies)


def energy_result(
    launch: Launch, stores: tuple[EnergyStore, ...] = (), distance: Quantity | None = None
) -> EnergyResult:
    """
    Return energy and momentum of the next shot, and the limits of the stored energy.

    Parameters
    ----------
    launch : Launch
        The mass of its body must be known.
    stores : tuple of EnergyStore, optional
    distance : Quantity, optional
        Distance from the launcher's mouth to the place where the speed was measured [m]. The
        path is level.

    Raises
    ------
    OptionError
        The body's mass is unknown. Or the body is too wide for a tube. Or the body could not
        reach the gates at any speed.
    """
    if launch.body.mass is None:
        raise OptionError(
            "the energy cannot be computed without the mass of the body",
            hint='add the mass, such as --mass "24 g"',
        )
    where = distance or known(DISTANCE, 0.0)
    _refuse_narrow_tubes(launch, stores)

    def model(values: Mapping[str, float]) -> tuple[float, ...]:
        speed, mass = _at_mouth(launch, values, values[where.name]), values[MASS]
        energy = kinetic_energy(mass, speed)
        stored = [e for store in stores for e in store.energies(values)]
        return speed, energy, mass * speed, *stored, *(energy / e for e in stored)

    own = (q for store in stores for q in store.quantities)
    speed, energy, momentum, *rest = propagate(model, (*launch.quantities, where, *own))
    names = [name for store in stores for name in store.bounds]
    stored, parts = rest[: len(names)], rest[len(names) :]
    return EnergyResult(
        launch,
        where.value,
        speed,
        energy,
        momentum,
        speed.value / launch.site.sound_mps,
        tuple(EnergyBound(*each) for each in zip(names, stored, parts, strict=True)),
        _limits(launch, stores),
    )


def _refuse_narrow_tubes(launch: Launch, stores: tuple[EnergyStore, ...]) -> None:
    """Raise an error if the body is too wide for a tube."""
    for store in (s for s in stores if s.kind == "tube"):
        bore, body = store.quantities[0], launch.body.diameter
        if body is not None and body.value - body.U95 > bore.value + bore.U95:
            raise OptionError(
                f"a body with a diameter of {1e3 * body.value:.4g} mm does not fit into a tube "
                f"with an inner diameter of {1e3 * bore.value:.4g} mm",
                hint="check --bore and --diameter",
            )


def _at_mouth(launch: Launch, values: Mapping[str, float], distance_m: float) -> float:
    speed = speed_value(values)
    if not distance_m:
        return speed
    return speed_along(speed, -distance_m, deceleration_of(launch.body, launch.site, values))


def _limits(
    launch: Launch, stores: tuple[EnergyStore, ...]
) -> tuple[tuple[str, Estimate], ...]:
    """Return the names and values of the highest speeds that the tubes allow [m/s]."""
    ambient = launch.site.pressure_pa
    found: list[tuple[str, Estimate]] = []
    for store in (s for s in stores if s.kind == "tube"):
        bore, length, residual = store.quantities

        def model(
            values: Mapping[str, float],
            names: tuple[str, ...] = (bore.name, length.name, residual.name),
        ) -> tuple[float, ...]:
            sizes, left = (values[names[0]], values[names[1]]), values[names[2]]
            end = tube_speed(values[MASS], *sizes, ambient, values[DENSITY], left)
            return end, tube_limit(ambient, values[DENSITY], left)

        end, limit = propagate(model, (*launch.quantities, *store.quantities))
        found += [("at the tube's end", end), ("of any tube", limit)]
    return tuple(found)


@dataclass(frozen=True)
class Motion:
    """
    Energy, momentum and Mach number of a body that has a setup's mean speed.

    Attributes
    ----------
    mass_kg : float
    energy, momentum : Estimate
        Kinetic energy [J] and momentum [N s].
    mach : float
        Speed divided by the speed of sound in the air of the site.
    """

    mass_kg: float
    energy: Estimate
    momentum: Estimate
    mach: float


def motion_of(series: Series, rig: Rig, own: Mapping[str, float]) -> Motion:
    """
    Return energy, momentum and Mach number at the mean speed of a series.

    Parameters
    ----------
    series : Series
    rig : Rig
        The rig with the mass and the air.
    own : mapping
        The body's `mass_kg` if the setup states it. It replaces the mass in the rig.
    """
    mass = given_mass(own.get("mass_kg", rig.body.mass_kg))
    u = series.U95_mean_mps / coverage_factor(float("inf"))
    speed = Quantity(SPEED, series.mean_mps, normal(SPEED, u, unit="m/s"))

    def model(values: Mapping[str, float]) -> tuple[float, float]:
        return kinetic_energy(values[MASS], values[SPEED]), values[MASS] * values[SPEED]

    energy, momentum = propagate(model, (speed, mass))
    return Motion(mass.value, energy, momentum, series.mean_mps / site_of(rig).sound_mps)
