"""Hydrostatic level: from the pressure of the water column to the depth of the water."""

from __future__ import annotations

import math
from dataclasses import dataclass

from holdwater_sensors.air import STANDARD_PA
from holdwater_sensors.quality import OK, Grade, Reason, code
from holdwater_sensors.signals import Signal
from holdwater_sensors.surroundings import Surroundings
from holdwater_sensors.water import STANDARD_GRAVITY, USUAL_C, USUAL_DENSITY_U, density

BELOW_SENSOR = code(Grade.SUSPECT, Reason.BELOW_SENSOR)
ICE = code(Grade.SUSPECT, Reason.ICE)
NO_BAROMETER = code(Grade.SUSPECT, Reason.NO_BAROMETER)
OUT_OF_RANGE = code(Grade.REJECTED, Reason.OUT_OF_RANGE)
REJECTED = code(Grade.REJECTED)
WEATHER_U_PA = 870.0  # air pressure from the elevation alone: weather within +-15 hPa, uniform
BAROMETER_U_PA = 60.0  # a barometer within +-1 hPa, uniform
WATER_PROBE_U_C = 1.0
# Water this cold has ice on it; a diaphragm under less water than this may be caught in it, and is not to be believed
# until it has thawed. Sensors deeper than 15 cm (6 in) seldom freeze (manual of a stream-monitoring network).
ICE_C = 0.3
ICE_HEAD_M = 0.15


@dataclass(frozen=True, slots=True)
class Hydrostatic:
    """A pressure transmitter at the bottom of a tank.

    Attributes:
        height_m: diaphragm above the lowest inside floor, m.
        reference: "gauge" (vented), "absolute", or "sealed" (against a fixed pressure).
        seal_pa: pressure sealed in, for "sealed".
        signal: current loop or voltage, when the value is no pressure yet.
        low_pa: pressure at the low end of the range.
        high_pa: pressure at the high end of the range; 0 when no range is stated.
        accuracy_pa: limit of error, Pa; of the range, not of the reading.
        drift_pa: limit of what it has drifted, Pa; stays the same from reading to reading.
        resolution_pa: smallest step of its output, Pa.
        height_u_m: standard uncertainty of the height of the diaphragm.
        pressure_pa: air pressure when no barometer is heard (from the elevation), Pa.
        usual_water_c: water temperature when none is measured, degC.
        gravity: local gravity, m/s2.
        accuracy_stated: its accuracy or range is stated, not assumed.
    """

    height_m: float
    reference: str = "gauge"
    seal_pa: float = STANDARD_PA
    signal: Signal | None = None
    low_pa: float = 0.0
    high_pa: float = 0.0
    accuracy_pa: float = 250.0
    drift_pa: float = 0.0
    resolution_pa: float = 0.0
    height_u_m: float = 0.003
    pressure_pa: float = STANDARD_PA
    usual_water_c: float = USUAL_C
    gravity: float = STANDARD_GRAVITY
    accuracy_stated: bool = True

    def head_pressure(self, value: float, around: Surroundings) -> tuple[float, float, int]:
        """Pressure of the water column in Pa, the uncertainty that its air pressure brings, and quality."""
        quality = OK
        if self.signal is not None:
            share, quality = self.signal.share(value, around.supply_v)
            value = self.low_pa + share * (self.high_pa - self.low_pa)
        if self.reference == "gauge":
            return value, 0.0, quality
        absolute_pa = value + self.seal_pa if self.reference == "sealed" else value
        if around.pressure_pa is None:
            return absolute_pa - self.pressure_pa, WEATHER_U_PA, max(quality, NO_BAROMETER)
        return absolute_pa - around.pressure_pa, BAROMETER_U_PA, quality

    def measure(self, value: float, around: Surroundings) -> tuple[float | None, float, float, int]:
        """Depth, noise part and scale part of its uncertainty in m, and quality, from one value."""
        column_pa, u_air_pa, quality = self.head_pressure(value, around)
        if quality >= REJECTED:
            return None, 0.0, 0.0, quality
        water_c = around.water_c
        if water_c is None:
            rho, u_rho = density(self.usual_water_c), USUAL_DENSITY_U
        else:
            rho, u_rho = density(water_c), 2.5e-4 * WATER_PROBE_U_C  # 250 ppm a degree at 25 degC, less below
        m_per_pa = 1 / (rho * (around.gravity or self.gravity))
        head_m = column_pa * m_per_pa
        u_noise_m = m_per_pa * math.sqrt((self.accuracy_pa**2) / 3 + (self.resolution_pa**2) / 12 + u_air_pa**2)
        u_scale_m = math.sqrt(self.height_u_m**2 + (head_m * u_rho) ** 2 + (self.drift_pa * m_per_pa) ** 2 / 3)
        if water_c is not None and water_c <= ICE_C and head_m < ICE_HEAD_M:
            quality = max(quality, ICE)
        u_m = math.hypot(u_noise_m, u_scale_m)
        return self._placed(head_m, u_noise_m, u_scale_m, u_m, quality)

    def _placed(
        self, head_m: float, u_noise_m: float, u_scale_m: float, u_m: float, quality: int
    ) -> tuple[float | None, float, float, int]:
        span_m = (self.high_pa - self.low_pa) / (1000 * 9.8)
        if head_m < -4 * u_m - 0.1 or (span_m > 0 and head_m > 1.1 * span_m + 4 * u_m):
            return None, u_noise_m, u_scale_m, OUT_OF_RANGE
        if head_m > 2 * u_m or self.height_m <= u_m:
            return max(head_m + self.height_m, 0.0), u_noise_m, u_scale_m, quality
        # At or below the diaphragm it reads zero whatever stands there: anything from the floor to the diaphragm is as
        # likely.
        return (
            self.height_m / 2,
            math.hypot(u_noise_m, self.height_m / math.sqrt(12)),
            u_scale_m,
            max(quality, BELOW_SENSOR),
        )
