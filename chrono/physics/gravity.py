"""Local gravity from latitude and height: the WGS 84 normal gravity formula.

What is left out, the anomaly of the place, seldom exceeds 1e-3 m/s² (`ANOMALY_MPS2`).
"""

import math

EQUATOR_MPS2 = 9.7803253359
SOMIGLIANA_K = 0.00193185265241
ECCENTRICITY_SQUARED = 0.00669437999013
SEMI_MAJOR_AXIS_M = 6378137.0
FLATTENING = 1 / 298.257223563
GRAVITY_RATIO = 0.00344978650684
"""Constants of NIMA TR8350.2 (third edition), tables 3.1, 3.3 and 3.4."""

ANOMALY_MPS2 = 1e-3
"""Half-width for what the formula does not know: 100 mGal (common practice, no source)."""


def normal_gravity(latitude_rad: float, height_m: float = 0.0) -> float:
    """
    Return the acceleration of free fall in vacuum on the WGS 84 ellipsoid.

    Parameters
    ----------
    latitude_rad : float
        Geodetic latitude [rad].
    height_m : float, optional
        Height above the ellipsoid [m]; height above sea level does for falls.

    Returns
    -------
    float
        Normal gravity [m/s²].

    Notes
    -----
    Somigliana's closed form at height 0 and the second-order series in the height,
    NIMA TR8350.2, eq. 4-1 and 4-3.
    """
    sin2 = math.sin(latitude_rad) ** 2
    surface = EQUATOR_MPS2 * (1 + SOMIGLIANA_K * sin2)
    surface /= math.sqrt(1 - ECCENTRICITY_SQUARED * sin2)
    ratio = height_m / SEMI_MAJOR_AXIS_M
    first = 2 * (1 + FLATTENING + GRAVITY_RATIO - 2 * FLATTENING * sin2) * ratio
    return surface * (1 - first + 3 * ratio**2)
