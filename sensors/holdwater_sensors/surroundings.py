"""What surrounds a sensor at the time of a reading."""

from __future__ import annotations

from typing import NamedTuple


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
