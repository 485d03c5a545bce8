"""Normal gravity, against which the accelerometer's scale is judged."""

from __future__ import annotations

import math

EQUATOR = 9.7803253359
SOMIGLIANA = 0.00193185265241
ECCENTRICITY_SQUARED = 0.00669437999014
"""WGS84 constants: NIMA TR8350.2, 3rd ed., equation 4-1 and table 3.4 (second hand, recomputed)."""

HEIGHT_GRADIENT = 3.086e-6
"""Loss of gravity with height, 1/s² (free-air gradient; from memory)."""

HIGHEST_PLACE_M = 4500.0
"""Height of the highest golf courses, m (common practice, no source)."""


def normal_gravity(latitude_rad: float) -> float:
    """Gravity in m/s² on the WGS84 ellipsoid at a geodetic latitude in rad (Somigliana's closed formula)."""
    sine_squared = math.sin(latitude_rad) ** 2
    return EQUATOR * (1.0 + SOMIGLIANA * sine_squared) / math.sqrt(1.0 - ECCENTRICITY_SQUARED * sine_squared)


LEAST_GRAVITY = normal_gravity(0.0) - HEIGHT_GRADIENT * HIGHEST_PLACE_M
GREATEST_GRAVITY = normal_gravity(math.pi / 2.0)
"""m/s²; what an accelerometer without errors reads at rest anywhere golf is played."""


def scale_error(measured: float) -> float:
    """Relative error by which a reading of gravity in m/s² lies outside what is possible; 0 inside, else signed."""
    if measured < LEAST_GRAVITY:
        return measured / LEAST_GRAVITY - 1.0
    if measured > GREATEST_GRAVITY:
        return measured / GREATEST_GRAVITY - 1.0
    return 0.0
