"""Air: speed of sound in it, how it presses at an elevation."""

from __future__ import annotations

import math

STANDARD_PA = 101_325.0
CO2_FRACTION = 0.0004  # mole fraction; as in the check rows. 100 ppm more change the speed by about 2e-5
HEADSPACE_RH = 95.0  # %RH over stored water, near saturation: common practice, no source

# O. Cramer, "The variation of the specific heat ratio and the speed of sound in air with temperature, pressure,
# humidity and CO2 concentration", J. Acoust. Soc. Am. 93 (1993) 2510-2516, table III: sixteen coefficients, t in degC,
# p in Pa, mole fractions.
_A = (
    331.5024, 0.603055, -0.000528, 51.471935, 0.1495874, -0.000782, -1.82e-7, 3.73e-8,
    -2.93e-10, -85.20931, -0.228525, 5.91e-5, -2.835149, -2.15e-13, 29.179762, 0.000486,
)  # fmt: skip


def vapour_fraction(t_c: float, rh: float, pressure_pa: float = STANDARD_PA) -> float:
    """Mole fraction of water vapour in air.

    Args:
        t_c: temperature, degC.
        rh: relative humidity, 0 to 100 %.
        pressure_pa: air pressure, Pa.

    Returns:
        Mole fraction, 0 to 1. Saturation pressure and enhancement factor as in Cramer 1993, from R. S. Davis,
        "Equation for the determination of the density of moist air (1981/91)", Metrologia 29 (1992) 67.
    """
    t_k = t_c + 273.15
    saturation_pa = math.exp(1.2811805e-5 * t_k * t_k - 1.9509874e-2 * t_k + 34.04926034 - 6353.6311 / t_k)
    enhancement = 1.00062 + 3.14e-8 * pressure_pa + 5.6e-7 * t_c * t_c
    return rh / 100 * enhancement * saturation_pa / pressure_pa


def sound_speed(t_c: float, rh: float = HEADSPACE_RH, pressure_pa: float = STANDARD_PA) -> float:
    """Speed of sound in moist air.

    Args:
        t_c: temperature, degC; the paper covers 0 to 30, here used from -40 to 60.
        rh: relative humidity, 0 to 100 %.
        pressure_pa: air pressure, Pa; the paper covers 75 to 102 kPa.

    Returns:
        m/s. Cramer 1993; agrees with the humid-air model of CoolProp within 0.04 m/s from 0 to 30 degC and 0.16 m/s
        from -30 to 50 degC (checked in the tests).
    """
    a = _A
    t = t_c
    x, c, p = vapour_fraction(t_c, rh, pressure_pa), CO2_FRACTION, pressure_pa
    tt = t * t
    return (
        a[0] + a[1] * t + a[2] * tt
        + (a[3] + a[4] * t + a[5] * tt) * x
        + (a[6] + a[7] * t + a[8] * tt) * p
        + (a[9] + a[10] * t + a[11] * tt) * c
        + a[12] * x * x + a[13] * p * p + a[14] * c * c + a[15] * x * p * c
    )  # fmt: skip


def dry_sound_speed(t_c: float) -> float:
    """Speed of sound in dry air as most firmware reckons: 343.2 m/s at 20 degC, with the root of the temperature.

    Source: the form of ISO 9613-1:1993; reads 0.07 to 0.16 m/s under dry air, and more under humid air.
    """
    return 343.2 * math.sqrt((t_c + 273.15) / 293.15)


def standard_pressure(elevation_m: float) -> float:
    """Mean air pressure at an elevation, Pa.

    Args:
        elevation_m: height above sea level, -500 to 11000 m (geometric).

    Returns:
        Pressure of the ISO 2533 / US Standard Atmosphere 1976 troposphere; weather moves the true one by about 3 %.
    """
    geopotential_m = 6_356_766.0 * elevation_m / (6_356_766.0 + elevation_m)
    return float(STANDARD_PA * (1 - 0.0065 * geopotential_m / 288.15) ** (9.80665 * 0.0289644 / (8.31432 * 0.0065)))
