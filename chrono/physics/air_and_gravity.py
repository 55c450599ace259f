"""Compute the properties of the air and the gravity at a site, in SI units."""

import math

from chrono.units import ICE_POINT_K, STANDARD_GRAVITY_MPS2

GAS_CONSTANT = 8.314472
"""Molar gas constant of the published CIPM-2007 formula [J/(mol K)]. Today's exact value of the
gas constant would change the density by 1e-6.
"""

HEAT_RATIO = 1.4
"""γ = c_p/c_v of dry air (ISO 2533:1975, table 1), and of every two-atom gas (7/5; kinetic
theory)."""

WATER_MOLAR_MASS = 18.01528e-3
CO2_FRACTION = 400e-6


def moist_air_density(
    temperature_k: float, pressure_pa: float, humidity: float, co2: float = CO2_FRACTION
) -> float:
    """
    Return the density of moist air, computed by the CIPM-2007 formula.

    Parameters
    ----------
    temperature_k : float
        Air temperature [K]; the formula is stated for 15 … 27 °C.
    pressure_pa : float
        Air pressure at the site, not reduced to sea level [Pa]; 600 … 1100 hPa.
    humidity : float
        Relative humidity, 0 … 1.
    co2 : float, optional
        Mole fraction of carbon dioxide.

    Returns
    -------
    float
        Density [kg/m³]. Outside the stated ranges its relative error is still at most 1e-3.

    Notes
    -----
    A. Picard, R. S. Davis, M. Gläser and K. Fujii, Metrologia 45 (2008) 149, eq. 1.
    """
    vapour = vapour_fraction(temperature_k, pressure_pa, humidity)
    dry_mass = 28.96546e-3 + 12.011e-3 * (co2 - CO2_FRACTION)
    compressibility = _compressibility(temperature_k, pressure_pa, vapour)
    dry = pressure_pa * dry_mass / (compressibility * GAS_CONSTANT * temperature_k)
    return dry * (1 - vapour * (1 - WATER_MOLAR_MASS / dry_mass))


def vapour_fraction(temperature_k: float, pressure_pa: float, humidity: float) -> float:
    """
    Return the mole fraction of water vapour in moist air (CIPM-2007, appendix A1).

    Parameters
    ----------
    temperature_k, pressure_pa, humidity : float
        See `moist_air_density`.
    """
    saturation_pa = math.exp(
        1.2378847e-5 * temperature_k**2
        - 1.9121316e-2 * temperature_k
        + 33.93711047
        - 6.3431645e3 / temperature_k
    )
    enhancement = 1.00062 + 3.14e-8 * pressure_pa + 5.6e-7 * (temperature_k - ICE_POINT_K) ** 2
    return humidity * enhancement * saturation_pa / pressure_pa


def dynamic_viscosity(temperature_k: float) -> float:
    """
    Return the dynamic viscosity of air [Pa s] at a temperature [K], by Sutherland's law.

    Source: US Standard Atmosphere 1976, equation 51.
    """
    return 1.458e-6 * temperature_k * math.sqrt(temperature_k) / (temperature_k + 110.4)


def speed_of_sound(pressure_pa: float, density_kgpm3: float) -> float:
    """
    Return the speed of sound √(γ·p/ρ) [m/s] in air with a given pressure and density.

    The formula is for an ideal gas (ISO 2533:1975, eq. 19). For dry air, γ is `HEAT_RATIO`; for
    moist air, γ differs from this value by less than 1e-3.
    """
    return math.sqrt(HEAT_RATIO * pressure_pa / density_kgpm3)


def standard_pressure(altitude_m: float) -> float:
    """
    Return the pressure of the standard atmosphere, for a site without a barometer.

    Parameters
    ----------
    altitude_m : float
        Height above sea level [m], −2000 … 11,000.

    Returns
    -------
    float
        Pressure [Pa]; the weather changes it by about 2 %.

    Notes
    -----
    ISO 2533:1975, troposphere: 288.15 K and 101325 Pa at sea level, −6.5 K per kilometre
    of geopotential height.
    """
    geopotential_m = 6356766.0 * altitude_m / (6356766.0 + altitude_m)
    cooling = 0.0065 * geopotential_m / 288.15
    return 101325.0 * math.pow(1 - cooling, STANDARD_GRAVITY_MPS2 / (287.05287 * 0.0065))


def _compressibility(temperature_k: float, pressure_pa: float, vapour: float) -> float:
    """Return the compressibility factor Z of moist air (CIPM-2007, appendix A2)."""
    t = temperature_k - ICE_POINT_K
    ratio = pressure_pa / temperature_k
    linear = (
        1.58123e-6
        - 2.9331e-8 * t
        + 1.1043e-10 * t**2
        + (5.707e-6 - 2.051e-8 * t) * vapour
        + (1.9898e-4 - 2.376e-6 * t) * vapour**2
    )
    return 1 - ratio * linear + ratio**2 * (1.83e-11 - 0.765e-8 * vapour**2)


EQUATOR_MPS2 = 9.7803253359
SOMIGLIANA_K = 0.00193185265241
ECCENTRICITY_SQUARED = 0.00669437999013
SEMI_MAJOR_AXIS_M = 6378137.0
FLATTENING = 1 / 298.257223563
GRAVITY_RATIO = 0.00344978650684
"""Constants of NIMA TR8350.2 (third edition), tables 3.1, 3.3 and 3.4."""

ANOMALY_MPS2 = 1e-3
"""Half-width of local differences from the gravity formula: 100 mGal (common practice, no
source)."""


def normal_gravity(latitude_rad: float, height_m: float = 0.0) -> float:
    """
    Return the acceleration of free fall at a latitude and height, without air (WGS 84).

    Parameters
    ----------
    latitude_rad : float
        Geodetic latitude [rad].
    height_m : float, optional
        Height above the ellipsoid [m]; height above sea level is good enough for falls.

    Returns
    -------
    float
        Gravity [m/s²]; local differences are rarely larger than `ANOMALY_MPS2`.

    Notes
    -----
    The formula is Somigliana's closed form at height 0, with the second-order series in the
    height (NIMA TR8350.2, eq. 4-1 and 4-3).
    """
    sin2 = math.sin(latitude_rad) ** 2
    surface = EQUATOR_MPS2 * (1 + SOMIGLIANA_K * sin2)
    surface /= math.sqrt(1 - ECCENTRICITY_SQUARED * sin2)
    ratio = height_m / SEMI_MAJOR_AXIS_M
    first = 2 * (1 + FLATTENING + GRAVITY_RATIO - 2 * FLATTENING * sin2) * ratio
    return surface * (1 - first + 3 * ratio**2)
