"""Ultrasonic level gauge: from an echo time, or a distance that a device worked out, to the depth of the water."""

from __future__ import annotations

import math
from dataclasses import dataclass

from holdwater_sensors.air import HEADSPACE_RH, STANDARD_PA, sound_speed
from holdwater_sensors.quality import OK, Grade, Reason, code
from holdwater_sensors.surroundings import Surroundings

FIRMWARE_SPEED = 343.2  # m/s: what a device reckons with that is not told the temperature (20 degC, ISO 9613-1)
USUAL_AIR_C = 15.0  # when no temperature is known at all
USUAL_AIR_U_C = 8.7  # uniform +-15 degC around it
PROBE_U_C = 1.0  # error of an air probe and of its place (common practice, no source)
EVEN_SHARE = 0.5  # air between a probe at the lid and the water: half way, as if the temperature fell evenly
EVEN_SHARE_U = 0.29  # and any share from 0 to 1 is as likely: 1 / sqrt(12)
STATED_SHARE_U = 0.1

DEAD_ZONE = code(Grade.REJECTED, Reason.DEAD_ZONE)
OUT_OF_RANGE = code(Grade.REJECTED, Reason.OUT_OF_RANGE)
NO_AIR = code(Grade.SUSPECT, Reason.NO_AIR)


@dataclass(frozen=True, slots=True)
class Ultrasonic:
    """An ultrasonic gauge that looks straight down.

    Attributes:
        height_m: face of the sensor above the lowest inside floor, m.
        sends: "distance" (m) or "echo time" (s, there and back).
        assumed_speed: speed of sound with which the device worked out a distance, m/s; None: it allows for temperature
            itself.
        dead_zone_m: blanking distance; 0.25 m by default, middle of the usual 20 to 30 cm (common practice, no source).
        max_range_m: farthest distance it can measure; 5 m by default, middle of the usual 4 to 6 m (common practice, no
            source).
        accuracy_m: limit of error, m; 1 cm by default (entry of the University of Colorado in NASA's directory of
            instruments).
        accuracy_share: limit of error as a share of the distance, when that is larger; 0.4 % by default (same source).
        resolution_m: smallest step of its output, m.
        height_u_m: standard uncertainty of the height of the face.
        tilt_rad: largest angle between its axis and the vertical; a flat surface can then over-read the distance by 1 /
            cos.
        share: share of the difference between probe and water by which the mean of the path differs from the water;
            None: not known.
        expects_air: a series of the air temperature is configured, so that a missing value is worth a doubt.
        rh: humidity of the headspace when not measured, %.
        pressure_pa: air pressure when not measured (from the elevation), Pa.
        usual_air_c: air temperature when none is measured, degC.
        beam_rad: full angle of its beam, rad; None: not stated.
        wall_m: distance from its axis to the nearest wall, m; None: not stated.
        speed_stated: how the device reckons distance is stated, not assumed.
    """

    height_m: float
    sends: str = "distance"
    assumed_speed: float | None = FIRMWARE_SPEED
    dead_zone_m: float = 0.25
    max_range_m: float = 5.0
    accuracy_m: float = 0.01
    accuracy_share: float = 0.004
    resolution_m: float = 0.001
    height_u_m: float = 0.003
    tilt_rad: float = 0.0
    share: float | None = None
    expects_air: bool = False
    rh: float = HEADSPACE_RH
    pressure_pa: float = STANDARD_PA
    usual_air_c: float = USUAL_AIR_C
    beam_rad: float | None = None
    wall_m: float | None = None
    speed_stated: bool = True

    def path_temperature(self, around: Surroundings) -> tuple[float, float]:
        """Mean temperature along the path and its standard uncertainty, degC.

        The probe sits at the lid: in the sun it over-reads the path, under a night sky it under-reads it. Where the
        water temperature is known the mean lies between the two. (Strictly the
        mean of 1/c counts; for 20 degC between lid and water the mean temperature misses it by 0.02 % in dry air and
        0.1 % in saturated air.)
        """
        if around.air_c is None:
            if around.water_c is None:
                return self.usual_air_c, USUAL_AIR_U_C
            return around.water_c, USUAL_AIR_U_C / 2
        if around.water_c is None:
            return around.air_c, 2 * PROBE_U_C
        excess = around.air_c - around.water_c
        share, u_share = (EVEN_SHARE, EVEN_SHARE_U) if self.share is None else (self.share, STATED_SHARE_U)
        return around.water_c + share * excess, math.hypot(PROBE_U_C, u_share * excess)

    def gap(self, value: float, around: Surroundings) -> tuple[float, float]:
        """Distance from face to water and the part of its standard uncertainty that comes from the speed of sound, m.

        Args:
            value: distance in m or echo time in s, as the device sends.
            around: temperatures, humidity and pressure at the time.
        """
        if self.assumed_speed is None and self.sends == "distance":
            return value, 0.0
        t_c, u_c = self.path_temperature(around)
        rh = self.rh if around.rh is None else around.rh
        pressure_pa = self.pressure_pa if around.pressure_pa is None else around.pressure_pa
        speed = sound_speed(t_c, rh, pressure_pa)
        # the speed goes with the root of the absolute temperature; 5 % of humidity add under 0.1 %
        u_share = u_c / (2 * (t_c + 273.15))
        gap_m = value * speed / 2 if self.sends == "echo time" else value * speed / (self.assumed_speed or speed)
        return gap_m, abs(gap_m) * u_share

    def measure(self, value: float, around: Surroundings) -> tuple[float | None, float, float, int]:
        """Depth, noise part and scale part of its uncertainty in m, and quality, from one value."""
        gap_m, u_speed_m = self.gap(value, around)
        limit_m = max(self.accuracy_m, self.accuracy_share * gap_m)
        u_noise_m = math.sqrt(limit_m * limit_m / 3 + self.resolution_m * self.resolution_m / 12)
        tilt_m = gap_m * (1 / math.cos(self.tilt_rad) - 1) / math.sqrt(3) if self.tilt_rad else 0.0
        u_scale_m = math.sqrt(self.height_u_m * self.height_u_m + u_speed_m * u_speed_m + tilt_m * tilt_m)
        if gap_m <= 0.0:  # no echo at all, or an error number: nothing is near
            return None, u_noise_m, u_scale_m, OUT_OF_RANGE
        if gap_m < self.dead_zone_m:
            return None, u_noise_m, u_scale_m, DEAD_ZONE
        depth_m = self.height_m - gap_m
        # below the floor by more than the doubt: an echo that went twice, or one from elsewhere
        if gap_m > self.max_range_m or depth_m < -3 * (u_noise_m + u_scale_m):
            return None, u_noise_m, u_scale_m, OUT_OF_RANGE
        quality = NO_AIR if self.expects_air and around.air_c is None and self.assumed_speed is not None else OK
        return max(depth_m, 0.0), u_noise_m, u_scale_m, quality
