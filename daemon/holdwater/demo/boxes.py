"""The invented sensor boxes: what their sensors make of the truth, with noise, quantisation and quirks.

Pure and seeded. Each box turns a `Truth` into readings (quantity, SenML unit, value), or None while it is silent.
Quirks on purpose: the garden gauge gives 2 % false echoes, stands still for one hour and is silent for one night;
the drinking box has no clock.
"""

from __future__ import annotations

import math
from collections.abc import Callable
from dataclasses import dataclass, field
from datetime import date
from random import Random

from holdwater.demo.tanks import BODIES, M_PER_IN, Heights
from holdwater.demo.water import Truth
from holdwater.demo.weather import midnight_ms

Readings = list[tuple[str, str, float]]

FACE_IN = {"garden": 58.0, "cabin": 52.0}  # ultrasonic face above the inside floor
DIAPHRAGM_IN = 1.0
ASSUMED_SPEED = 343.2  # m/s, with which the ultrasonic devices reckon
GRAVITY = 9.794  # m/s2 at 37.6 N, 2,040 m (GRS 80 and free-air gradient)
PRESSURE_PA = 79_000.0  # air at 6,700 ft (US Standard Atmosphere 1976)
GAIN, ZERO_PA = 0.985, 50.0  # of the drinking sensor: it shows 123 of 125 gal hauled, and is right near the reserve
SPIKES = 0.02
HOUR_MS = 3_600_000
STUCK_MS = (midnight_ms(date(2026, 10, 26)) + 13 * HOUR_MS, midnight_ms(date(2026, 10, 26)) + 14 * HOUR_MS)
SILENT_MS = (midnight_ms(date(2026, 9, 17)) + 21 * HOUR_MS, midnight_ms(date(2026, 9, 18)) + 7 * HOUR_MS)


@dataclass(slots=True)
class Box:
    """One sensor box.

    Attributes:
        name: name of its node.
        phase_s: seconds after the minute at which it measures.
        clock: False for a box that sends ages instead of times.
        chance: its noise.
        measure: readings from the truth.
        silent_ms: from and until when it says nothing.
    """

    name: str
    phase_s: int
    clock: bool
    chance: Random
    measure: Callable[[Truth, Random], Readings]
    silent_ms: tuple[int, int] = (0, 0)

    def readings(self, truth: Truth) -> Readings | None:
        """What the box measures now; None while it is silent. Noise is drawn in any case."""
        found = self.measure(truth, self.chance)
        return None if self.silent_ms[0] <= truth.at_ms < self.silent_ms[1] else found


def boxes(seed: int) -> list[Box]:
    """The three boxes of Quern Bench."""

    def chance(name: str) -> Random:
        return Random(f"{seed} box {name}")  # noqa: S311 - noise, no secret

    return [
        Box("drinking", 7, False, chance("drinking"), Drinking()),
        Box("garden", 19, True, chance("garden"), Garden(), SILENT_MS),
        Box("cabin", 31, True, chance("cabin"), Cabin()),
    ]


@dataclass(slots=True)
class Drinking:
    """Gauge pressure near the floor, water temperature, battery."""

    heights: Heights = field(default_factory=lambda: Heights(BODIES["drinking"]))

    def __call__(self, truth: Truth, chance: Random) -> Readings:
        """Readings of this minute."""
        water_c = 12 + 0.3 * (truth.air_c - 12)  # a tank of 300 gal in a pump house
        head_m = self.heights.metres(truth.on_hand["drinking"]) - DIAPHRAGM_IN * M_PER_IN
        pressure_pa = GAIN * density(water_c) * GRAVITY * max(head_m, 0.0) + ZERO_PA + chance.gauss(0, 12)
        return [
            ("pressure", "Pa", 10 * round(pressure_pa / 10)),
            ("water", "Cel", round(water_c + chance.gauss(0, 0.05), 1)),
            ("battery", "V", battery(truth, chance)),
        ]


