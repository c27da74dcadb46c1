"""Load cells: the weight of a vessel tells the volume of the water in it, and its shape the depth."""

from __future__ import annotations

import math
from dataclasses import dataclass, replace
from typing import Protocol

from holdwater_sensors.quality import OK, Grade, Reason, code
from holdwater_sensors.surroundings import Surroundings
from holdwater_sensors.water import STANDARD_GRAVITY, USUAL_C, USUAL_DENSITY_U, density

OUT_OF_RANGE = code(Grade.REJECTED, Reason.OUT_OF_RANGE)
BUOYANCY = 0.00105  # of the weight: air carries more of water than of steel test weights (OIML D 28, from memory)
OVERFULL = (
    1.05  # a vessel that weighs more than this share of its whole is not read right: wrong tare, ice, somebody on it
)


class Holds(Protocol):
    """A vessel that holds water: from depth to volume and back."""

    @property
    def height_m(self) -> float:
        """Inside height, m."""
        ...

    def volume_m3(self, depth_m: float) -> float:
        """Volume at a depth, m3."""
        ...

    def depth_m(self, volume_m3: float) -> float:
        """Depth at a volume, m; 0 for less than nothing, the height for more than the whole."""
        ...


@dataclass(frozen=True, slots=True)
class LoadCell:
    """Cells under a vessel, reading kilograms.

    Attributes:
        empty_kg: reading of the empty vessel (tare).
        carried: share of the weight that the cells carry; 0.5 when one end stands on a fixed foot.
        accuracy_kg: limit of error, kg; 0.5 % of a 500 kg set by default (common practice, no source).
        accuracy_share: the same as a share of the full vessel's weight; 0: `accuracy_kg` holds.
        gravity: local gravity, m/s2.
        set_here: the cells were adjusted at the site with known weights; else their kilograms hold at standard gravity.
        usual_water_c: water temperature when none is measured, degC.
        vessel: the vessel that stands on them; None: only its weight is known, no depth.
    """

    empty_kg: float = 0.0
    carried: float = 1.0
    accuracy_kg: float = 2.5
    gravity: float = STANDARD_GRAVITY
    set_here: bool = True
    usual_water_c: float = USUAL_C
    accuracy_share: float = 0.0
    vessel: Holds | None = None

    def under(self, vessel: Holds) -> LoadCell:
        """These cells under a vessel."""
        full_kg = self.empty_kg + vessel.volume_m3(vessel.height_m) * 1000 * self.carried
        accuracy_kg = self.accuracy_share * full_kg or self.accuracy_kg
        return replace(self, vessel=vessel, accuracy_kg=accuracy_kg)

    def volume(self, value_kg: float, around: Surroundings) -> tuple[float, float]:
        """Volume of the water and its standard uncertainty, m3, from a reading in kg. Never below zero."""
        gravity_share = 1.0 if self.set_here else (around.gravity or self.gravity) / STANDARD_GRAVITY
        rho = density(self.usual_water_c if around.water_c is None else around.water_c)
        mass_kg = (value_kg - self.empty_kg) / (self.carried * gravity_share)
        return max(mass_kg / rho, 0.0), self.accuracy_kg / math.sqrt(3) / self.carried / rho

    def measure(self, value_kg: float, around: Surroundings) -> tuple[float | None, float, float, int]:
        """Depth in the vessel, noise part and scale part of its uncertainty in m, and quality, from a reading in kg.

        The doubt of the weight becomes one of the depth by the slope of the vessel's own volume over twice its width, so that it stays
        finite where the surface is a point.
        """
        if self.vessel is None:
            return None, 0.0, 0.0, OK
        volume_m3, u_m3 = self.volume(value_kg, around)
        whole_m3 = self.vessel.volume_m3(self.vessel.height_m)
        short_m3 = self.accuracy_kg * 2 / self.carried / 1000
        if value_kg < self.empty_kg - 2 * self.accuracy_kg or volume_m3 > OVERFULL * whole_m3 + short_m3:
            return None, 0.0, 0.0, OUT_OF_RANGE
        u_rho = USUAL_DENSITY_U if around.water_c is None else 2.5e-4
        u_share_m3 = volume_m3 * math.hypot(u_rho, BUOYANCY / math.sqrt(3))
        return self.vessel.depth_m(volume_m3), self._u_m(volume_m3, u_m3), self._u_m(volume_m3, u_share_m3), OK

    def _u_m(self, volume_m3: float, u_m3: float) -> float:
        """A doubt of the volume as one of the depth, m."""
        if self.vessel is None or u_m3 <= 0:
            return 0.0
        low, high = self.vessel.depth_m(max(volume_m3 - u_m3, 0.0)), self.vessel.depth_m(volume_m3 + u_m3)
        return max((high - low) * u_m3 / (min(u_m3, volume_m3) + u_m3), 0.0)
