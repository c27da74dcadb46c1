"""What surrounds a sensor at the time of a reading."""

from __future__ import annotations

from typing import NamedTuple

# Outside these a probe is broken, not the weather strange. Common digital thermometers show 85 degC after power-up and
# -127 degC when cut off (from memory). Air in a headspace under a black lid may reach 70 degC.
AIR_C = (-50.0, 75.0)
WATER_C = (-5.0, 60.0)
PRESSURE_PA = (45_000.0, 110_000.0)  # 6,500 m up to below the Dead Sea
RH = (0.0, 110.0)  # sensors overshoot in condensing air


class Surroundings(NamedTuple):
    """Facts from other series; None where no recent value is known. A named tuple because it is made for every reading.

    Attributes:
        air_c: air temperature where it is measured (at the lid, in the headspace or outside), degC.
        water_c: water temperature, degC.
        pressure_pa: air pressure at the site (station pressure, not reduced to sea level), Pa.
        rh: relative humidity of the headspace, 0 to 100 %.
        supply_v: supply of the transmitter, V.
        gravity: local gravity, m/s2; None: that of the instrument's site.
    """

    air_c: float | None = None
    water_c: float | None = None
    pressure_pa: float | None = None
    rh: float | None = None
    supply_v: float | None = None
    gravity: float | None = None


def plausible(around: Surroundings) -> Surroundings:
    """The same facts without those that no place on earth has; a missing fact has its own doubt, a wrong one has not."""
    if (
        _within(around.air_c, AIR_C)
        and _within(around.water_c, WATER_C)
        and _within(around.pressure_pa, PRESSURE_PA)
        and _within(around.rh, RH)
    ):
        return around
    return around._replace(
        air_c=around.air_c if _within(around.air_c, AIR_C) else None,
        water_c=around.water_c if _within(around.water_c, WATER_C) else None,
        pressure_pa=around.pressure_pa if _within(around.pressure_pa, PRESSURE_PA) else None,
        rh=around.rh if _within(around.rh, RH) else None,
    )


def _within(value: float | None, bounds: tuple[float, float]) -> bool:
    # false for NaN
    return value is None or bounds[0] <= value <= bounds[1]
