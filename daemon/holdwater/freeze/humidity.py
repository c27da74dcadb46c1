"""Dew point and frost point of the air from its relative humidity, by the Magnus form of saturation vapour pressure.

Two sets of constants: WMO (Guide to Instruments and Methods of Observation, WMO-No. 8, 2018, annex 4.B) and
Alduchov and Eskridge (Improved Magnus form approximation of saturation vapor pressure, J. Appl. Meteor. 35, 1996,
eq. 21 and 23).
"""

from __future__ import annotations

from dataclasses import dataclass
from math import exp, isfinite, log

LOWEST_RH = 0.005  # half a percent: below it a capacitive sensor says nothing, and the logarithm runs away


@dataclass(frozen=True, slots=True)
class Magnus:
    """Constants of e = a exp(b t / (c + t)): a in hPa, c and t in degC."""

    a_hpa: float
    b: float
    c_c: float

    def pressure_hpa(self, air_c: float) -> float:
        """Saturation vapour pressure at a temperature above -c degC, in hPa."""
        return self.a_hpa * exp(self.b * air_c / (self.c_c + air_c))

    def temperature_c(self, vapour_hpa: float) -> float:
        """The temperature at which a vapour pressure above zero saturates, in degC."""
        exponent = log(vapour_hpa / self.a_hpa)
        return self.c_c * exponent / (self.b - exponent)


WMO_WATER = Magnus(6.112, 17.62, 243.12)
WMO_ICE = Magnus(6.112, 22.46, 272.62)
ALDUCHOV_ESKRIDGE = Magnus(6.1094, 17.625, 243.04)


def dew_point_c(air_c: float, rh: float, form: Magnus = ALDUCHOV_ESKRIDGE) -> float | None:
    """Dew point of the air.

    Args:
        air_c: air temperature, -80 to 60 degC.
        rh: relative humidity over water, 0 to 1; sensors read a little above 1 in fog, which counts as 1.
        form: constants of the Magnus form.

    Returns:
        The dew point in degC; None when either value is not finite or the humidity is below half a percent.
    """
    if not (isfinite(air_c) and isfinite(rh)) or rh < LOWEST_RH or air_c <= -form.c_c:
        return None
    return form.temperature_c(min(rh, 1.0) * form.pressure_hpa(air_c))


def frost_point_c(air_c: float, rh: float) -> float | None:
    """The temperature at which ice and the vapour of the air are in balance (WMO constants); None as for `dew_point_c`.

    Above freezing the answer is a figure of the formula only: there is no frost point above 0 degC.
    """
    if not (isfinite(air_c) and isfinite(rh)) or rh < LOWEST_RH or air_c <= -WMO_WATER.c_c:
        return None
    return WMO_ICE.temperature_c(min(rh, 1.0) * WMO_WATER.pressure_hpa(air_c))


def wet_bulb_c(air_c: float, dew_c: float, pressure_hpa: float = 1013.25) -> float:
    """Wet-bulb temperature: where evaporation from a wet surface in moving air ends.

    Solves the psychrometer equation e = es(tw) - 0.000653 (1 + 0.000944 tw) p (t - tw) (WMO-No. 8, annex 4.B) by
    bisection.

    Args:
        air_c: air temperature, -40 to 60 degC.
        dew_c: dew point, at most the air temperature (a higher one counts as saturated air).
        pressure_hpa: air pressure, 500 to 1100 hPa.
    """
    vapour_hpa = WMO_WATER.pressure_hpa(min(dew_c, air_c))
    low_c, high_c = min(dew_c, air_c), air_c
    for _ in range(40):
        wet_c = (low_c + high_c) / 2
        excess = (
            WMO_WATER.pressure_hpa(wet_c)
            - 0.000653 * (1 + 0.000944 * wet_c) * pressure_hpa * (air_c - wet_c)
            - vapour_hpa
        )
        low_c, high_c = (low_c, wet_c) if excess > 0 else (wet_c, high_c)
    return (low_c + high_c) / 2