@dataclass(slots=True)
class Garden:
    """Ultrasonic gap, air under the lid and outside, rain since the sample before, air pressure, battery."""

    heights: Heights = field(default_factory=lambda: Heights(BODIES["garden"]))
    rained_in: float | None = None
    stuck_m: float | None = None

    def __call__(self, truth: Truth, chance: Random) -> Readings:
        """Readings of this minute."""
        gap_m = FACE_IN["garden"] * M_PER_IN - self.heights.metres(truth.on_hand["garden"])
        # The bucket holds 0.01 in; what fell before the box was switched on it has not seen.
        before_in = truth.rain_in if self.rained_in is None else self.rained_in
        tips = math.floor(truth.rain_in * 100 + 1e-6) - math.floor(before_in * 100 + 1e-6)
        self.rained_in = truth.rain_in
        return [
            ("gap", "m", self._seen(truth, device_gap_m(gap_m, truth.headspace_c) + chance.gauss(0, 0.002), chance)),
            ("headspace", "Cel", round(truth.headspace_c + chance.gauss(0, 0.3), 1)),
            ("air", "Cel", round(truth.air_c + chance.gauss(0, 0.15), 1)),
            ("rain", "m", round(tips * 0.01 * M_PER_IN, 6)),
            (
                "barometer",
                "Pa",
                10 * round((PRESSURE_PA + 300 * math.sin(truth.at_ms / 3.1e8) + chance.gauss(0, 8)) / 10),
            ),
            ("battery", "V", battery(truth, chance)),
        ]

    def _seen(self, truth: Truth, gap_m: float, chance: Random) -> float:
        """The gap as the device gives it: now and then a false echo, for one hour the same figure over and over."""
        spike = chance.random() < SPIKES
        echo_m = 2 * gap_m if chance.random() < 0.5 else chance.uniform(0.3, 0.9) * gap_m
        shown_m = round(echo_m if spike else gap_m, 3)
        if STUCK_MS[0] <= truth.at_ms < STUCK_MS[1]:
            self.stuck_m = self.stuck_m or round(gap_m, 3)
            return self.stuck_m
        return shown_m


@dataclass(slots=True)
class Cabin:
    """Ultrasonic gap, air in the lean-to, water temperature."""

    heights: Heights = field(default_factory=lambda: Heights(BODIES["cabin"]))

    def __call__(self, truth: Truth, chance: Random) -> Readings:
        """Readings of this minute."""
        air_c = truth.air_c + 1.0
        gap_m = FACE_IN["cabin"] * M_PER_IN - self.heights.metres(truth.on_hand["cabin"])
        return [
            ("gap", "m", round(device_gap_m(gap_m, air_c) + chance.gauss(0, 0.001), 3)),
            ("air", "Cel", round(air_c + chance.gauss(0, 0.15), 1)),
            ("water", "Cel", round(truth.water_c + chance.gauss(0, 0.03), 1)),
        ]


def air_pressure_pa(at_ms: int) -> float:
    """Pressure of the air: highs and lows pass in some three weeks."""
    return PRESSURE_PA + 300 * math.sin(at_ms / 3.1e8)


def battery(truth: Truth, chance: Random) -> float:
    """A small solar cell's battery: a little higher in the warm of the day."""
    return round(3.85 + 0.012 * (truth.headspace_c - truth.air_c) + chance.gauss(0, 0.005), 3)


def density(c: float) -> float:
    """Water, kg/m3: a parabola through its maximum at 4 degC, within 0.2 kg/m3 up to 25 degC (from memory)."""
    return 999.97 - 0.0068 * (c - 4) ** 2


def sound_speed(c: float) -> float:
    """Speed of sound in the nearly saturated air over water at 6,700 ft, m/s.

    331.3·sqrt(T/273.15) for dry air, raised by 16 % of the mole fraction of vapour; saturation by Magnus. Textbook
    forms, from memory: a rule of its own, so that the simulation does not measure the service with the service's rule.
    """
    saturation_pa = 611.2 * math.exp(17.62 * c / (243.12 + c))
    return 331.3 * math.sqrt(1 + c / 273.15) * (1 + 0.16 * 0.95 * saturation_pa / PRESSURE_PA)


def device_gap_m(gap_m: float, air_c: float) -> float:
    """The distance that a device gives which knows nothing of the temperature."""
    return gap_m * ASSUMED_SPEED / sound_speed(air_c)
