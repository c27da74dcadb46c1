"""Load cells: the weight of a vessel tells the volume of the water in it."""

from __future__ import annotations

import math
from dataclasses import dataclass

from holdwater_sensors.surroundings import Surroundings
from holdwater_sensors.water import STANDARD_GRAVITY, USUAL_C, density


@dataclass(frozen=True, slots=True)
class LoadCell:
    """Cells under a vessel, reading kilograms.

    Attributes:
        empty_kg: reading of the empty vessel (tare).
        carried: share of the weight that the cells carry; 0.5 when one end stands on a fixed foot.
        accuracy_kg: limit of error, kg; 0.5 % of a 500 kg set by default (common practice, no source).
        gravity: local gravity, m/s2.
        set_here: the cells were adjusted at the site with known weights; else their kilograms hold at standard gravity.
    """

    empty_kg: float = 0.0
    carried: float = 1.0
    accuracy_kg: float = 2.5
    gravity: float = STANDARD_GRAVITY
    set_here: bool = True

    def volume(self, value_kg: float, around: Surroundings) -> tuple[float, float]:
        """Volume of the water and its standard uncertainty, m3, from a reading in kg. Never below zero."""
        gravity_share = 1.0 if self.set_here else (around.gravity or self.gravity) / STANDARD_GRAVITY
        rho = density(USUAL_C if around.water_c is None else around.water_c)
        mass_kg = (value_kg - self.empty_kg) / (self.carried * gravity_share)
        return max(mass_kg / rho, 0.0), self.accuracy_kg / math.sqrt(3) / self.carried / rho
