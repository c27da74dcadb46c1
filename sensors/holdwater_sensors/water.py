"""Water and the field it stands in: density, expansion, local gravity."""

from __future__ import annotations

import math

STANDARD_GRAVITY = 9.80665  # m/s2, by definition
USUAL_C = 15.0  # stored water when nothing is known
# Density between 0 and 30 degC differs from that at 15 degC by +0.09 to -0.35 %; taken as uniform over that span.
USUAL_DENSITY_U = 0.0013


def density(t_c: float) -> float:
    """Density of clean water at one atmosphere, kg/m3.

    Args:
        t_c: 0 to 40 degC; values beyond are taken as the nearer end, because ice and steam are no water column.

    Source: Tanaka, Girard, Davis, Peuto, Bignell, "Recommended table for the density of water between 0 and 40 degC",
    Metrologia 38 (2001) 301-309.
    """
    t = min(max(t_c, 0.0), 40.0)
    return 999.974950 * (1 - (t - 3.983035) ** 2 * (t + 301.797) / (522528.9 * (t + 69.34881)))


def expansion(from_c: float, to_c: float) -> float:
    """Relative change of the volume of a closed mass of water between two temperatures (0.00434 from 5 to 30 degC).

    A gauge that looks at the surface sees it; a pressure sensor in a straight-walled tank does not.
    """
    return density(from_c) / density(to_c) - 1


def gravity(latitude_deg: float | None, elevation_m: float = 0.0) -> float:
    """Local gravity, m/s2.

    Args:
        latitude_deg: -90 to 90; None when not known: the standard value at sea level is used.
        elevation_m: height above sea level, m.

    Source: normal gravity on the WGS84 ellipsoid by Somigliana's closed formula, with the free-air gradient 3.086e-6
        per s2.
    Rock below and around changes it by under 0.02 %.
    """
    if latitude_deg is None:
        at_sea_level = STANDARD_GRAVITY
    else:
        sin2 = math.sin(math.radians(latitude_deg)) ** 2
        at_sea_level = 9.7803253359 * (1 + 0.00193185265241 * sin2) / math.sqrt(1 - 0.00669437999013 * sin2)
    return at_sea_level - 3.086e-6 * elevation_m
